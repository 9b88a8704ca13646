"""Nests with history, placements, journal: the past stays true, repeats are harmless."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.clock import DAY_MS
from sensord.db import open_db
from sensord.errors import InputError
from sensord.keeping.colony import Stay, colonies
from sensord.keeping.placements import overlaps
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Stage

DAY = DAY_MS


@pytest.fixture
def registry(tmp_path: Path):
    connection = open_db(tmp_path / "station.db")
    yield Registry(connection)
    connection.close()


def tube(name: str, **more) -> Nest:
    return Nest(name=name, kind=NestKind.TUBE, room="ants", **more)


def test_a_later_since_supersedes_and_the_past_stays_true(registry: Registry):
    """The colony left T1 for T2 on day 50: before that day it is still in T1."""
    queen = {"species": "lasius-niger", "colony": "Ada"}
    full = tube("T1", since_ms=0, stage=Stage.FOUNDING, bore_mm=16.0, plug=Plug.COTTON, **queen)
    empty = tube("T1", since_ms=50 * DAY)
    registry.put_nests([empty, full, tube("T2", since_ms=50 * DAY, stage=Stage.NANITIC, **queen)])
    assert registry.nests(at_ms=49 * DAY) == [full]
    assert registry.nest("T1", at_ms=49 * DAY) == full
    assert registry.nest("T1") == empty
    assert registry.nest("T2", at_ms=49 * DAY) is None
    assert [nest.name for nest in registry.nests()] == ["T1", "T2"]
    (ada,) = [colony for colony in colonies(registry.history(), [], 60 * DAY) if colony.name == "Ada"]
    assert ada.stays == (Stay("T1", 0, 50 * DAY), Stay("T2", 50 * DAY, None))
    assert ada.stage is Stage.NANITIC


def test_a_nest_without_since_stood_always(registry: Registry):
    """Blank since: at any instant, before any other state."""
    registry.put_nests([tube("T1"), tube("T1", since_ms=DAY, rack="B")])
    assert registry.nest("T1", at_ms=-(10**14)).since_ms is None
    assert registry.nest("T1", at_ms=DAY).rack == "B"


def test_the_same_again_changes_nothing(registry: Registry):
    """Every put is idempotent; a corrected state replaces that state."""
    placement = Placement("a/p1", "T1", "ants", Place.WET_END, 0)
    entry = Entry(0, "T1", EntryKind.FILL, 10.0, "mL")
    assert registry.put_nests([tube("T1"), tube("T2")]) == 2
    assert registry.put_nests([tube("T1"), tube("T2", rack="B")]) == 1
    assert (registry.put_placements([placement]), registry.put_placements([placement])) == (1, 0)
    assert (registry.add_entries([entry, entry]), registry.add_entries([entry])) == (1, 0)


def test_journal_keys(registry: Registry):
    """A note text is no part of the key, but of a note's; missing amounts are equal to each other."""
    fill, note = Entry(5, "T1", EntryKind.FILL), Entry(5, "T1", EntryKind.NOTE, note="one")
    assert registry.add_entries([fill, Entry(5, "T1", EntryKind.FILL, note="again")]) == 1
    assert registry.add_entries([note, note, Entry(5, "T1", EntryKind.NOTE, note="two")]) == 2
    assert registry.add_entries([Entry(5, "T1", EntryKind.FILL, 3.0)]) == 1
    registry.add_entries([Entry(1, "T2", EntryKind.LEVEL, 0.0)])
    assert [entry.at_ms for entry in registry.entries()] == [1, 5, 5, 5, 5]
    assert registry.entries(nest="T1", kinds=[EntryKind.NOTE], from_ms=5, until_ms=6) == [
        note,
        Entry(5, "T1", EntryKind.NOTE, note="two"),
    ]
    assert registry.entries(until_ms=1) == []


def test_a_probe_is_at_one_place_at_a_time(registry: Registry):
    """Overlaps are refused, also with what is known; ending the older one first makes way."""
    stands = Placement("a/p1", "T1", "ants", Place.WET_END, 0)
    moved = Placement("a/p1", "T2", "ants", Place.WET_END, 5 * DAY)
    registry.put_placements([stands])
    with pytest.raises(InputError, match=r"a/p1: cannot be at T2 wet_end from 1970-01-06T00:00:00Z.*still there"):
        registry.put_placements([moved])
    assert registry.placements() == [stands]
    ended = Placement("a/p1", "T1", "ants", Place.WET_END, 0, 5 * DAY)
    registry.put_placements([moved, ended])
    assert registry.placements(at_ms=5 * DAY - 1) == [ended]
    assert registry.placements(at_ms=5 * DAY, probe="a/p1") == [moved]
    assert registry.placements(nest="T1") == [ended]


spans = st.lists(
    st.tuples(st.sampled_from("ab"), st.integers(0, 30), st.one_of(st.none(), st.integers(1, 12))), max_size=7
)


@given(spans)
def test_overlaps_are_found_wherever_two_placements_of_a_probe_meet(given_spans):
    """Beside the plain way, each against all that began before it; an open end reaches for ever."""
    rows = sorted(
        (
            Placement(probe, "T1", "ants", Place.WET_END, since, None if length is None else since + length)
            for probe, since, length in given_spans
        ),
        key=lambda one: (one.probe, one.since_ms),
    )
    late = [
        any(before.probe == one.probe and before.holds(one.since_ms) for before in rows[:number])
        for number, one in enumerate(rows)
    ]
    assert len(overlaps(rows[::-1])) == len(overlaps(rows)) == sum(late)
    for cut in range(len(rows)):
        assert any(late[:cut]) or bool(overlaps(rows[cut:], rows[:cut])) == any(late)


def test_overlaps_across_a_long_one():
    """One long stay clashes with each later one inside it, not only with its neighbour."""
    long = Placement("p", "T1", "", Place.WET_END, 0, 100)
    inside = [Placement("p", "T2", "", Place.WET_END, start, start + 5) for start in (10, 30)]
    apart = Placement("p", "T2", "", Place.WET_END, 100, None)
    assert [index for index, _ in overlaps([long, *inside, apart])] == [1, 2]
    assert overlaps([apart], [long]) == []


def test_an_overlap_names_both_places_of_a_nest_or_a_room():
    ((_, problem),) = overlaps([
        Placement("a/p", None, "cellar", Place.ROOM, 0, DAY), Placement("a/p", "T2", "loft", Place.DRY_END, DAY - 1_000)
    ])  # fmt: skip
    assert problem == (
        "probe a/p: cannot be at T2 dry_end from 1970-01-01T23:59:59Z, it came to room cellar room at "
        "1970-01-01T00:00:00Z and stays until 1970-01-02T00:00:00Z; give the earlier placement its 'until'"
    )


def test_alive(registry: Registry):
    """A colony lives until its death; a new colony in the same nest lives; a mere new state does not revive."""
    registry.put_nests([tube("T1", colony="Ada", since_ms=0), tube("T2", colony="Bea"), tube("T3", since_ms=9 * DAY)])
    registry.add_entries([Entry(5 * DAY, nest, EntryKind.DIED) for nest in ("T1", "T2")])
    assert registry.alive(5 * DAY - 1) == {"T1", "T2"}
    assert registry.alive(5 * DAY) == set()
    registry.put_nests([tube("T1", colony="Cia", since_ms=7 * DAY), tube("T2", colony="Bea", since_ms=7 * DAY)])
    assert registry.alive(6 * DAY) == set()
    assert registry.alive(9 * DAY) == {"T1", "T3"}


def test_colonies_count_only_what_was_known():
    """Counts and death follow the colony through its nests, and nothing after the instant is used."""
    history = [
        tube("T1", colony="Ada", since_ms=0),
        tube("T1", colony="Ada", stage=Stage.NANITIC, since_ms=2 * DAY),
        tube("T1", colony="Bea", since_ms=4 * DAY),
        tube("T2", colony="Ada", since_ms=4 * DAY),
    ]
    entries = [
        Entry(DAY, "T1", EntryKind.COUNT, 5.0),
        Entry(4 * DAY, "T1", EntryKind.COUNT, 90.0),
        Entry(5 * DAY, "T2", EntryKind.COUNT, 12.0),
        Entry(6 * DAY, "T2", EntryKind.DIED),
    ]
    ada, bea = colonies(history, entries, 6 * DAY)
    assert ada.counts == ((DAY, 5), (5 * DAY, 12))
    assert (ada.died_at_ms, bea.died_at_ms, bea.counts) == (6 * DAY, None, ((4 * DAY, 90),))
    assert ada.stays == (Stay("T1", 0, 4 * DAY), Stay("T2", 4 * DAY, None))
    (early,) = colonies(history, entries, 3 * DAY)
    assert (early.counts, early.died_at_ms) == (((DAY, 5),), None)
