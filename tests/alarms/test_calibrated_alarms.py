"""Alarms are judged on calibrated air: single readings as the history gives them, and the same live and in a replay."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sensord.air.calibration import Calibration
from sensord.alarms.calibrated import Calibrated
from sensord.cli import main
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, ManualClock, iso, parse_instant, to_ms
from sensord.config import load_config
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Reading
from sensord.wiring import Room

START = to_ms(parse_instant("2026-06-01T00:00:00Z"))
FIRST = Calibration("hub/p1", START + DAY_MS, "salt", 0.5, 0.1, 1.02, -3.0, 0.7)
SECOND = Calibration("hub/p1", START + 3 * DAY_MS, "salt", -0.25, 0.1, 0.95, 12.0, 0.7)


@pytest.fixture
def room(tmp_path: Path, clock: ManualClock) -> Room:
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    room = Room(load_config(tmp_path), clock)
    room.registry.put_nests([Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")])
    room.registry.put_placements([Placement("hub/p1", "T1", "cellar", Place.WET_END, START)])
    return room


def test_single_readings_are_corrected_as_the_stored_series_is(room: Room) -> None:
    """Both ways through the calibrations give the same, on every day around their instants."""
    for calibration in (FIRST, SECOND):
        room.calibrations.add(calibration)
    at_ms = [START + number * HOUR_MS for number in range(5 * 24)]
    temps, rhs = np.linspace(15, 30, len(at_ms)), np.linspace(20, 100, len(at_ms))
    expected_temps, expected_rhs = room.calibrations.apply("hub/p1", at_ms, temps, rhs)
    calibrate = Calibrated(room.calibrations.all())
    singles = [
        calibrate(Reading("hub/p1", at, float(temp), float(rh))) for at, temp, rh in zip(at_ms, temps, rhs, strict=True)
    ]
    assert [single.temp_c for single in singles] == pytest.approx(list(expected_temps))
    assert [single.rh_pct for single in singles] == pytest.approx(list(expected_rhs))
    assert len(set(np.round(expected_temps - temps, 6))) == 2  # before and from the second on


def test_a_reading_worked_by_hand() -> None:
    """-3 + 1.02 x 50 = 48 %RH, 20 + 0.5 = 20.5 °C; what is missing stays missing; other probes stay raw."""
    calibrate = Calibrated([FIRST])
    assert calibrate(Reading("hub/p1", START, 20.0, 50.0)) == Reading("hub/p1", START, 20.5, 48.0)
    assert calibrate(Reading("hub/p1", START, None, 50.0)) == Reading("hub/p1", START, None, 48.0)
    assert calibrate(Reading("hub/p1", START, 20.0, None)) == Reading("hub/p1", START, 20.5, None)
    assert calibrate(Reading("hub/p2", START, 20.0, 50.0)) == Reading("hub/p2", START, 20.0, 50.0)


def replayed(room: Room, capsys: pytest.CaptureFixture[str], until_ms: int) -> list[dict[str, object]]:
    folder = str(room.config.folder)
    times = ("--from", iso(START), "--to", iso(until_ms))
    assert main(["--config", folder, "replay", *times, "--json"]) == 0
    found: list[dict[str, object]] = json.loads(capsys.readouterr().out)["alarms"]
    return found


def day(number: int, rh_pct: float) -> list[Reading]:
    """Every ten minutes of one day."""
    return [
        Reading("hub/p1", START + number * DAY_MS + step * 10 * MINUTE_MS, 24 + step % 7 / 1e3, rh_pct)
        for step in range(144)
    ]


def test_the_watch_and_the_replay_judge_the_calibrated_value(room: Room, capsys: pytest.CaptureFixture[str]) -> None:
    """A probe reads 56 %RH, just inside the limit of 55; corrected by -3 %RH it is dry. Live and replayed alike."""
    room.calibrations.add(Calibration("hub/p1", START, "salt", rh_offset_pct=-3.0))
    live = Room(room.config, ManualClock(parse_instant(iso(START))))
    watch = live.watch()
    for reading in day(0, 56.0):
        live.store.write([reading])
        live.clock.advance(600)  # type: ignore[attr-defined]
        watch.cycle()
    (alarm,) = live.alarm_log.since(0)
    (again,) = replayed(room, capsys, START + DAY_MS)
    assert (str(alarm.kind), alarm.raised_ms) == ("dry", to_ms(parse_instant(str(again["raised_at"]))))
    assert (alarm.worst, again["worst"]) == (53.0, 53.0)


def test_a_replay_uses_nothing_later_than_its_end(room: Room, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings, deaths, moves, nests and calibrations from the end on change no alarm before it."""
    end = START + 2 * DAY_MS
    room.calibrations.add(Calibration("hub/p1", START, "salt"))
    room.store.write([*day(0, 80.0), *day(1, 40.0)])
    before = replayed(room, capsys, end)
    assert [alarm["kind"] for alarm in before] == ["dry"]
    room.store.write(day(2, 80.0))
    room.calibrations.add(Calibration("hub/p1", end, "salt", rh_offset_pct=20.0))
    room.registry.add_entries([Entry(end, "T1", EntryKind.DIED)])
    room.registry.put_nests([Nest("T1", NestKind.TUBE, "cellar", "A", "Messor barbarus", since_ms=end)])
    room.registry.put_placements([
        Placement("hub/p1", "T1", "cellar", Place.WET_END, START, end),
        Placement("hub/p1", "T1", "cellar", Place.OUTWORLD, end),
    ])  # fmt: skip
    assert replayed(room, capsys, end) == before
    assert replayed(room, capsys, end + DAY_MS)[0]["returned_at"] is not None
