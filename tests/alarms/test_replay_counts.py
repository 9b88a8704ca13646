"""Replay: the code that runs live over stored readings, the standard's counts, and the command's JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from sensord.alarms.conditions import Raised
from sensord.alarms.engine import tuning_of
from sensord.alarms.log import born_alarm
from sensord.alarms.replay import busiest, chattering, count, floods, replay
from sensord.alarms.watch import standings_of
from sensord.cli import main
from sensord.clock import DAY_MS, MINUTE_MS, SECOND_MS, ManualClock, iso, parse_instant, to_ms
from sensord.config import load_config
from sensord.model import AlarmKind, Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Priority, Reading
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


def test_replay_judges_reservoirs_when_asked_and_says_so_when_not(folder: Path, capsys, clock: ManualClock) -> None:
    """A wide open tube of 8 mL: filled on 1 June, it loses about a millilitre a day, so that ten days on it is due. The
    outlook of each day knows nothing later, and leaves what the station has learned alone."""
    room = Room(load_config(folder), clock)
    room.registry.put_nests([
        Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger", bore_mm=26.0, chamber_mm=8.0, reservoir_ml=8.0, plug=Plug.OPEN)
    ])  # fmt: skip
    room.registry.put_placements([Placement("r1", None, "cellar", Place.ROOM, START)])
    room.registry.add_entries([Entry(START, "T1", EntryKind.FILL, 8.0, "mL")])
    room.registry.add_entries(
        [Entry(START + n * DAY_MS, "T1", EntryKind.LEVEL, 8.0 - 0.8 * n, "mL") for n in (2, 4, 6, 8)]
    )
    days = range(0, 10 * DAY_MS, 30 * MINUTE_MS)
    room.store.write([Reading("r1", START + at, 24 + at // MINUTE_MS % 7 / 1e3, 40.0) for at in days])
    room.store.close()
    room.connection.close()
    times = ("--from", "2026-06-01T00:00:00Z", "--to", "2026-06-10T00:00:00Z")
    assert main(["--config", str(folder), "replay", *times]) == 0
    said = capsys.readouterr().out
    assert "reservoir runs dry soon" not in said
    assert "Reservoirs were not judged: add --reservoirs." in said
    found = run(folder, capsys, "replay", *times, "--reservoirs", "--json")["alarms"]
    (alarm,) = [each for each in found if each["kind"] == "reservoir"]
    assert (alarm["nest"], alarm["probe"], alarm["place"]) == ("T1", None, None)
    assert alarm["worst"] <= alarm["limit"] == 7.0
    again = run(
        folder, capsys, "replay", "--from", "2026-06-01T00:00:00Z", "--to", alarm["raised_at"], "--reservoirs", "--json"
    )
    assert [each for each in again["alarms"] if each["kind"] == "reservoir"] == []
    kept = Room(load_config(folder), clock)
    assert kept.connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'outlook_state'").fetchone() == (0,)


def test_the_counts_of_a_worked_example() -> None:
    """Two nests over two days: four alarms, one of them standing for 24 h and a minute and one to the end.

    Stale is what stands for more than 24 h, and the rate is an average over ten-minute intervals (ANSI/ISA-18.2-2016,
    IEC 62682); both from memory. Three alarms a minute apart fall into one stretch of ten minutes.
    """
    kinds = (AlarmKind.DRY, AlarmKind.HOT, AlarmKind.COLD, AlarmKind.WET)
    raised = [START, START + MINUTE_MS, START + 2 * MINUTE_MS, START + DAY_MS]
    ends = [START + DAY_MS + MINUTE_MS, START + 20 * MINUTE_MS, None, START + 2 * DAY_MS]
    alarms = [
        replace(born_alarm(Raised("hub/p1", "T1", kind, Priority.LOW, at_ms, 1.0, 2.0), None), returned_ms=end_ms)
        for kind, at_ms, end_ms in zip(kinds, raised, ends, strict=True)
    ]
    found = count(alarms, 5760, 2, START, START + 2 * DAY_MS, START + 2 * DAY_MS)
    assert (found.alarms, found.per_nest_day, found.busiest_10_min) == (4, 1.0, 3)
    assert found.per_10_min == pytest.approx(4 / (2 * 144))
    assert (found.stale, found.floods, found.chattering) == (2, 0, 0)
    assert found.by_kind == {"dry": 1, "hot": 1, "cold": 1, "wet": 1}


def test_two_sets_of_bands_side_by_side_each_with_its_own_counts(folder: Path, capsys, tmp_path: Path) -> None:
    """Under the tried files the dry hours are right and 24 °C is too hot all day: another alarm, and a stale one."""
    (tmp_path / "try").mkdir()
    text = f"{TOO_HOT}rh_pct = {{ limit_low = 30 }}\n"
    (tmp_path / "try" / "lasius-niger.toml").write_text(text, encoding="utf-8")
    arguments = ["--config", str(folder), "replay", "--from", "2026-06-01T00:00:00Z", "--to", "2026-06-02T00:00:00Z"]
    assert main([*arguments, "--species-dir", str(tmp_path / "try")]) == 0
    lines = capsys.readouterr().out.splitlines()
    rows = {line[:20].strip(): [cell.strip() for cell in (line[22:42], line[44:64])] for line in lines}
    assert rows[""] == ["in use", str(tmp_path / "try")[:20]]
    assert rows["by kind"] == ["dry 1", "hot 1"]
    assert rows["by priority"] == ["medium 1", "medium 1"] or rows["by priority"] == ["medium 1", "high 1"]
    assert [line for line in lines if "too hot" in line and "24.0, limit 20.0" in line] != []


def test_what_a_faulty_probe_says_of_humidity_is_suppressed_and_does_not_count(
    tmp_path: Path, clock: ManualClock
) -> None:
    """Ten hours at 100 %RH above the limit of 98: too wet at first, then condensed for six hours, so that nobody knows."""
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    room = Room(load_config(tmp_path), clock)
    room.registry.put_nests([Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")])
    room.registry.put_placements([Placement("hub/p1", "T1", "cellar", Place.DRY_END, START)])
    room.store.write([
        Reading("hub/p1", START + n * MINUTE_MS, 24 + n % 7 / 1e3, 100.0 if 60 <= n < 660 else 80.0) for n in range(700)
    ])  # fmt: skip
    standings = standings_of(room.registry, room.keeping)
    found = replay(room.store, standings, tuning_of(room.config.alarms), START, START + 640 * MINUTE_MS)
    states = {str(alarm.kind): str(alarm.state) for alarm in found.alarms}
    assert states == {"wet": "suppressed_by_design", "faulty": "unacknowledged"}
    assert found.counts.by_kind == {"faulty": 1}
    after = replay(room.store, standings, tuning_of(room.config.alarms), START, START + 700 * MINUTE_MS)
    assert {str(alarm.kind): str(alarm.state) for alarm in after.alarms}["faulty"] == "returned"
