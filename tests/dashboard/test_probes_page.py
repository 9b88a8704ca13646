"""The page of probes: quality, siblings, calibration, hubs; all from a real store."""

from __future__ import annotations

import math
import re
import time

import pytest
from keeper_room import app_of, keeper_room

from sensord.air.calibration import Calibration
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from sensord.config import load_config
from sensord.link.status import Status, encode_status
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.probes.quality import STUCK_SCANS, Flag, judge_stored
from sensord.store.status import HubStatuses, decode_status
from sensord.wiring import Room


@pytest.fixture
def room(tmp_path, clock):
    return keeper_room(tmp_path, clock)


def placed(room, names, now_ms):
    """Each probe at the wet end of a nest of its own since ten days."""
    room.registry.put_nests([Nest(f"N-{name}", NestKind.TUBE, "ant room", "A") for name in names])
    room.registry.put_placements(
        [Placement(f"hub-a/{name}", f"N-{name}", "ant room", Place.WET_END, now_ms - 10 * DAY_MS) for name in names]
    )


def readings(name, now_ms, *, temp=24.0, rh=70.0, hours=72, every_min=10):
    """Air that breathes a little, so that no value comes twice."""
    return [
        Reading(f"hub-a/{name}", at_ms, temp + math.sin(at_ms / 9e6) + number * 1e-5, rh + number * 1e-4)
        for number, at_ms in enumerate(range(now_ms - hours * HOUR_MS, now_ms + 1, every_min * MINUTE_MS))
    ]


def lines_of(room):
    """The rows of the table of probes by name, as text."""
    app, data = app_of(room)
    data.keeping.refresh()
    page = app.test_client().get("/probes").text
    rows = re.findall("<tr><td>(.*?)</tr>", page.split("<h2>Probes</h2>")[1])
    texts = [re.sub("<.*?>", "|", row).split("|") for row in rows]
    return {next(part for part in row if part): " ".join(part for part in row if part) for row in texts}, page


def test_each_probe_says_what_ails_it(room, clock) -> None:
    now_ms = to_ms(clock.now())
    placed(room, ["good", "warm", "wet", "stuck", "broken", "quiet", "new"], now_ms)
    for name, more in (("good", {}), ("warm", {"temp": 27.0}), ("wet", {}), ("stuck", {}), ("broken", {})):
        room.store.write(readings(name, now_ms - 4 * HOUR_MS - 1, **more))
    late = range(now_ms - 4 * HOUR_MS, now_ms + 1, 10 * MINUTE_MS)
    room.store.write(readings("good", now_ms, hours=3) + readings("warm", now_ms, temp=27.0, hours=3))
    room.store.write([Reading("hub-a/wet", at_ms, 24.0 + at_ms % 7 / 100, 99.8) for at_ms in late])
    room.store.write([Reading("hub-a/stuck", at_ms, 24.0, 70.0) for at_ms in late])
    room.store.write([Reading("hub-a/broken", now_ms, 130.0, 100.0)])
    room.store.write(readings("quiet", now_ms - HOUR_MS, hours=1))
    lines, page = lines_of(room)
    assert " good " in lines["hub-a/good"]
    assert "apart from its siblings +3.0 °C" in lines["hub-a/warm"]
    assert "condensed" in lines["hub-a/wet"]
    assert "stuck" in lines["hub-a/stuck"]
    assert "impossible value" in lines["hub-a/broken"]
    assert "silent" in lines["hub-a/quiet"]
    assert "too few to compare: 4 siblings, 2 h" in lines["hub-a/quiet"]
    assert lines["hub-a/quiet"].endswith(" 1 h")
    assert "no reading yet" in lines["hub-a/new"]
    assert lines["hub-a/new"].endswith("never")
    assert list(lines).index("hub-a/broken") < list(lines).index("hub-a/quiet") < list(lines).index("hub-a/good")
    assert "Checked at 13:00" in page


def test_a_probe_among_few_is_not_compared_and_a_calibration_is_applied_before(room, clock) -> None:
    now_ms = to_ms(clock.now())
    placed(room, ["a", "b"], now_ms)
    for name, temp in (("a", 24.0), ("b", 26.0)):
        room.store.write(readings(name, now_ms, temp=temp))
    assert "too few to compare: 1 sibling, 0 h" in lines_of(room)[0]["hub-a/b"]
    placed(room, ["c", "d"], now_ms)
    for name in ("c", "d"):
        room.store.write(readings(name, now_ms))
    assert "+2.0 °C" in lines_of(room)[0]["hub-a/b"]
    room.calibrations.add(Calibration("hub-a/b", now_ms - 9 * DAY_MS, "together", temp_offset_c=-2.0))
    line = lines_of(room)[0]["hub-a/b"]
    assert "+0.0 °C" in line
    assert "9 d ago" in line
    assert "never" in lines_of(room)[0]["hub-a/c"]


def test_a_hub_tells_its_state_its_outbox_and_what_ails_its_probes(room, clock) -> None:
    now_ms = to_ms(clock.now())
    placed(room, ["p1"], now_ms)
    room.store.write(readings("p1", now_ms, hours=1))
    fault = "probe hub-a/p1: answers at 0x44 with wrong checksums"
    status = Status(
        "up",
        now_ms - DAY_MS,
        "boot-1234567",
        "0.1.0",
        118,
        now_ms - HOUR_MS,
        faults={"hub-a/p1": fault, "hub-a/p9": "probe hub-a/p9: does not answer"},
    )
    HubStatuses(room.connection).add(decode_status("hub-a", encode_status(status), now_ms - 20_000))
    lines, page = lines_of(room)
    hub = re.sub("<.*?>", "|", page.split("<h2>Hubs</h2>")[1].split("<h2>")[0])
    for told in ("hub-a", "up", "31 Mar 13:00", "20 s", "118 readings wait, oldest 1 h", "0.1.0", "boot-123"):
        assert told in hub, told
    assert f"doubtful {fault}" in lines["hub-a/p1"]
    assert "no reading yet probe hub-a/p9: does not answer" in lines["hub-a/p9"]


def test_a_probe_that_is_not_placed_says_how_to_place_it(room, clock) -> None:
    now_ms = to_ms(clock.now())
    room.store.write(readings("stray", now_ms, hours=1))
    lines, page = lines_of(room)
    assert "not placed:  place it" in lines["hub-a/stray"]
    assert 'href="/placements?probe=hub-a/stray"' in page
    assert "nestclimate probes identify" in page


def test_no_probes_and_no_hubs_teach(room) -> None:
    page = app_of(room)[0].test_client().get("/probes").text
    assert "No probe has reported, and none is placed" in page
    assert "No hub has reported" in page


def test_a_hub_of_the_settings_that_was_never_heard_says_so(tmp_path, clock) -> None:
    (tmp_path / "station.toml").write_text(
        '[station]\nname = "x"\n[broker]\n[[hub]]\nname = "hub-z"\nbus = "simulated"\n'
    )
    room = Room(load_config(tmp_path), clock)
    assert "hub-z" in (page := app_of(room)[0].test_client().get("/probes").text)
    assert "never heard: start nestclimate sense there" in page


def test_before_the_first_check_the_page_says_so(room, clock) -> None:
    now_ms = to_ms(clock.now())
    room.store.write(readings("stray", now_ms, hours=1))
    assert "being checked" in app_of(room)[0].test_client().get("/probes").text


def test_one_probe_through_time(room, clock) -> None:
    now_ms = to_ms(clock.now())
    placed(room, ["p1"], now_ms)
    room.registry.put_placements(
        [Placement("hub-a/p1", None, "cellar", Place.ROOM, now_ms - 90 * DAY_MS, now_ms - 10 * DAY_MS)]
    )
    room.calibrations.add(Calibration("hub-a/p1", now_ms - 50 * DAY_MS, "salt", temp_offset_c=0.25, rh_offset_pct=-1.5))
    client = app_of(room)[0].test_client()
    page = client.get("/probe?name=hub-a/p1").text
    assert page.index("N-p1") < page.index("cellar")
    assert "still there" in page
    assert "temperature +0.25 °C; humidity x 1.000 -1.5 %" in page
    assert 404 == client.get("/probe?name=hub-a/p2").status_code
    assert 404 == client.get("/probe?name=<script>").status_code


def test_what_a_calibration_does_is_told_in_the_unit_of_the_page(tmp_path, clock) -> None:
    """0.25 °C is a difference: 0.45 °F, without the 32 (NIST SP 811, B.9)."""
    room = keeper_room(tmp_path, clock, 'temperature_unit = "F"')
    now_ms = to_ms(clock.now())
    placed(room, ["p1"], now_ms)
    room.calibrations.add(Calibration("hub-a/p1", now_ms - 50 * DAY_MS, "salt", temp_offset_c=0.25))
    page = app_of(room)[0].test_client().get("/probe?name=hub-a/p1").text
    assert "temperature +0.45 °F; humidity" in page
    assert "°C" not in page


def test_stored_readings_are_judged_as_the_hub_judges_them() -> None:
    """Two hours of the very same words, ten scans of them; a quarter of an hour at 99.5 % and above."""
    at = [number * 15 * MINUTE_MS for number in range(STUCK_SCANS)]
    assert {Flag.STUCK} == judge_stored(at, [24.0] * 10, [70.0] * 10)
    assert frozenset() == judge_stored(at[:-1], [24.0] * 9, [70.0] * 9)
    assert {Flag.CONDENSED} == judge_stored(at[:2], [24.0, 24.1], [99.6, 99.9])
    assert frozenset() == judge_stored(at[:2], [24.0, 24.1], [99.6, 98.0])
    assert {Flag.OUT_OF_RANGE} == judge_stored(at[:1], [130.0], [99.0])
    assert frozenset() == judge_stored(at[:2], [math.nan, 24.0], [math.nan, 70.0])


@pytest.mark.slow
def test_128_probes_cost_a_page_little(room, clock) -> None:
    """The check is made beside the requests; the page itself stays far below what a reader notices."""
    now_ms = to_ms(clock.now())
    names = [f"p{number}" for number in range(128)]
    placed(room, names, now_ms)
    for name in names:
        room.store.write(readings(name, now_ms, every_min=15))
    app, data = app_of(room)
    data.keeping.refresh()
    client = app.test_client()
    client.get("/probes")
    took = []
    for _ in range(5):
        began = time.perf_counter()
        assert 200 == client.get("/probes").status_code
        took.append(time.perf_counter() - began)
    assert sorted(took)[2] < 0.25
