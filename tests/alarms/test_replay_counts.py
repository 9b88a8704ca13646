"""Replay: the code that runs live over stored readings, the standard's counts, and the command's JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sensord.alarms.conditions import Raised
from sensord.alarms.log import born_alarm
from sensord.alarms.replay import busiest, chattering, floods
from sensord.cli import main
from sensord.clock import MINUTE_MS, SECOND_MS, ManualClock, iso, parse_instant, to_ms
from sensord.config import load_config
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Priority, Reading
from sensord.wiring import Room

START = to_ms(parse_instant("2026-06-01T00:00:00Z"))
KEYS = [
    "id", "nest", "probe", "place", "kind", "priority", "state", "raised_at", "returned_at", "acknowledged_at", "worst",
    "limit", "told",
]  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path, clock: ManualClock) -> Path:
    """A day of one nest: dry from 10:00 to 11:59, else fine."""
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    room = Room(load_config(tmp_path), clock)
    room.registry.put_nests([Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")])
    room.registry.put_placements([Placement("hub/p1", "T1", "cellar", Place.WET_END, START)])
    room.store.write([
        Reading("hub/p1", START + number * MINUTE_MS, 24 + number % 7 / 1e3, 40.0 if 600 <= number < 720 else 80.0)
        for number in range(1440)
    ])  # fmt: skip
    room.store.close()
    room.connection.close()
    return tmp_path


def run(folder: Path, capsys, *arguments: str) -> dict:
    assert main(["--config", str(folder), *arguments]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_replay_finds_the_dry_hours_with_the_contracts_keys(folder: Path, capsys) -> None:
    found = run(folder, capsys, "replay", "--from", "2026-06-01T00:00:00Z", "--to", "2026-06-02T00:00:00Z", "--json")
    assert list(found) == ["from", "to", "alarms"]
    (alarm,) = found["alarms"]
    assert list(alarm) == KEYS
    expected = {
        "nest": "T1", "probe": "hub/p1", "place": "wet_end", "kind": "dry", "priority": "medium", "state": "returned",
        "raised_at": "2026-06-01T10:15:00Z", "returned_at": "2026-06-01T12:15:00Z", "acknowledged_at": None,
        "worst": 40.0, "limit": 55.0, "told": [],
    }  # fmt: skip
    assert {key: alarm[key] for key in expected} == expected


def test_the_same_replay_gives_the_same_ids(folder: Path, capsys) -> None:
    arguments = ("replay", "--from", "2026-06-01T00:00:00Z", "--to", "2026-06-02T00:00:00Z", "--json")
    assert run(folder, capsys, *arguments) == run(folder, capsys, *arguments)


def test_other_bands_stand_beside_those_in_use(folder: Path, capsys, tmp_path: Path) -> None:
    (tmp_path / "try").mkdir()
    text = "[active.wet_end]\nrh_pct = { limit_low = 30 }\n"
    (tmp_path / "try" / "lasius-niger.toml").write_text(text, encoding="utf-8")
    arguments = ["--config", str(folder), "replay", "--from", "2026-06-01T00:00:00Z", "--to", "2026-06-02T00:00:00Z"]
    assert main([*arguments, "--species-dir", str(tmp_path / "try")]) == 0
    rows = {line.split("  ")[0]: line.split()[-2:] for line in capsys.readouterr().out.splitlines()}
    assert rows["alarms"] == ["1", "0"]
    assert rows["readings"] == ["1440", "1440"]


def test_the_alarm_commands_on_what_the_watch_found(folder: Path, capsys) -> None:
    """The log is filled by the watch's own writer; acknowledging and shelving then show in the JSON."""
    room = Room(load_config(folder), ManualClock(parse_instant("2026-06-01T10:20:00Z")))
    event = Raised("hub/p1", "T1", AlarmKind.DRY, Priority.MEDIUM, START, 40.0, 55.0)
    room.alarm_log.take(event, None)
    id_ = room.alarm_log.active()[0].id
    room.connection.close()
    assert run(folder, capsys, "alarms", "--json")["alarms"][0]["state"] == "unacknowledged"
    found = run(folder, capsys, "alarms", "ack", id_[:6], "--by", "keeper", "--json")["alarms"][0]
    assert (found["state"], found["acknowledged_at"] is not None) == ("acknowledged", True)
    found = run(folder, capsys, "alarms", "shelve", id_, "--for", "2h", "--because", "mending", "--json")["alarms"][0]
    assert found["state"] == "shelved"
    assert run(folder, capsys, "alarms", "--since", "2026-06-02T00:00:00Z", "--json")["alarms"] == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["alarms", "ack", "nosuch"], "alarm 'nosuch': there is no such alarm"),
        (["alarms", "ack"], "needs the ID of an alarm"),
        (["alarms", "shelve", "x", "--for", "2 weeks", "--because", "y"], "--for '2 weeks': allowed is a number with m, h or d"),
        (["alarms", "--since", "yesterday"], "instant 'yesterday' is not ISO 8601"),
        (["replay", "--from", "2026-06-02T00:00:00Z", "--to", "2026-06-01T00:00:00Z"], "is not before --to"),
        (["replay", "--from", "2026-06-01T00:00:00", "--to", "2026-06-02T00:00:00Z"], "has no offset"),
        (["replay", "--from", "2026-06-01T00:00:00Z", "--to", "2026-06-02T00:00:00Z", "--species-dir", "nowhere"], "there is no such folder"),
    ],
)  # fmt: skip
def test_bad_input_is_one_line_and_status_2(folder: Path, capsys, arguments: list[str], says: str) -> None:
    assert main(["--config", str(folder), *arguments]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(("count", "expected"), [(10, 0), (11, 1)])
def test_a_flood_begins_above_ten_alarms_in_ten_minutes(count: int, expected: int) -> None:
    """ANSI/ISA-18.2: more than ten in ten minutes; sources also write 'ten or more', the stricter count is not ours."""
    assert floods([number * 30 * SECOND_MS for number in range(count)]) == expected


def test_a_flood_ends_below_five_in_ten_minutes() -> None:
    first = [number * SECOND_MS for number in range(12)]
    again = [60 * MINUTE_MS + number * SECOND_MS for number in range(12)]
    assert floods(first + again) == 2
    assert busiest(first + again, 10 * MINUTE_MS) == 12


def test_three_raises_of_one_alarm_within_a_minute_are_chattering() -> None:
    raised = [Raised("hub/p1", "T1", AlarmKind.DRY, Priority.LOW, number * 20_000, 1.0, 2.0) for number in range(3)]
    assert chattering([born_alarm(event, None) for event in raised]) == 1
    assert chattering([born_alarm(event, None) for event in raised[:2]]) == 0
    assert iso(raised[2].at_ms) == "1970-01-01T00:00:40Z"


def test_a_nest_with_a_file_of_its_own_is_tried_under_the_other_species_files_as_well(
    folder: Path, capsys, tmp_path: Path
) -> None:
    """Its own humidity stands on either; its temperature limit is the tried species' 20 °C, so that it is too hot."""
    for name, text in (("nests", "[active.wet_end]\nrh_pct = { limit_low = 30 }\n"), ("try", TOO_HOT)):
        (tmp_path / name).mkdir()
        file = {"nests": "T1", "try": "lasius-niger"}[name]
        (tmp_path / name / f"{file}.toml").write_text(text, encoding="utf-8")
    times = ("--from", "2026-06-01T00:00:00Z", "--to", "2026-06-02T00:00:00Z", "--json")
    assert run(folder, capsys, "replay", *times)["alarms"] == []
    tried = run(folder, capsys, "replay", *times, "--species-dir", str(tmp_path / "try"))["alarms"]
    assert [alarm["kind"] for alarm in tried] == ["hot"]


TOO_HOT = "[active.wet_end]\ntemp_c = { ideal_low = 15, ideal_high = 18, limit_low = 5, limit_high = 20 }\n"
