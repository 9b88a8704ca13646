"""The hub's readings on disk until the recorder has them: one SQLite file a hub, every commit durable.

A row is one reading and has one sequence number, never used again. A row leaves only by a receipt, or by being given up
when the outbox is full: then every second scan of its older half goes, a stretch at a time, before newer ones do, and
what went is counted. A file that cannot be read is moved aside and a new one begun under a new spool name, with what
could still be read of it.
"""

from __future__ import annotations

import logging
import math
import secrets
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any, TypeVar

from sensord.db import transaction
from sensord.errors import StoreError
from sensord.link.outbox_file import claim, is_damage, move_aside, move_leftovers_aside, readable, sound
from sensord.link.receipts import Receipt

MOST_ROWS = 2_000_000
_THIN_PART = 32
"""Thinning frees its rows in steps of about a 64th of the outbox, so that no step takes long on a slow card."""

_TAKEN_OVER_AT_ONCE = 200
"""Scans in one transaction, when another file is taken over."""

Outcome = TypeVar("Outcome")

_log = logging.getLogger(__name__)

_STEPS = (
    """CREATE TABLE waiting (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, scan INTEGER NOT NULL, boot INTEGER NOT NULL, mono_ms INTEGER NOT NULL,
        at_ms INTEGER, probe TEXT NOT NULL, temp_c REAL, rh_pct REAL
    );
    CREATE INDEX waiting_undated ON waiting (boot, seq) WHERE at_ms IS NULL;
    CREATE TABLE undated (
        seq INTEGER PRIMARY KEY, scan INTEGER NOT NULL, boot INTEGER NOT NULL, mono_ms INTEGER NOT NULL,
        at_ms INTEGER, probe TEXT NOT NULL, temp_c REAL, rh_pct REAL
    );
    CREATE TABLE boots (id INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL UNIQUE, offset_ms INTEGER);
    CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID""",
)


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading as the hub took it.

    Attributes:
        probe: full name. mono_ms: the monotonic clock of this boot. at_ms: UTC, or None while the time is not known.
    """

    probe: str
    mono_ms: int
    at_ms: int | None
    temp_c: float | None
    rh_pct: float | None


@dataclass(frozen=True, slots=True)
class Row:
    """A dated reading on its way, with its sequence number."""

    seq: int
    probe: str
    at_ms: int
    temp_c: float | None
    rh_pct: float | None


@dataclass(frozen=True, slots=True)
class Fill:
    """How full the outbox is: rows waiting, time of the oldest dated one, readings given up, readings never dated."""

    rows: int
    oldest_ms: int | None
    given_up: int
    undated: int


class Outbox:
    """One hub's outbox, of one process at a time. Its methods may be called from several threads.

    Args:
        path: the file; its folder is made.
        boot: what tells this boot of the machine from any other.
        most_rows: readings kept before the oldest are thinned, >= 2.
        machine: what tells this machine from any other; a card that moved or was copied gets a new spool. Empty: unknown.

    Raises:
        StoreError: another process uses it, or the folder cannot be written.
    """

    def __init__(self, path: Path, *, boot: str, most_rows: int = MOST_ROWS, machine: str = "") -> None:
        self._path, self._most_rows, self._boot_name, self._machine = path, most_rows, boot, machine
        self._lock = threading.RLock()
        self.moved_aside: Path | None = None
        self._claim = claim(path)
        try:
            self._open()
        except BaseException:
            self._claim.close()
            raise

    def _open(self) -> None:
        try:
            self._connection = sound(self._path, _STEPS)
            self._adopt(self._boot_name, self._machine)
        except StoreError as error:
            if not is_damage(error):
                raise
            self._begin_anew(error)

    def _begin_anew(self, error: StoreError) -> None:
        if hasattr(self, "_connection"):
            self._connection.close()
        self.moved_aside = move_aside(self._path)
        self._connection = sound(self._path, _STEPS)
        self._adopt(self._boot_name, self._machine)
        with closing(sqlite3.connect(self.moved_aside)) as damaged:
            saved = self._take_over(damaged)
        _log.error(
            "%s: moved aside to %s, a new one begun with %d of its readings", error, self.moved_aside.name, saved
        )

    def _begin_again_where_deleted(self) -> None:
        """Somebody deleted the file, which lives on for us alone until this process ends: write all that waits anew."""
        if self._path.exists():
            return
        move_leftovers_aside(self._path)
        self._claim.close()
        self._claim = claim(self._path)
        with closing(self._connection) as deleted:
            self._connection = sound(self._path, _STEPS)
            self._adopt(self._boot_name, self._machine)
            saved = self._take_over(deleted)
        _log.error(
            "outbox %s: was deleted while in use; a new one begun with the %d readings that waited", self._path, saved
        )

    def _take_over(self, source: sqlite3.Connection) -> int:
        """Bring what can be read of another file here; how many readings. Undated ones only where this boot took them."""
        before = self._rows
        some: list[list[Taken]] = []
        with suppress(StoreError):  # a full card: the other file stays as it is
            for _, rows in groupby(readable(source), key=lambda row: row[0]):
                some.append(
                    [Taken(probe, mono, at, *air) for _, boot, mono, at, probe, *air in rows if self._dates(boot, at)]
                )
                if len(some) >= _TAKEN_OVER_AT_ONCE:
                    self._append(some)
                    some = []
            self._append(some)
        return self._rows - before

    def _dates(self, boot: str, at_ms: int | None) -> bool:
        return at_ms is not None or boot == self._boot_name

    def _adopt(self, boot: str, machine: str) -> None:
        with self._lock, self._writing() as connection:
            connection.execute("INSERT OR IGNORE INTO boots (name) VALUES (?)", (boot,))
            self._boot = int(self._one("SELECT id FROM boots WHERE name = ?", boot))
            known = self._fact("machine")
            if self._fact("spool") is None or (machine and known and machine != known):
                self._set_fact("spool", _new_spool())
            if machine:
                self._set_fact("machine", machine)
            self._set_apart()
        self._rows = int(self._one("SELECT count(*) FROM waiting"))

    def _set_apart(self) -> None:
        """Readings of an earlier boot that never learnt the time never will: kept, but not sent with a guess."""
        where = "FROM waiting WHERE at_ms IS NULL AND boot <> ?"
        self._connection.execute(f"INSERT INTO undated SELECT * {where}", (self._boot,))
        gone = self._connection.execute(f"DELETE {where}", (self._boot,)).rowcount
        self._connection.execute(
            "DELETE FROM boots WHERE id <> ? AND id NOT IN (SELECT boot FROM undated) "
            "AND id NOT IN (SELECT boot FROM waiting)",
            (self._boot,),
        )
        if gone:
            _log.warning("outbox: %d readings of an earlier boot never learnt their time and are set apart", gone)

    @property
    def spool(self) -> str:
        """The name of this outbox; drawn at random when the file was made."""
        with self._lock:
            return self._fact("spool") or ""

    @property
    def last_seq(self) -> int:
        """The last sequence number given out; 0 when none was."""
        with self._lock:
            return self._last_seq()

    @property
    def offset_ms(self) -> int | None:
        """UTC minus monotonic time in this boot, once it is known."""
        with self._lock:
            value: int | None = self._one("SELECT offset_ms FROM boots WHERE id = ?", self._boot)
            return value

    def learn_offset(self, offset_ms: int) -> int:
        """From now on this boot knows the time: date its readings that wait for it. Dates once given stay.

        Returns:
            how many readings were dated.
        """
        with self._lock, self._writing() as connection:
            connection.execute("UPDATE boots SET offset_ms = ? WHERE id = ?", (offset_ms, self._boot))
            dated = connection.execute(
                "UPDATE waiting SET at_ms = mono_ms + ? WHERE at_ms IS NULL AND boot = ?", (offset_ms, self._boot)
            )
            return dated.rowcount

    def append(self, readings: Sequence[Taken]) -> None:
        """One scan, on disk when this returns. A value that is no finite number counts as missing; a reading without
        any value is left out. When the file is found damaged it is moved aside and a new one begun.

        Raises:
            StoreError: the disk is full or failing; nothing of the scan was kept.
        """
        scan = [replace(row, temp_c=_finite(row.temp_c), rh_pct=_finite(row.rh_pct)) for row in readings]
        scans = [[row for row in scan if (row.temp_c, row.rh_pct) != (None, None)]]
        with self._lock:
            self._begin_again_where_deleted()
            self._try_twice(lambda: self._append(scans))

    def _try_twice(self, action: Callable[[], Outcome]) -> Outcome:
        """What fails has a second chance: with a new file for a damaged one, else with the room that SQLite's log held."""
        try:
            return action()
        except StoreError as error:
            if is_damage(error):
                self._begin_anew(error)
            else:
                with suppress(sqlite3.Error):
                    self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            return action()

    def _append(self, scans: Sequence[Sequence[Taken]]) -> None:
        wanted = sum(map(len, scans))
        with self._writing() as connection:
            removed = self._make_room(wanted)
            for rows in scans:
                scan = self._last_seq() + 1
                connection.executemany(
                    "INSERT INTO waiting (scan, boot, mono_ms, at_ms, probe, temp_c, rh_pct) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    [(scan, self._boot, row.mono_ms, row.at_ms, row.probe, row.temp_c, row.rh_pct) for row in rows],
                )
        self._rows += wanted - removed

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction whose refusal names this file and says what to do."""
        try:
            with transaction(self._connection) as connection:
                yield connection
        except StoreError as error:
            why = error.__cause__ or error
            raise StoreError(
                f"outbox {self._path}: takes nothing ({why}): the card may be full, read-only or worn out"
            ) from why

    def _make_room(self, wanted: int) -> int:
        removed = 0
        while self._rows > removed and self._rows - removed + wanted > self._most_rows:
            removed += self._thin(self._rows - removed)
        if removed:
            self._set_fact("given_up", str(int(self._fact("given_up") or 0) + removed))
        return removed

    def _thin(self, rows: int) -> int:
        """Give up every second scan of the next stretch of the older half; the oldest scan where that is but one."""
        middle = int(self._one("SELECT scan FROM waiting ORDER BY seq LIMIT 1 OFFSET ?", rows // 2))
        stretch = max(2, min(900, rows // _THIN_PART))
        scans = self._scans(int(self._fact("thinned_to") or 0), middle, stretch)
        if len(scans) < 2:  # the older half was gone through: begin again at its oldest
            scans = self._scans(0, middle, stretch)
        if len(scans) < 2:
            oldest = self._one("SELECT min(scan) FROM waiting")
            return self._connection.execute("DELETE FROM waiting WHERE scan = ?", (oldest,)).rowcount
        self._set_fact("thinned_to", str(scans[-1]))
        end = (self._scans(scans[-1], middle, 1) or [middle])[0]
        gone = scans[1::2]
        marks = ", ".join("?" * len(gone))
        return self._connection.execute(
            f"DELETE FROM waiting WHERE seq >= ? AND seq < ? AND scan IN ({marks})", (gone[0], end, *gone)
        ).rowcount

    def _scans(self, after: int, before: int, most: int) -> list[int]:
        """Scans in order. A scan is named by its first sequence number, so ``seq`` finds it without a search."""
        found = self._all(
            "SELECT DISTINCT scan FROM waiting WHERE seq > ? AND scan > ? AND seq < ? ORDER BY seq LIMIT ?",
            after,
            after,
            before,
            most,
        )
        return [int(row[0]) for row in found]

    def rows(self, after_seq: int, limit: int) -> list[Row]:
        """Readings behind a sequence number, in its order, up to the first that has no date yet."""
        with self._lock:
            return self._try_twice(lambda: self._dated(after_seq, limit))

    def _dated(self, after_seq: int, limit: int) -> list[Row]:
        undated = self._one("SELECT min(seq) FROM waiting WHERE at_ms IS NULL")
        found = self._all(
            "SELECT seq, probe, at_ms, temp_c, rh_pct FROM waiting WHERE seq > ? AND seq < ? ORDER BY seq LIMIT ?",
            after_seq,
            undated or 2**63 - 1,
            limit,
        )
        return [Row(*row) for row in found]

    def waiting_before(self, seq: int) -> int:
        """The last sequence number below ``seq`` that still waits; 0 when none does."""
        with self._lock:
            return int(self._one("SELECT max(seq) FROM waiting WHERE seq < ?", seq) or 0)

    def settle(self, receipt: Receipt) -> bool:
        """Forget what the receipt says is stored. Receipts for another spool are passed over.

        One for a number never given out means that a copy of this file is in use elsewhere: then a new spool begins,
        and all that waits is sent again under it.

        Returns:
            whether the receipt was about this outbox and true.
        """
        with self._lock:
            return self._try_twice(lambda: self._settle(receipt))

    def _settle(self, receipt: Receipt) -> bool:
        if receipt.spool != self._fact("spool"):
            return False
        if receipt.upto > self._last_seq():
            with self._writing():
                self._set_fact("spool", _new_spool())
            _log.warning("outbox: a receipt for readings never taken here: a copy of this card is in use elsewhere")
            return False
        with self._writing() as connection:
            gone = connection.execute("DELETE FROM waiting WHERE seq <= ?", (receipt.upto,)).rowcount
        self._rows -= gone
        return True

    def fill(self) -> Fill:
        """How full it is."""
        with self._lock:
            oldest = self._one("SELECT at_ms FROM waiting WHERE at_ms IS NOT NULL ORDER BY seq LIMIT 1")
            undated = self._one("SELECT count(*) FROM undated")
            return Fill(self._rows, oldest, int(self._fact("given_up") or 0), int(undated))

    def close(self) -> None:
        """Close the file and let others use it. May be called twice."""
        with self._lock:
            self._connection.close()
            self._claim.close()

    def _last_seq(self) -> int:
        return int(self._one("SELECT seq FROM sqlite_sequence WHERE name = 'waiting'") or 0)

    def _fact(self, name: str) -> str | None:
        value: str | None = self._one("SELECT value FROM facts WHERE name = ?", name)
        return value

    def _set_fact(self, name: str, value: str) -> None:
        self._connection.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (name, value))

    def _one(self, statement: str, *values: Any) -> Any:
        rows = self._all(statement, *values)
        return rows[0][0] if rows else None

    def _all(self, statement: str, *values: Any) -> list[Any]:
        try:
            return self._connection.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise StoreError(f"outbox {self._path}: cannot be read ({error})") from error


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _new_spool() -> str:
    return secrets.token_hex(8)
