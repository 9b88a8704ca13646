"""Winter rest counted from readings, over a real store: warm fridges, wake-up dates. Days are worked by hand.

Lasius niger rests by common practice: from 1 November, 90 days at least, its nest at 0 to 14 °C, its room at -2 to 16 °C.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sensord.clock import DAY_MS, HOUR_MS, ManualClock, parse_instant, to_ms
from sensord.config import load_config
from sensord.keeping.round import Line, Task, Urgency
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.wiring import Room

BEGUN = to_ms(parse_instant("2026-11-01T00:00:00Z"))
NEST = Nest("T1", NestKind.TUBE, "fridge", "A", "Lasius niger")


class Resting:
    """One nest at rest with a probe read every half hour."""

    def __init__(self, folder: Path, clock: ManualClock, *, place: Place = Place.WET_END) -> None:
        self.folder, self.clock = folder, clock
        (folder / "station.toml").write_text("[station]\n", encoding="utf-8")
        self.open()
        self.room.registry.put_nests([NEST])
        nest = None if place == Place.ROOM else "T1"
        self.room.registry.put_placements([Placement("hub/p1", nest, "fridge", place, BEGUN - DAY_MS)])

    def open(self) -> None:
        self.room = Room(load_config(self.folder), self.clock)

    def measured(self, temp_c: Callable[[float], float | None], days: float) -> None:
        """Readings of so many days from the rest's first instant on; ``temp_c`` by the day."""
        found = []
        for number in range(round(days * 48)):
            value = temp_c(number / 48)
            if value is not None:
                found.append(Reading("hub/p1", BEGUN + number * HOUR_MS // 2, value, 80.0))
        self.room.store.write(found)

    def line(self, day: float) -> Line | None:
        """The round's line on the rest, so many days after it began."""
        lines = [line for line in self.room.rounds.at(BEGUN + round(day * DAY_MS)) if line.task == Task.REST]
        assert len(lines) <= 1
        return lines[0] if lines else None


@pytest.fixture
def resting(tmp_path: Path, clock: ManualClock) -> Resting:
    return Resting(tmp_path, clock)


def test_days_in_the_band_count_and_the_wake_up_date_is_told(resting: Resting) -> None:
    """40 days at 6 °C: 50 of 90 to go, from 11 December to 30 January."""
    resting.measured(lambda _day: 6.0, 40)
    line = resting.line(40)
    assert line is not None
    assert line.urgency == Urgency.WHEN_THERE
    assert line.why.endswith("; 40 of 90 days counted at 0 to 14 °C; wake it about 30 Jan 2027")


def test_a_fridge_that_warmed_up_is_caught_within_two_days_and_its_days_do_not_count(resting: Resting) -> None:
    """Broken from day 20 to 30: caught at day 21.5, and 30 of 40 days count in the end."""
    resting.measured(lambda day: 18.0 if 20 <= day < 30 else 6.0, 40)
    line = resting.line(21.5)
    assert line is not None
    assert line.urgency == Urgency.NOW
    assert "too warm for its rest" in line.why
    hardly = resting.line(20.5)
    assert hardly is not None
    assert "too warm" not in hardly.why
    mended = resting.line(40)
    assert mended is not None
    assert "30 of 90 days counted" in mended.why
    assert mended.why.endswith("wake it about 9 Feb 2027")


def test_an_open_door_of_three_hours_is_no_alarm(resting: Resting) -> None:
    resting.measured(lambda day: 20.0 if 9.5 <= day < 9.625 else 6.0, 10)
    assert resting.line(10) is None


def test_a_rest_that_is_done_says_so(resting: Resting) -> None:
    resting.measured(lambda _day: 5.0, 93)
    line = resting.line(92)
    assert line is not None
    assert "rested enough: 92 of 90 days counted" in line.why


def test_waking_by_the_calendar_after_too_warm_a_rest_is_held_back(resting: Resting) -> None:
    """Wake-up by date is 1 March, day 120; of 120 days 60 were too warm: 30 more, to 31 March."""
    resting.measured(lambda day: 17.0 if 20 <= day < 80 else 6.0, 130)
    line = resting.line(120.5)
    assert line is not None
    assert "60 of 90 days counted" in line.why
    assert "wake it about 31 Mar 2027: leave it in the cold until then" in line.why


def test_a_rest_nobody_measured_goes_by_the_calendar_and_says_so(resting: Resting) -> None:
    line = resting.line(40)
    assert line is not None
    assert line.why.endswith("day 40 of its rest, and no probe tells how warm it rests; wake it about 30 Jan 2027")


def test_hours_without_readings_count_for_nothing_and_are_told(resting: Resting) -> None:
    resting.measured(lambda day: None if 10 <= day < 20 else 6.0, 40)
    line = resting.line(40)
    assert line is not None
    assert "30 of 90 days counted at 0 to 14 °C, 10 not measured" in line.why


def test_a_nest_without_a_probe_counts_by_its_rooms(tmp_path: Path, clock: ManualClock) -> None:
    """The room's own band holds then: -2 to 16 °C."""
    resting = Resting(tmp_path, clock, place=Place.ROOM)
    resting.measured(lambda _day: -1.0, 40)
    line = resting.line(40)
    assert line is not None
    assert "40 of 90 days counted at -2 to 16 °C" in line.why


def test_a_rest_by_hand_is_counted_from_its_own_first_day(resting: Resting) -> None:
    """Begun by hand on 21 November, twenty days late; the warm days before it are no rest."""
    (resting.folder / "nests").mkdir()
    text = '[[season]]\nseason = "active"\nfrom = 2026-11-01\nuntil = 2026-11-21\n'
    (resting.folder / "nests" / "T1.toml").write_text(text, encoding="utf-8")
    resting.open()
    resting.measured(lambda day: 24.0 if day < 20 else 6.0, 60)
    assert resting.line(10) is None
    line = resting.line(60)
    assert line is not None
    assert "40 of 90 days counted" in line.why


def test_the_round_uses_nothing_later(resting: Resting) -> None:
    resting.measured(lambda _day: 6.0, 40)
    before = resting.room.rounds.at(BEGUN + 40 * DAY_MS)
    resting.measured(lambda day: 6.0 if day < 40 else 25.0, 60)
    assert resting.room.rounds.at(BEGUN + 40 * DAY_MS) == before
