"""An entry taken back leaves the journal, is kept aside, and its number never stands for another one."""

from __future__ import annotations

import sqlite3

import pytest

from sensord.clock import DAY_MS
from sensord.db import migrate, open_db
from sensord.errors import NotThereError
from sensord.keeping import registry as registry_module
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind

FILL = Entry(5 * DAY_MS, "T1", EntryKind.FILL, 8.0, "mL", "tap water", "Mara")
NOTE = Entry(5 * DAY_MS, "T1", EntryKind.NOTE, None, "", "moved the mat", "Mara")


@pytest.fixture
def registry(tmp_path) -> Registry:
    return Registry(open_db(tmp_path / "station.db"))


def test_it_leaves_the_journal_and_is_kept_with_who_and_when(registry, tmp_path) -> None:
    registry.add_entries([FILL, NOTE])
    assert FILL == registry.withdraw_entry(registry.entry_id(FILL), "Tom", 6 * DAY_MS)
    assert [NOTE] == registry.entries()
    assert registry.entry_id(FILL) is None
    with sqlite3.connect(tmp_path / "station.db") as kept:
        rows = kept.execute("SELECT nest, kind, amount, note, by, withdrawn_by, withdrawn_ms FROM withdrawn_entries")
        assert [("T1", "fill", 8.0, "tap water", "Mara", "Tom", 6 * DAY_MS)] == rows.fetchall()


def test_twice_changes_nothing_and_an_unknown_number_is_said(registry) -> None:
    registry.add_entries([FILL])
    id_ = registry.entry_id(FILL)
    assert registry.withdraw_entry(id_, "Tom", 1) == registry.withdraw_entry(id_, "Mara", 2)
    with pytest.raises(NotThereError, match="entry 99: there is no such entry"):
        registry.withdraw_entry(99, "Tom", 1)


def test_a_number_never_stands_for_another_entry(registry) -> None:
    """A second tap on an old Undo must not take back something newer."""
    registry.add_entries([FILL])
    first = registry.entry_id(FILL)
    registry.withdraw_entry(first, "Mara", 1)
    registry.add_entries([NOTE])
    assert registry.entry_id(NOTE) > first
    registry.withdraw_entry(first, "Mara", 2)
    assert [NOTE] == registry.entries()


def test_what_was_withdrawn_can_be_entered_again(registry) -> None:
    registry.add_entries([FILL])
    registry.withdraw_entry(registry.entry_id(FILL), "Mara", 1)
    assert 1 == registry.add_entries([FILL])
    registry.withdraw_entry(registry.entry_id(FILL), "Mara", 2)
    assert [] == registry.entries()


def test_what_was_written_since_is_told_in_the_order_of_writing(registry) -> None:
    registry.add_entries([NOTE])
    upto = registry.newest_entry_id()
    late = Entry(DAY_MS, "T1", EntryKind.LEVEL, 3.0, "mL")
    registry.add_entries([FILL, late])
    assert [FILL, late] == [entry for _, entry in registry.entries_after(upto)]
    registry.withdraw_entry(registry.entry_id(late), "Mara", 1)
    assert upto + 2 == registry.newest_entry_id()


def test_a_journal_of_before_keeps_every_entry_in_its_order(tmp_path) -> None:
    """The journal as it was kept before entries had numbers."""
    old = open_db(tmp_path / "station.db")
    migrate(old, "keeping", registry_module._STEPS[:1])
    rows = [("T1", number % 7 * DAY_MS, "note", None, "", f"note {number}", "") for number in range(200)]
    old.executemany("INSERT INTO entries VALUES (?,?,?,?,?,?,?)", rows)
    before = old.execute("SELECT nest, at_ms, kind, amount, unit, note, by FROM entries ORDER BY rowid").fetchall()
    registry = Registry(old)
    after = [(e.nest, e.at_ms, str(e.kind), e.amount, e.unit, e.note, e.by) for _, e in registry.entries_after(0)]
    assert before == after
    assert 0 == registry.add_entries(registry.entries())
    assert 200 == len(registry.entries())


def test_put_back_it_stands_under_its_number_again_and_both_steps_are_kept(registry, tmp_path) -> None:
    registry.add_entries([FILL, NOTE])
    id_ = registry.entry_id(FILL)
    registry.withdraw_entry(id_, "Tom", 6 * DAY_MS)
    assert FILL == registry.put_back_entry(id_, "Mara", 7 * DAY_MS)
    assert FILL == registry.put_back_entry(id_, "Tom", 8 * DAY_MS)
    assert ([FILL, NOTE], id_) == (registry.entries(), registry.entry_id(FILL))
    assert [] == registry.withdrawn()
    registry.withdraw_entry(id_, "Mara", 9 * DAY_MS)
    assert [(id_, FILL, "Mara", 9 * DAY_MS)] == [(w.id, w.entry, w.by, w.at_ms) for w in registry.withdrawn("T1")]
    with sqlite3.connect(tmp_path / "station.db") as kept:
        rows = kept.execute("SELECT withdrawn_by, put_back_by, put_back_ms FROM withdrawn_entries ORDER BY number")
        assert [("Tom", "Mara", 7 * DAY_MS), ("Mara", None, None)] == rows.fetchall()


def test_put_back_after_the_same_was_written_anew_there_is_one_of_it(registry) -> None:
    registry.add_entries([FILL])
    id_ = registry.entry_id(FILL)
    registry.withdraw_entry(id_, "Mara", 1)
    registry.add_entries([FILL])
    registry.put_back_entry(id_, "Mara", 2)
    assert ([FILL], []) == (registry.entries(), registry.withdrawn())
    with pytest.raises(NotThereError, match="entry 99: there is no such entry"):
        registry.put_back_entry(99, "Tom", 1)


def test_the_latest_are_told_with_their_numbers_newest_first(registry) -> None:
    late = Entry(6 * DAY_MS, "T2", EntryKind.LEVEL, 3.0, "mL")
    registry.add_entries([late, FILL, NOTE])
    assert [(1, late), (3, NOTE)] == registry.latest_entries(2)
    assert [(3, NOTE), (2, FILL)] == registry.latest_entries(9, "T1")
    assert [(1, late)] == registry.latest_entries(9, since_ms=6 * DAY_MS)


def test_what_was_withdrawn_before_it_could_be_put_back_is_kept(tmp_path) -> None:
    """A database of the time when an entry could be withdrawn for good only."""
    old = open_db(tmp_path / "station.db")
    migrate(old, "keeping", registry_module._STEPS[:2])
    values = (FILL.at_ms, FILL.nest, FILL.kind, FILL.amount, FILL.unit, FILL.note, FILL.by)
    old.execute(
        "INSERT INTO withdrawn_entries (id, at_ms, nest, kind, amount, unit, note, by, withdrawn_by, withdrawn_ms)"
        " VALUES (7, ?, ?, ?, ?, ?, ?, ?, 'Tom', 5)", values,
    )  # fmt: skip
    registry = Registry(old)
    assert [(7, FILL, "Tom", 5)] == [(w.id, w.entry, w.by, w.at_ms) for w in registry.withdrawn()]
    assert FILL == registry.put_back_entry(7, "Mara", 6)
    assert 7 == registry.entry_id(FILL)
