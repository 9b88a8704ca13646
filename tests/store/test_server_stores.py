# ruff: noqa: F401, F811 - fixtures are imported and asked for by name
"""The store with a server behind it: the port's contract, and that the server comes to hold what the record holds."""

from __future__ import annotations

import contextlib
import itertools
import json
import logging
import math
import signal
import urllib.parse
from array import array
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store_contract import T0, StoreContract, readings
from time_series_servers import KEEP_ALL, TOKEN, RealVictoria, StandInInflux, influx, victoria_with

from sensord.cli import main
from sensord.clock import DAY_MS, ManualClock, to_ms
from sensord.config import load_config
from sensord.db import open_db
from sensord.errors import ConfigError, InputError
from sensord.model import Reading
from sensord.store.base import Columns, ReadingStore
from sensord.store.influx import InfluxServer
from sensord.store.lineprotocol import bodies
from sensord.store.mirror import MirroredStore, agreeing
from sensord.store.server import Server, ServerError
from sensord.store.sqlite import SqliteStore
from sensord.store.victoria import VictoriaServer
from sensord.wiring import Room

MIRRORED = '[store]\nkind = "influxdb"\nurl = "{url}"\norg = "loft"\nbucket = "ants"\ntoken_file = "token"\n'
MIXED = [
    Reading("loft/one", T0, 21.3, 84.0),
    Reading("loft/one", T0 + 60_000, 21.0, None),
    Reading("loft/one", T0 + 120_123, None, 83.5),
    Reading("loft/one", T0 + 180_000, None, None),
    Reading("logger", T0 - 400 * DAY_MS, -0.001, 0.0),
]


class Mirror:
    """A mirrored store in a folder, with a clock in hand."""

    def __init__(self, folder: Path, server: Server, show: Callable[[], None] = lambda: None) -> None:
        self.path, self.server, self.show = folder / "station.db", server, show
        self.clock = ManualClock(datetime(2026, 4, 1, 12, tzinfo=UTC))
        self.store = self.open()

    def open(self) -> MirroredStore:
        self.store = MirroredStore(SqliteStore(self.path), open_db(self.path), self.server, self.clock)
        return self.store

    def turn(self) -> tuple[int, int]:
        """One upkeep of the recorder; what waits then, as (stretches, given up)."""
        self.store.maintain(to_ms(self.clock.now()))
        self.show()
        self.clock.advance(60)
        return self.store.waiting()

    def differing(self) -> int:
        """Readings of the record that the server lacks or has with other values."""
        found = 0
        for probe in self.store.probes():
            first, last = self.store.span(probe)
            ours, theirs = self.store.raw(probe, first, last + 1), self.server.raw(probe, first, last + 1)
            found += len(ours) - agreeing(ours, theirs) + abs(len(theirs) - len(ours))
        return found


@pytest.fixture
def influx_mirror(tmp_path: Path, influx: StandInInflux):
    mirror = Mirror(tmp_path, InfluxServer(influx.url, "loft", "ants", TOKEN))
    yield mirror
    mirror.store.close()


@pytest.fixture
def victoria_mirror(tmp_path: Path, victoria_with):
    victoria: RealVictoria = victoria_with(*KEEP_ALL)
    mirror = Mirror(tmp_path, VictoriaServer(victoria.url), victoria.show)
    mirror.victoria = victoria
    yield mirror
    mirror.store.close()


@pytest.mark.slow
class TestMirroredContract(StoreContract):
    """The contract suite, with a server that takes everything."""

    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path: Path, influx: StandInInflux):
        self.folder, self.numbers, self.opened, self.url = tmp_path, itertools.count(), [], influx.url
        yield
        for store in self.opened:
            store.close()

    def server(self) -> Server:
        return InfluxServer(self.url, "loft", "ants", TOKEN)

    def fresh(self) -> ReadingStore:
        path = self.folder / f"{next(self.numbers)}.db"
        clock = ManualClock(datetime(2026, 4, 1, 12, tzinfo=UTC))
        self.opened.append(MirroredStore(SqliteStore(path), open_db(path), self.server(), clock))
        return self.opened[-1]


class TestMirroredContractWithoutServer(TestMirroredContract):
    """The contract suite, with nobody at the server's address: it must not be felt."""

    def server(self) -> Server:
        return VictoriaServer("http://127.0.0.1:9")


@pytest.mark.parametrize("which", ["influx_mirror", "victoria_mirror"])
def test_the_server_comes_to_hold_every_reading(which: str, request: pytest.FixtureRequest):
    """All kinds of readings, late ones too, arrive with their values; then nothing waits any more."""
    mirror = request.getfixturevalue(which)
    for reading in (MIXED[1], MIXED[0], *MIXED[2:]):
        mirror.store.write([reading])
    assert mirror.turn() == (2, 0)
    assert mirror.turn() == (0, 0)
    mirror.store.write([Reading("loft/one", T0 + 30_000, 20.0, 80.0)])
    mirror.turn()
    assert mirror.turn() == (0, 0)
    assert mirror.differing() == 0
    theirs = mirror.server.raw("loft/one", T0, T0 + DAY_MS)
    assert list(theirs.at_ms) == [T0, T0 + 30_000, T0 + 60_000, T0 + 120_123, T0 + 180_000]
    assert [None if math.isnan(t) else t for t in theirs.temp_c] == [21.3, 20.0, 21.0, None, None]


@pytest.mark.parametrize("which", ["influx_mirror", "victoria_mirror"])
def test_what_was_stored_before_the_server_was_configured_goes_there_too(which: str, request: pytest.FixtureRequest):
    """The embedded store's past is copied when a server is first named, and not again at the next start."""
    mirror = request.getfixturevalue(which)
    with contextlib.closing(SqliteStore(mirror.path)) as record:
        record.write([Reading("loft/one", T0 + day * DAY_MS, 20.0 + day, 50.0) for day in range(-40, 0)])
    assert mirror.turn() == (40, 0)
    assert mirror.turn() == (0, 0)
    assert mirror.differing() == 0
    again = MirroredStore(SqliteStore(mirror.path), open_db(mirror.path), mirror.server, mirror.clock)
    again.maintain(to_ms(mirror.clock.now()))
    assert again.waiting() == (0, 0)
    again.close()


@pytest.mark.parametrize("mood", [401, 404, 429, 503, "lose_answer"])
def test_while_the_server_fails_readings_are_kept_and_follow_later(
    mood: int | str,
    influx: StandInInflux,
    influx_mirror: Mirror,
    caplog: pytest.LogCaptureFixture,
):
    """Every failure that may pass: nothing is given up, one line in the log, and all is there afterwards, once."""
    influx.mood = mood
    for minute in range(10):
        influx_mirror.store.write([Reading("loft/one", T0 + minute * 60_000, 20.0 + minute, 50.0)])
        assert influx_mirror.turn()[1] == 0
    assert influx_mirror.store.count() == 10
    lines = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
    assert len(lines) == 1
    assert "\n" not in lines[0]
    assert "safe in station.db" in lines[0]
    influx.mood = "accept"
    influx_mirror.turn()
    assert influx_mirror.turn() == (0, 0)
    assert influx_mirror.differing() == 0
    assert len(influx.values) == 20


def test_what_the_server_refuses_for_good_is_given_up_until_the_next_start(
    influx: StandInInflux,
    influx_mirror: Mirror,
    caplog: pytest.LogCaptureFixture,
):
    """A refusal is tried five times and told; it does not hold up what comes after; the next start tries again."""
    influx.mood = 422
    influx_mirror.store.write([Reading("loft/one", T0, 20.0, 50.0)])
    for _ in range(7):
        influx_mirror.turn()
    assert influx_mirror.store.waiting() == (1, 1)
    assert influx.writes == 5
    assert "retention" in caplog.text
    influx.mood = "accept"
    influx_mirror.store.write([Reading("loft/one", T0 + 60_000, 20.0, 50.0)])
    influx_mirror.turn()
    assert influx_mirror.turn() == (1, 1)
    influx_mirror.store.close()
    influx_mirror.server = InfluxServer(influx.url, "loft", "ants", TOKEN)
    influx_mirror.open()
    influx_mirror.turn()
    assert influx_mirror.turn() == (0, 0)
    assert influx_mirror.differing() == 0


moods = st.sampled_from(["accept", 503, "lose_answer"])


@pytest.mark.slow
@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(moods, st.lists(readings, max_size=8), st.booleans()), max_size=8))
def test_whatever_comes_the_server_ends_up_with_the_record(
    influx: StandInInflux, tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int | str, list[Reading], bool]]
):
    """Late and repeated readings, failures and restarts of the recorder in any order: in the end both hold the same."""
    influx.values.clear()
    mirror = Mirror(tmp_path_factory.mktemp("room"), InfluxServer(influx.url, "loft", "ants", TOKEN))
    for mood, batch, restart in steps:
        influx.mood = mood
        mirror.store.write(batch)
        mirror.turn()
        if restart:
            mirror.store.close()
            mirror.server = InfluxServer(influx.url, "loft", "ants", TOKEN)
            mirror.open()
    influx.mood = "accept"
    mirror.turn()
    assert mirror.turn() == (0, 0)
    assert mirror.differing() == 0
    mirror.store.close()


@pytest.mark.slow
def test_a_server_that_hangs_costs_one_timeout_a_turn(influx: StandInInflux, influx_mirror: Mirror):
    """However much waits, a turn asks once and leaves it at that."""
    influx.mood = "hang"
    influx_mirror.store.write([Reading("loft/one", T0 + day * DAY_MS, 20.0, 50.0) for day in range(20)])
    assert influx_mirror.turn() == (20, 0)
    assert influx.writes == 1


def test_a_wrong_token_is_told_in_one_line(influx: StandInInflux):
    """The error says what was answered and where to look."""
    server = InfluxServer(influx.url, "loft", "ants", "another")
    one = Columns(array("q", [T0]), array("d", [20.0]), array("d", [50.0]))
    for asking in (lambda: server.send("loft/one", one), lambda: server.raw("loft/one", 0, 1)):
        with pytest.raises(ServerError, match=r"answered 401 \(unauthorized access\).*token_file") as caught:
            asking()
        assert not caught.value.refused
    server.close()


def test_names_that_are_none_never_reach_a_server():
    """No name can end a line, a string or a query early."""
    for name in ('x") |> drop()', "a,b=c", "a b", "a\nb", "A/B", ""):
        with pytest.raises(InputError, match="is no name of a probe"):
            list(bodies(name, Columns()))
    with pytest.raises(ConfigError, match=r"store\.url"):
        VictoriaServer("127.0.0.1:8428")


def test_what_a_killed_server_forgot_is_sent_again(victoria_mirror: Mirror):
    """VictoriaMetrics loses what it took in its last seconds when killed; the mirror notices and sends it again."""
    victoria = victoria_mirror.victoria
    victoria_mirror.store.write([Reading("loft/one", T0 + s * 1000, 20.0 + s / 1000, 50.0) for s in range(2_000)])
    assert victoria_mirror.turn() == (1, 0)
    victoria.stop(signal.SIGKILL)
    victoria.start()
    assert len(victoria_mirror.server.raw("loft/one", T0, T0 + DAY_MS)) == 0  # it had said 204 to all of them
    victoria_mirror.turn()
    assert victoria_mirror.turn() == (0, 0)
    assert victoria_mirror.differing() == 0


def test_repeats_are_kept_once(victoria_mirror: Mirror):
    """The same stretch three times: one sample an instant and series."""
    victoria_mirror.store.write(MIXED)
    columns = victoria_mirror.store.raw("loft/one", T0, T0 + DAY_MS)
    for _ in range(3):
        victoria_mirror.server.send("loft/one", columns)
        victoria_mirror.show()
    asked = urllib.parse.urlencode({"match[]": '{__name__=~"nestclimate_.+"}', "start": T0 / 1000 - 1})
    series = [json.loads(line) for line in victoria_mirror.victoria.get(f"/api/v1/export?{asked}").splitlines()]
    assert {each["metric"]["__name__"]: len(each["values"]) for each in series} == {
        "nestclimate_temp_c": 2, "nestclimate_rh_pct": 2, "nestclimate_empty": 1,
    }  # fmt: skip


def test_a_server_that_silently_drops_what_is_old_is_found_out(
    tmp_path: Path,
    victoria_with,
    caplog: pytest.LogCaptureFixture,
):
    """With its own retention of a month, a reading of last year gets a 204 and is gone: told, and kept in the record."""
    victoria = victoria_with()
    mirror = Mirror(tmp_path, VictoriaServer(victoria.url), victoria.show)
    old = Reading("logger", T0 - 400 * DAY_MS, 20.0, 50.0)
    mirror.store.write([old])
    for _ in range(7):
        mirror.turn()
    assert mirror.store.waiting() == (1, 1)
    assert "gave back 0 of 1 readings of probe logger" in caplog.text
    assert mirror.store.latest() == {"logger": old}
    mirror.store.close()


def test_before_1970_stays_in_the_record(victoria_mirror: Mirror):
    """VictoriaMetrics has no such instants: nothing waits for them."""
    victoria_mirror.store.write([Reading("loft/one", -5, 20.0, 50.0), Reading("loft/one", 5, 21.0, 50.0)])
    victoria_mirror.turn()
    assert victoria_mirror.turn() == (0, 0)
    assert list(victoria_mirror.server.raw("loft/one", 0, 10).at_ms) == [5]
    assert victoria_mirror.store.count() == 2


def test_import_sends_to_the_configured_server(tmp_path: Path, influx: StandInInflux):
    """From station.toml and a CSV file to the server, through the command line."""
    (tmp_path / "token").write_text(TOKEN + "\n", encoding="utf-8")
    (tmp_path / "station.toml").write_text("[station]\n" + MIRRORED.format(url=influx.url), encoding="utf-8")
    (tmp_path / "readings.csv").write_text(
        "at,probe,temp_c,rh_pct\n2026-03-01T12:00:00Z,loft/one,21.5,80\n2026-03-01T12:01:00Z,loft/one,,81\n",
        encoding="utf-8",
    )
    assert main(["--config", str(tmp_path), "import", "readings", str(tmp_path / "readings.csv")]) == 0
    at_ms = to_ms(datetime(2026, 3, 1, 12, tzinfo=UTC))
    assert influx.values == {
        ("nestclimate", "loft/one", "temp_c", at_ms): 21.5,
        ("nestclimate", "loft/one", "rh_pct", at_ms): 80.0,
        ("nestclimate", "loft/one", "rh_pct", at_ms + 60_000): 81.0,
    }


def test_what_was_stored_while_no_server_was_configured_follows(
    tmp_path: Path, influx: StandInInflux, clock: ManualClock
):
    """From a server to the embedded store alone and back: the server gets what it missed in between."""
    for number, store in enumerate((MIRRORED, "", MIRRORED)):
        (tmp_path / "token").write_text(TOKEN, encoding="utf-8")
        (tmp_path / "station.toml").write_text("[station]\n" + store.format(url=influx.url), encoding="utf-8")
        room = Room(load_config(tmp_path), clock)
        room.store.write([Reading("loft/one", T0 + number, 20.0, 50.0)])
        room.store.maintain(T0)
        room.store.close()
    assert sorted({key[3] - T0 for key in influx.values}) == [0, 1, 2]


def test_check_asks_the_server(tmp_path: Path, influx: StandInInflux, capsys: pytest.CaptureFixture[str]):
    """``check`` says whether the server answers with this token, and how much waits for it."""
    for token, ok, says in ((TOKEN, True, "nothing waits"), ("another", False, "answered 401")):
        (tmp_path / "token").write_text(token, encoding="utf-8")
        (tmp_path / "station.toml").write_text("[station]\n" + MIRRORED.format(url=influx.url), encoding="utf-8")
        assert main(["--config", str(tmp_path), "check", "--json"]) == (0 if ok else 1)
        found = {each["what"]: each for each in json.loads(capsys.readouterr().out)["checks"]}["store server"]
        assert found["ok"] is ok
        assert says in found["detail"]
