"""The round of a whole room: counts and meals follow a colony through its moves, water stays with the nest."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sensord.air.calibration import Calibration
from sensord.clock import DAY_MS, HOUR_MS, ManualClock, to_ms
from sensord.config import load_config
from sensord.keeping.colony import Stay, followed, stays
from sensord.keeping.round import Task
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement
from sensord.wiring import Room

MOVED = to_ms(datetime(2026, 6, 10, 12, tzinfo=UTC))
TUBE = Nest("T-1", NestKind.TUBE, "loft", "A", "Lasius niger", colony="queen-4")
HOUSE = Nest("N-1", NestKind.FORMICARIUM, "loft", "B", "Lasius niger", colony="queen-4", since_ms=MOVED)


def entry(kind: EntryKind, days: float, nest: str = "T-1", amount: float | None = None) -> Entry:
    """So many days after the move."""
    return Entry(round(MOVED + days * DAY_MS), nest, kind, amount)


JOURNAL = [
    entry(EntryKind.FILL, -30, amount=8.0), entry(EntryKind.COUNT, -5, amount=15), entry(EntryKind.FEED_SUGAR, -1),
    entry(EntryKind.FEED_PROTEIN, -0.5), entry(EntryKind.FILL, 0, "N-1", 20.0), entry(EntryKind.BARRIER, 0, "N-1"),
]  # fmt: skip


@pytest.fixture
def room(tmp_path: Path, clock: ManualClock) -> Room:
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    found = Room(load_config(tmp_path), clock)
    found.registry.put_nests([TUBE])
    found.registry.add_entries(JOURNAL)
    return found


def lines(room: Room, at_ms: int) -> set[tuple[str | None, Task]]:
    return {(line.nest, line.task) for line in room.rounds.at(at_ms)}


def test_before_the_move_the_tube_is_to_be_emptied(room: Room) -> None:
    assert ("T-1", Task.MOVE) in lines(room, MOVED - HOUR_MS)


def test_after_the_move_the_colony_is_fed_in_its_nest_by_its_count_and_its_last_meal(room: Room) -> None:
    """Fifteen workers: nanitic, sugar every 4 days, the last one a day before the move; nothing is left of it in the tube."""
    room.registry.put_nests([HOUSE])
    found = {day: lines(room, MOVED + round(day * DAY_MS)) for day in (0.1, 2.9, 3.1)}
    assert {nest for each in found.values() for nest, _ in each} <= {"N-1"}
    assert [("N-1", Task.FEED_SUGAR) in found[day] for day in (0.1, 2.9, 3.1)] == [False, False, True]
    assert ("N-1", Task.LEFTOVERS_OUT) not in found[2.9]
    (line,) = [each for each in room.rounds.at(MOVED + round(3.1 * DAY_MS)) if each.task == Task.FEED_SUGAR]
    assert line.why == "last sugar 4 days ago; nanitic, every 4 days"


def test_new_ants_in_an_old_nest_begin_with_no_count(room: Room) -> None:
    """The colony dies; a queen without workers comes in, and is left alone: what the dead ate and counted is theirs."""
    room.registry.add_entries([entry(EntryKind.DIED, 0)])
    room.registry.put_nests([replace(TUBE, colony="queen-5", since_ms=MOVED + DAY_MS)])
    assert lines(room, MOVED + 2 * DAY_MS) == {("T-1", Task.READ_LEVEL)}


def test_new_ants_without_a_name_as_well(room: Room) -> None:
    unnamed = replace(TUBE, colony="")
    room.registry.put_nests([unnamed])
    room.registry.add_entries([entry(EntryKind.DIED, 0)])
    room.registry.put_nests([replace(unnamed, since_ms=MOVED + DAY_MS)])
    assert lines(room, MOVED + 2 * DAY_MS) == {("T-1", Task.READ_LEVEL)}


def test_what_follows_the_ants_and_what_stays_with_the_nest() -> None:
    where = stays([HOUSE, TUBE], MOVED + DAY_MS)
    assert where == {"queen-4": (Stay("T-1", None, MOVED), Stay("N-1", MOVED, None))}
    by_nest = {name: [each for each in JOURNAL if each.nest == name] for name in ("T-1", "N-1")}
    late = entry(EntryKind.COUNT, 1, "T-1", 99)
    found = followed(HOUSE, where["queen-4"], {**by_nest, "T-1": [*by_nest["T-1"], late]})
    assert [(each.nest, str(each.kind)) for each in found] == [
        ("T-1", "count"), ("T-1", "feed_sugar"), ("T-1", "feed_protein"), ("N-1", "fill"), ("N-1", "barrier"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("begin", "hours"),
    [
        (datetime(2026, 12, 31, 18, tzinfo=UTC), 24), (datetime(2028, 2, 28, 18, tzinfo=UTC), 24),
        (datetime(2026, 3, 28, 18, tzinfo=UTC), 24), (datetime(2026, 10, 24, 18, tzinfo=UTC), 24),
    ],
)  # fmt: skip
def test_leftovers_are_due_a_day_on_whatever_the_calendar_does(room: Room, begin: datetime, hours: int) -> None:
    """Over the year's end, the leap day and both changes of summer time: a tropical colony, which is fed all year."""
    fed_ms = to_ms(begin)
    room.registry.put_nests([Nest("N-2", NestKind.FORMICARIUM, "loft", species="Camponotus nicobarensis")])
    room.registry.add_entries([
        Entry(fed_ms, "N-2", EntryKind.FEED_PROTEIN), Entry(fed_ms, "N-2", EntryKind.COUNT, 300, "workers"),
    ])  # fmt: skip
    due_ms = fed_ms + hours * HOUR_MS
    assert [("N-2", Task.LEFTOVERS_OUT) in lines(room, at_ms) for at_ms in (due_ms - 1, due_ms)] == [False, True]
    room.registry.add_entries([Entry(due_ms + 1, "N-2", EntryKind.LEFTOVERS_OUT)])
    assert ("N-2", Task.LEFTOVERS_OUT) not in lines(room, due_ms + 1)


@pytest.mark.parametrize(
    ("hemisphere", "zone", "begins", "ends"),
    [
        ("north", "Europe/Berlin", "2026-10-31T23:00:00+00:00", "2027-02-28T23:00:00+00:00"),
        ("south", "Australia/Melbourne", "2026-04-30T14:00:00+00:00", "2026-08-31T14:00:00+00:00"),
    ],
)
def test_rest_begins_and_ends_by_the_rooms_midnight_in_both_hemispheres(
    tmp_path: Path, clock: ManualClock, hemisphere: str, zone: str, begins: str, ends: str
) -> None:
    """Lasius niger: from 1 November to 1 March in the north, half a year later in the south (the species' file)."""
    (tmp_path / "station.toml").write_text(
        f'[station]\nhemisphere = "{hemisphere}"\ntime_zone = "{zone}"\n', encoding="utf-8"
    )
    room = Room(load_config(tmp_path), clock)
    room.registry.put_nests([replace(TUBE, since_ms=None)])
    for text, said in ((begins, "winter rest begins"), (ends, "winter rest ends")):
        at_ms = to_ms(datetime.fromisoformat(text))
        why = {
            when: [line.why for line in room.rounds.at(when) if line.task == Task.REST] for when in (at_ms - 1, at_ms)
        }
        assert not any(said in each for each in why[at_ms - 1])
        assert any(said in each for each in why[at_ms]), why


def test_a_probe_is_to_be_checked_once_a_year_and_a_note_that_names_it_ends_the_line(room: Room) -> None:
    """As the round's own line is noted. A probe of the room has no journal: a calibration ends its line."""
    first_ms = MOVED - 366 * DAY_MS
    room.registry.put_placements([
        Placement("hub/p1", "T-1", "loft", Place.WET_END, first_ms), Placement("hub/p10", None, "loft", Place.ROOM, first_ms),
    ])  # fmt: skip
    due = {line.nest: line for line in room.rounds.at(MOVED) if line.task == Task.CALIBRATE}
    assert {nest: line.done_kind for nest, line in due.items()} == {"T-1": EntryKind.NOTE, None: None}
    assert (due["T-1"].rack, due["T-1"].due_ms) == ("A", MOVED - DAY_MS)
    assert not any(line.task == Task.CALIBRATE for line in room.rounds.at(MOVED - 2 * DAY_MS))
    room.registry.add_entries([Entry(MOVED, "T-1", EntryKind.NOTE, note=f"Calibrate: {due['T-1'].why}")])
    room.calibrations.add(Calibration("hub/p10", MOVED, "together"))
    assert not any(line.task == Task.CALIBRATE for line in room.rounds.at(MOVED + DAY_MS))
    again = [line.nest for line in room.rounds.at(MOVED + 366 * DAY_MS) if line.task == Task.CALIBRATE]
    assert sorted(again, key=str) == [None, "T-1"]
