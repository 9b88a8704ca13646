"""Entries of the journal that were taken back: kept aside with who did so and when, and put back where that was a slip."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from sensord.errors import NotThereError
from sensord.model import Entry, EntryKind

ENTRY = "at_ms, nest, kind, amount, unit, note, by"
"""The columns of an entry, as ``entry_of`` reads them."""


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """An entry that left the journal: under which number it stood, who withdrew it, and when."""

    id: int
    entry: Entry
    by: str
    at_ms: int


class WithdrawnEntries:
    """Beside the journal in station.db; ``Registry`` makes the tables. Writes belong inside a transaction of the caller's.

    Args:
        read: rows of a query and its values.
    """

    def __init__(self, connection: sqlite3.Connection, read: Callable[..., list[Any]]) -> None:
        self._connection, self._rows = connection, read

    def withdraw(self, id_: int, by: str, at_ms: int) -> Entry:
        """Take an entry back; twice changes nothing.

        Raises:
            NotThereError: there never was an entry of that number.
        """
        rows = self._rows(f"SELECT {ENTRY} FROM entries WHERE id = ?", id_)
        if not rows:
            return self._last(id_)[1]
        self._connection.execute(
            f"""INSERT INTO withdrawn_entries (id, {ENTRY}, withdrawn_by, withdrawn_ms)
            SELECT id, {ENTRY}, ?, ? FROM entries WHERE id = ?""",
            (by, at_ms, id_),
        )
        self._connection.execute("DELETE FROM entries WHERE id = ?", (id_,))
        return entry_of(rows[0])

    def put_back(self, id_: int, by: str, at_ms: int) -> Entry:
        """Into the journal again under its old number; twice changes nothing, nor where the same was written anew.

        Raises:
            NotThereError: there never was an entry of that number.
        """
        rows = self._rows(f"SELECT {ENTRY} FROM entries WHERE id = ?", id_)
        if rows:
            return entry_of(rows[0])
        number, entry = self._last(id_)
        self._connection.execute(
            f"INSERT OR IGNORE INTO entries (id, {ENTRY}) SELECT id, {ENTRY} FROM withdrawn_entries WHERE number = ?",
            (number,),
        )
        self._connection.execute(
            "UPDATE withdrawn_entries SET put_back_by = ?, put_back_ms = ? WHERE number = ?", (by, at_ms, number)
        )
        return entry

    def all(self, nest: str | None = None, since_ms: int | None = None) -> list[Withdrawn]:
        """What is out of the journal still, of a nest (None: any), withdrawn since an instant (None: ever), as it went."""
        rows = self._rows(
            f"""SELECT id, withdrawn_by, withdrawn_ms, {ENTRY} FROM withdrawn_entries WHERE put_back_ms IS NULL
            AND (?1 IS NULL OR nest = ?1) AND (?2 IS NULL OR withdrawn_ms >= ?2) ORDER BY number""",
            nest, since_ms,
        )  # fmt: skip
        return [Withdrawn(row[0], entry_of(row[3:]), row[1], row[2]) for row in rows]

    def apart_from(self, entries: Iterable[Entry]) -> list[Entry]:
        """These entries but for those that were withdrawn: a file read in again must not bring a slip back."""
        gone = {_identity(one.entry) for one in self.all()}
        return [entry for entry in entries if _identity(entry) not in gone]

    def _last(self, id_: int) -> tuple[int, Entry]:
        """When it was withdrawn last."""
        rows = self._rows(f"SELECT number, {ENTRY} FROM withdrawn_entries WHERE id = ? ORDER BY number DESC", id_)
        if not rows:
            raise NotThereError(f"entry {id_}: there is no such entry of the journal")
        return rows[0][0], entry_of(rows[0][1:])


def _identity(entry: Entry) -> tuple[object, ...]:
    """What makes two entries the same one."""
    note = entry.note if entry.kind == EntryKind.NOTE else ""
    return entry.nest, entry.at_ms, entry.kind, entry.amount, entry.unit, note


def entry_of(row: tuple[Any, ...]) -> Entry:
    """From its columns."""
    at_ms, nest, kind, amount, unit, note, by = row
    return Entry(at_ms, nest, EntryKind(kind), amount, unit, note, by)
