"""What stands where: nests with their history, placements of probes, and the journal, in station.db.

Nothing here is overwritten by a later state of things: a nest that changes gets a new row with a later ``since``, a probe
that moves gets a new placement, so that the past stays true. Writing the same again changes nothing.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sensord.db import migrate, transaction
from sensord.errors import ConflictError, InputError, StoreError
from sensord.keeping.changes import STEP as CHANGES_STEP
from sensord.keeping.changes import Change, Changes, Key, Row, Signed
from sensord.keeping.colony import dead_nests, left_nests
from sensord.keeping.placements import overlaps
from sensord.keeping.tables import COLUMNS, nest_row, placement_row
from sensord.keeping.withdrawn import ENTRY, Withdrawn, WithdrawnEntries, entry_of
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Stage

_ALWAYS = -(2**62)  # stands for "since always", so that it can be part of the key and sorts first

_MARKED = {
    "nests": "SELECT * FROM nests ORDER BY name, since_ms",
    "placements": "SELECT * FROM placements ORDER BY probe, since_ms",
}

_STEPS = (
    """CREATE TABLE nests (
        name TEXT NOT NULL, since_ms INTEGER NOT NULL, kind TEXT NOT NULL, room TEXT NOT NULL, rack TEXT NOT NULL,
        species TEXT NOT NULL, colony TEXT NOT NULL, stage TEXT, bore_mm REAL, chamber_mm REAL, reservoir_ml REAL,
        plug TEXT, PRIMARY KEY (name, since_ms)
    ) WITHOUT ROWID;
    CREATE TABLE placements (
        probe TEXT NOT NULL, since_ms INTEGER NOT NULL, until_ms INTEGER, nest TEXT, room TEXT NOT NULL,
        place TEXT NOT NULL, distance_mm REAL, PRIMARY KEY (probe, since_ms)
    ) WITHOUT ROWID;
    CREATE INDEX placements_nest ON placements (nest);
    CREATE TABLE entries (
        nest TEXT NOT NULL, at_ms INTEGER NOT NULL, kind TEXT NOT NULL, amount REAL, unit TEXT NOT NULL,
        note TEXT NOT NULL, by TEXT NOT NULL
    );
    CREATE UNIQUE INDEX entries_key ON entries
        (nest, at_ms, kind, ifnull(amount, -1), unit, CASE kind WHEN 'note' THEN note ELSE '' END);
    CREATE INDEX entries_time ON entries (at_ms)""",
    # An entry can be withdrawn by its id, so an id never stands for another entry later (AUTOINCREMENT).
    """CREATE TABLE journal (
        id INTEGER PRIMARY KEY AUTOINCREMENT, nest TEXT NOT NULL, at_ms INTEGER NOT NULL, kind TEXT NOT NULL,
        amount REAL, unit TEXT NOT NULL, note TEXT NOT NULL, by TEXT NOT NULL
    );
    INSERT INTO journal SELECT rowid, * FROM entries ORDER BY rowid;
    DROP TABLE entries;
    ALTER TABLE journal RENAME TO entries;
    CREATE UNIQUE INDEX entries_key ON entries
        (nest, at_ms, kind, ifnull(amount, -1), unit, CASE kind WHEN 'note' THEN note ELSE '' END);
    CREATE INDEX entries_time ON entries (at_ms);
    CREATE TABLE withdrawn_entries (
        id INTEGER PRIMARY KEY, nest TEXT NOT NULL, at_ms INTEGER NOT NULL, kind TEXT NOT NULL, amount REAL,
        unit TEXT NOT NULL, note TEXT NOT NULL, by TEXT NOT NULL, withdrawn_by TEXT NOT NULL, withdrawn_ms INTEGER NOT NULL
    )""",
    # An entry that was put back may be withdrawn again: a row a withdrawal.
    """CREATE TABLE withdrawals (
        number INTEGER PRIMARY KEY, id INTEGER NOT NULL, nest TEXT NOT NULL, at_ms INTEGER NOT NULL, kind TEXT NOT NULL,
        amount REAL, unit TEXT NOT NULL, note TEXT NOT NULL, by TEXT NOT NULL, withdrawn_by TEXT NOT NULL,
        withdrawn_ms INTEGER NOT NULL, put_back_by TEXT, put_back_ms INTEGER
    );
    INSERT INTO withdrawals SELECT NULL, *, NULL, NULL FROM withdrawn_entries ORDER BY withdrawn_ms, id;
    DROP TABLE withdrawn_entries;
    ALTER TABLE withdrawals RENAME TO withdrawn_entries;
    CREATE INDEX withdrawn_id ON withdrawn_entries (id);
    CREATE INDEX withdrawn_nest ON withdrawn_entries (nest, withdrawn_ms)""",
    CHANGES_STEP,
)
_SAME_ENTRY = """nest = ? AND at_ms = ? AND kind = ? AND ifnull(amount, -1) = ifnull(?, -1) AND unit = ?
    AND (kind <> 'note' OR note = ?)"""

_PUT_NEST = """INSERT INTO nests VALUES (?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT (name, since_ms) DO UPDATE SET
    kind=excluded.kind, room=excluded.room, rack=excluded.rack, species=excluded.species,
    colony=excluded.colony, stage=excluded.stage, bore_mm=excluded.bore_mm, chamber_mm=excluded.chamber_mm,
    reservoir_ml=excluded.reservoir_ml, plug=excluded.plug
    WHERE (kind,room,rack,species,colony,stage,bore_mm,chamber_mm,reservoir_ml,plug) IS NOT
    (excluded.kind,excluded.room,excluded.rack,excluded.species,excluded.colony,excluded.stage,
     excluded.bore_mm,excluded.chamber_mm,excluded.reservoir_ml,excluded.plug)"""


class Registry:
    """Nests, placements and journal of one room. Belongs to the thread of its connection.

    Every method raises StoreError where the database cannot be read or written.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection, self._withdrawn = connection, WithdrawnEntries(connection, self._read)
        self._changes = Changes(connection, self._rows_of, self._read)
        migrate(connection, "keeping", _STEPS)

    def nests(self, at_ms: int | None = None) -> list[Nest]:
        """Every nest as it stood at that instant (None: as last told), by name."""
        if at_ms is None:
            rows = self._read("SELECT *, max(since_ms) FROM nests GROUP BY name ORDER BY name")
        else:
            rows = self._read(
                "SELECT *, max(since_ms) FROM nests WHERE since_ms <= ? GROUP BY name ORDER BY name", at_ms
            )
        return [_nest(row) for row in rows]

    def nest(self, name: str, at_ms: int | None = None) -> Nest | None:
        """One nest as it stood at that instant (None: as last told), or None where it did not stand."""
        history = [row for row in self.history(name) if at_ms is None or row.since_ms is None or row.since_ms <= at_ms]
        return history[-1] if history else None

    def history(self, name: str | None = None) -> list[Nest]:
        """Every state of a nest (None: of every nest), by name, then ascending in ``since``."""
        where, given = ("WHERE name = ?", (name,)) if name is not None else ("", ())
        return [_nest(row) for row in self._read(f"SELECT * FROM nests {where} ORDER BY name, since_ms", *given)]

    def mark(self, table: str) -> str:
        """A short text that changes whenever a row of ``nests`` or ``placements`` does."""
        return hashlib.sha256(repr(self._read(_MARKED[table])).encode()).hexdigest()[:16]

    def put_nests(
        self, nests: Iterable[Nest], mark: str | None = None, gone: Sequence[Key] = (), signed: Signed | None = None
    ) -> int:
        """Add nests or states of nests; the same (name, since) again replaces that state. How many rows changed.

        Args:
            mark: of the rows as they were read; None: whatever they are.
            gone: (name, since) of states that were noted with a wrong ``since``; they leave.
            signed: who writes; kept with what was changed.

        Raises:
            ConflictError: the rows are no longer those of the mark; nothing was changed.
        """
        nests = list(nests)
        rows = [
            (nest.name, _ALWAYS if nest.since_ms is None else nest.since_ms, nest.kind, nest.room, nest.rack,
             nest.species, nest.colony, nest.stage, nest.bore_mm, nest.chamber_mm, nest.reservoir_ml, nest.plug)
            for nest in nests
        ]  # fmt: skip
        keys = [*gone, *((nest.name, nest.since_ms) for nest in nests)]
        with self._writing(("nests", mark)), self._changes.noted(signed, "nests", keys):
            self._connection.executemany(
                "DELETE FROM nests WHERE name = ? AND since_ms = ?",
                [(name, _ALWAYS if since_ms is None else since_ms) for name, since_ms in gone],
            )
            return self._many(_PUT_NEST, rows)

    def placements(
        self, at_ms: int | None = None, nest: str | None = None, probe: str | None = None
    ) -> list[Placement]:
        """Placements that hold at an instant, of a nest, of a probe (None: any), by probe and time."""
        rows = self._read(
            """SELECT probe, since_ms, until_ms, nest, room, place, distance_mm FROM placements
            WHERE (?1 IS NULL OR (since_ms <= ?1 AND (until_ms IS NULL OR until_ms > ?1)))
            AND (?2 IS NULL OR nest = ?2) AND (?3 IS NULL OR probe = ?3) ORDER BY probe, since_ms""",
            at_ms, nest, probe,
        )  # fmt: skip
        return [_placement(row) for row in rows]

    def put_placements(
        self,
        placements: Sequence[Placement],
        mark: str | None = None,
        gone: Sequence[Key] = (),
        signed: Signed | None = None,
    ) -> int:
        """Add placements; the same (probe, since) again replaces that one, which is how one is ended. Rows changed.

        Args:
            mark: of the rows as they were read; None: whatever they are.
            gone: (probe, since) of placements that were noted with a wrong ``since``; they leave.
            signed: who writes; kept with what was changed.

        Raises:
            ConflictError: the rows are no longer those of the mark, where one is given; nothing was changed.
            InputError: a probe would be at two places at once; nothing was changed.
        """
        given = list(placements)
        keys = {(row.probe, row.since_ms) for row in given}
        with self._writing(("placements", mark)), self._changes.noted(signed, "placements", {*gone, *keys}):
            self._connection.executemany("DELETE FROM placements WHERE probe = ? AND since_ms = ?", gone)
            kept = [row for row in self.placements() if (row.probe, row.since_ms) not in keys]
            problems = overlaps(given, kept)
            if problems:
                raise InputError(*(text for _, text in problems))
            return self._many(
                """INSERT INTO placements VALUES (?,?,?,?,?,?,?) ON CONFLICT (probe, since_ms) DO UPDATE SET
                until_ms=excluded.until_ms, nest=excluded.nest, room=excluded.room, place=excluded.place,
                distance_mm=excluded.distance_mm WHERE (until_ms,nest,room,place,distance_mm) IS NOT
                (excluded.until_ms,excluded.nest,excluded.room,excluded.place,excluded.distance_mm)""",
                [(p.probe, p.since_ms, p.until_ms, p.nest, p.room, p.place, p.distance_mm) for p in given],
            )

    def entries(
        self,
        nest: str | None = None,
        kinds: Iterable[EntryKind] | None = None,
        from_ms: int | None = None,
        until_ms: int | None = None,
    ) -> list[Entry]:
        """Journal entries with ``from_ms <= at < until_ms``, ascending in time; None: no bound."""
        wanted = None if kinds is None else {str(kind) for kind in kinds}
        rows = self._read(
            f"""SELECT {ENTRY} FROM entries
            WHERE (?1 IS NULL OR nest = ?1) AND (?2 IS NULL OR at_ms >= ?2) AND (?3 IS NULL OR at_ms < ?3)
            ORDER BY at_ms, rowid""",
            nest, from_ms, until_ms,
        )  # fmt: skip
        return [entry_of(row) for row in rows if wanted is None or row[2] in wanted]

    def add_entries(self, entries: Iterable[Entry]) -> int:
        """Add entries. One with nest, instant, kind, amount and unit of an older one is that one. How many were new."""
        rows = [(e.nest, e.at_ms, e.kind, e.amount, e.unit, e.note, e.by) for e in entries]
        with self._writing():
            return self._many(
                "INSERT OR IGNORE INTO entries (nest, at_ms, kind, amount, unit, note, by) VALUES (?,?,?,?,?,?,?)", rows
            )

    def entry_id(self, entry: Entry) -> int | None:
        """The number under which this entry, or the one that counts as the same, stands; None where it does not."""
        rows = self._read(
            f"SELECT id FROM entries WHERE {_SAME_ENTRY}",
            entry.nest, entry.at_ms, entry.kind, entry.amount, entry.unit, entry.note,
        )  # fmt: skip
        return int(rows[0][0]) if rows else None

    def latest_entries(
        self, most: int, nest: str | None = None, since_ms: int | None = None
    ) -> list[tuple[int, Entry]]:
        """The last so many entries with their numbers, of a nest (None: any), at or after an instant, newest first."""
        rows = self._read(
            f"""SELECT id, {ENTRY} FROM entries WHERE (?1 IS NULL OR nest = ?1) AND (?2 IS NULL OR at_ms >= ?2)
            ORDER BY at_ms DESC, id DESC LIMIT ?3""",
            nest, since_ms, most,
        )  # fmt: skip
        return [(row[0], entry_of(row[1:])) for row in rows]

    def newest_entry_id(self) -> int:
        """The highest number any entry ever had, 0 where there never was one."""
        rows = self._read("SELECT seq FROM sqlite_sequence WHERE name = 'entries'")
        return int(rows[0][0]) if rows else 0

    def entries_after(self, id_: int) -> list[tuple[int, Entry]]:
        """What was written since the entry of that number, whatever instant it speaks of, as it was written."""
        rows = self._read(f"SELECT id, {ENTRY} FROM entries WHERE id > ? ORDER BY id", id_)
        return [(row[0], entry_of(row[1:])) for row in rows]

    def withdraw_entry(self, id_: int, by: str, at_ms: int) -> Entry:
        """Take an entry back: it leaves the journal and is kept aside, with who did so and when. Twice changes nothing.

        Raises:
            NotThereError: there never was an entry of that number.
        """
        with self._writing():
            return self._withdrawn.withdraw(id_, by, at_ms)

    def put_back_entry(self, id_: int, by: str, at_ms: int) -> Entry:
        """Undo a withdrawal: the entry stands in the journal again under its number. Twice changes nothing.

        Raises:
            NotThereError: there never was an entry of that number.
        """
        with self._writing():
            return self._withdrawn.put_back(id_, by, at_ms)

    def withdrawn(self, nest: str | None = None, since_ms: int | None = None) -> list[Withdrawn]:
        """Entries out of the journal still, of a nest (None: any), withdrawn since an instant (None: ever), as they went."""
        return self._withdrawn.all(nest, since_ms)

    def not_withdrawn(self, entries: Iterable[Entry]) -> list[Entry]:
        """These entries but for those that are the same as one that was withdrawn."""
        return self._withdrawn.apart_from(entries)

    def changes(self, nest: str) -> list[Change]:
        """Who changed a nest and the probes in it, and how, as it was done; of what nobody signed there is none."""
        return self._changes.of_nest(nest)

    def _rows_of(self, table: str) -> dict[Key, Row]:
        """By key, in the columns of the CSV tables."""
        names = COLUMNS[table]
        if table == "nests":
            return {(one.name, one.since_ms): dict(zip(names, nest_row(one), strict=True)) for one in self.history()}
        placed = self.placements()
        return {(one.probe, one.since_ms): dict(zip(names, placement_row(one), strict=True)) for one in placed}

    def alive(self, at_ms: int) -> set[str]:
        """Names of the nests that stood at that instant and whose colony had not died by then, nor moved out."""
        died = self.entries(kinds=(EntryKind.DIED,), until_ms=at_ms + 1)
        return {nest.name for nest in self.nests(at_ms)} - dead_nests(self.history(), died, at_ms) - self.left(at_ms)

    def left(self, at_ms: int) -> set[str]:
        """Names of the nests out of which the colony had moved by then, as nests and journal tell."""
        moves = self.entries(kinds=(EntryKind.MOVE,), until_ms=at_ms + 1)
        return left_nests(self.history(), moves, at_ms) if moves else set()

    def _read(self, sql: str, *given: Any) -> list[Any]:
        try:
            return self._connection.execute(sql, given).fetchall()
        except sqlite3.Error as error:
            raise StoreError(f"database: nests, placements and journal cannot be read ({error})") from error

    @contextmanager
    def _writing(self, expected: tuple[str, str | None] = ("", None)) -> Iterator[None]:
        table, mark = expected
        with transaction(self._connection):
            if mark is not None and mark != self.mark(table):
                raise ConflictError(f"{table}: somebody else changed them since they were read; nothing was saved")
            yield

    def _many(self, sql: str, rows: Sequence[tuple[Any, ...]]) -> int:
        before = self._connection.total_changes
        self._connection.executemany(sql, rows)
        return self._connection.total_changes - before


def _nest(row: tuple[Any, ...]) -> Nest:
    name, since, kind, room, rack, species, colony, stage, bore, chamber, reservoir, plug = row[:12]
    return Nest(
        name=name,
        kind=NestKind(kind),
        room=room,
        rack=rack,
        species=species,
        colony=colony,
        stage=Stage(stage) if stage else None,
        since_ms=None if since == _ALWAYS else since,
        bore_mm=bore,
        chamber_mm=chamber,
        reservoir_ml=reservoir,
        plug=Plug(plug) if plug else None,
    )


def _placement(row: tuple[Any, ...]) -> Placement:
    probe, since_ms, until_ms, nest, room, place, distance_mm = row
    return Placement(probe, nest, room, Place(place), since_ms, until_ms, distance_mm)
