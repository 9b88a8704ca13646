"""The embedded store: one SQLite file, every commit on disk when ``write`` returns."""

from __future__ import annotations

import sqlite3
from array import array
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain, repeat
from operator import itemgetter, mul, truediv
from pathlib import Path
from typing import Any

from sensord.clock import DAY_MS, HOUR_MS, iso
from sensord.db import identity, migrate, open_db, transaction
from sensord.errors import InputError, StoreError
from sensord.model import Reading
from sensord.store import schema, upkeep
from sensord.store.base import Columns, Hours, Row, Written

_NAN = float("nan")
_STEP = 1 / schema.PER_UNIT
_BATCH_ROWS = 20_000
_BY_PROBE, _BY_TIME = itemgetter(0, 1), itemgetter(1, 0)


class SqliteStore:
    """Readings in ``station.db``; obeys the port in store/base.py. See store/schema.py for the layout.

    Args:
        path: the file; made with its folder where missing.

    Raises:
        StoreError: the file cannot be opened or is no database of ours.
    """

    def __init__(self, path: Path | str) -> None:
        self._path = str(path)
        self._connection: sqlite3.Connection | None = open_db(path)
        with self._reading():
            migrate(self._db, "store", schema.STEPS)
        self._ids: dict[str, int] = {}
        self._file = identity(path)

    def write(self, readings: Sequence[Reading]) -> Written:
        """Store readings in any order, late ones too. Durable on return. A known (probe, at_ms) changes nothing."""
        return self.write_rows([(r.probe, r.at_ms, r.temp_c, r.rh_pct) for r in readings])

    def write_rows(self, rows: Sequence[Row]) -> Written:
        """As ``write``, from plain tuples: for bulk, where making an object a row would take half the time."""
        if not rows:
            return Written(0, 0)
        try:
            with transaction(self._db):
                stored = self._put(_integers(rows, self._ids_of(rows)))
        except BaseException:
            self._ids.clear()  # ids given in a transaction that was rolled back never were
            raise
        if identity(self._path) != self._file:
            raise StoreError(f"store {self._path}: was deleted or replaced while in use; start this process again")
        return Written(stored, len(rows) - stored)

    def latest(self) -> dict[str, Reading]:
        """The newest reading of every probe."""
        return {
            name: Reading(name, at_ms, _real(temp), _real(rh)) for name, at_ms, temp, rh in self._all(schema.LATEST)
        }

    def probes(self) -> list[str]:
        """Every probe that ever had a reading, sorted."""
        return [name for (name,) in self._all("SELECT name FROM probes ORDER BY name")]

    def span(self, probe: str) -> tuple[int, int] | None:
        """First and last ``at_ms`` of a probe, or None."""
        rows = self._all(
            """SELECT (SELECT min(at_ms) FROM readings WHERE probe = id),
            (SELECT at_ms FROM latest WHERE probe = id), id FROM probes WHERE name = ?""",
            probe,
        )
        if not rows:
            return None
        first, last, number = rows[0]
        if first is None:
            first = self._all("SELECT at_ms FROM hot WHERE probe = ? ORDER BY at_ms LIMIT 1", number)[0][0]
        return first, last

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``."""
        where = "WHERE probe = (SELECT id FROM probes WHERE name = ?) AND at_ms >= ? AND at_ms < ? ORDER BY at_ms"
        with self._snapshot():
            rows = [
                row
                for table in ("readings", "hot")
                for row in self._all(f"SELECT at_ms, temp, rh FROM {table} {where}", probe, from_ms, until_ms)
            ]
        return Columns(
            array("q", map(itemgetter(0), rows)),
            array("d", [_NAN if temp is None else temp / schema.PER_UNIT for _, temp, _ in rows]),
            array("d", [_NAN if rh is None else rh / schema.PER_UNIT for _, _, rh in rows]),
        )

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        """The roll-up of every hour that starts in ``from_ms <= start < until_ms``; right under late data."""
        number = self._id(probe)
        if number is None:
            return Hours()
        given = (number, -(-from_ms // HOUR_MS), -(-until_ms // HOUR_MS))
        with self._snapshot():
            closed = self._all(schema.CLOSED_HOURS, *given)
            touched = [
                self._all(roll_up.format(touched=schema.TOUCHED_OF_PROBE), *given)
                for roll_up in schema.ROLL_UP.values()
            ]
        rows = sorted(chain(closed, *touched), key=itemgetter(1))
        return _hours(rows)

    def steps(self, probe: str, from_ms: int, until_ms: int, step_h: int) -> Hours:
        """The roll-up of every ``step_h`` hours, of the hours that ``hours`` would give; summed up inside SQLite."""
        number = self._id(probe)
        if number is None:
            return Hours()
        return _hours(self._all(schema.STEPS_OF_HOURS, number, -(-from_ms // HOUR_MS), -(-until_ms // HOUR_MS), step_h))

    def stream(self, from_ms: int, until_ms: int) -> Iterator[list[Reading]]:
        """All probes' readings in order of time (then probe), in batches; no transaction stays open between batches."""
        at_ms, width_ms = from_ms, HOUR_MS
        while at_ms < until_ms:
            following = self._all(schema.NEXT_READING, at_ms)[0][0]
            if following is None or following >= until_ms:
                return
            end_ms = min(following + width_ms, until_ms)
            rows = self._all(schema.WINDOW, following, end_ms)
            rows.sort(key=itemgetter(0, 1))
            yield [Reading(name, at, _real(temp), _real(rh)) for at, name, temp, rh in rows]
            at_ms = end_ms
            width_ms = max(1, min(30 * DAY_MS, width_ms * _BATCH_ROWS // (len(rows) + 1)))

    def count(self) -> int:
        """How many readings there are."""
        return int(self._all("SELECT value FROM marks WHERE name = 'count'")[0][0])

    def maintain(self, now_ms: int) -> None:
        """Roll up touched hours that are over, move readings older than yesterday out of ``hot``; each in slices."""
        upkeep.roll_up(self._db, now_ms // HOUR_MS)
        upkeep.move_hot(self._db, now_ms // DAY_MS * DAY_MS - DAY_MS)

    def close(self) -> None:
        """Release what is held; may be called twice."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    @property
    def _db(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StoreError(f"store {self._path}: is closed")
        return self._connection

    def _put(self, rows: list[tuple[int, int, int | None, int | None]]) -> int:
        """Insert inside a transaction: each row where the watermark says, its hour touched, the latest advanced."""
        watermark = upkeep.watermark(self._db)
        hot = sorted((row for row in rows if row[1] >= watermark), key=_BY_TIME)
        cold = sorted((row for row in rows if row[1] < watermark), key=_BY_PROBE)
        stored = self._insert("hot", hot) + self._insert("readings", cold)
        if stored:
            touched = {(row[0], row[1] // HOUR_MS) for row in rows}
            self._db.executemany("INSERT OR IGNORE INTO touched VALUES (?, ?)", sorted(touched))
            self._db.executemany(schema.PUT_LATEST, _newest(cold, hot))
            self._db.execute("UPDATE marks SET value = value + ? WHERE name = 'count'", (stored,))
        return stored

    def _insert(self, table: str, rows: list[tuple[int, int, int | None, int | None]]) -> int:
        before = self._db.total_changes
        self._db.executemany(schema.PUT[table], rows)
        return self._db.total_changes - before

    def _ids_of(self, rows: Sequence[Row]) -> dict[str, int]:
        """Numbers of the probes, inside a transaction; new names get one."""
        for name in {row[0] for row in rows} - self._ids.keys():
            self._db.execute("INSERT OR IGNORE INTO probes (name) VALUES (?)", (name,))
            self._ids[name] = self._db.execute("SELECT id FROM probes WHERE name = ?", (name,)).fetchone()[0]
        return self._ids

    def _id(self, probe: str) -> int | None:
        rows = self._all("SELECT id FROM probes WHERE name = ?", probe)
        return int(rows[0][0]) if rows else None

    def _all(self, sql: str, *given: Any) -> list[Any]:
        """Read to the end: a half-read cursor would keep the log from being emptied."""
        with self._reading():
            return self._db.execute(sql, given).fetchall()

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Several reads of one state."""
        with self._reading():
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("COMMIT")

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(
                f"store {self._path}: cannot be read ({error}); keep the file, and restore a backup if it is damaged"
            ) from error


def _integers(rows: Iterable[Row], ids: dict[str, int]) -> list[tuple[int, int, int | None, int | None]]:
    """Rows as stored: probe number, instant, thousandths of °C and of %."""
    per_unit = schema.PER_UNIT
    try:
        return [
            (ids[name], at, None if t is None else round(t * per_unit), None if rh is None else round(rh * per_unit))
            for name, at, t, rh in rows
        ]
    except (ValueError, OverflowError):
        name, at, t, rh = next(row for row in rows if not all(v is None or abs(v) < 1e12 for v in row[2:]))
        raise InputError(
            f"probe {name}: temp_c={t}, rh_pct={rh} at {iso(at)} cannot be stored; allowed are finite numbers, or none"
        ) from None


def _newest(
    *parts: list[tuple[int, int, int | None, int | None]],
) -> list[tuple[int, int, int | None, int | None]]:
    """The newest row of each probe; of two at the same instant the first, as it is the one that was stored."""
    newest: dict[int, tuple[int, int, int | None, int | None]] = {}
    for row in chain(*parts):
        known = newest.get(row[0])
        if known is None or row[1] > known[1]:
            newest[row[0]] = row
    return list(newest.values())


def _real(stored: int | None) -> float | None:
    return None if stored is None else stored / schema.PER_UNIT


def _hours(rows: list[tuple[Any, ...]]) -> Hours:
    """Rows of (probe, hour, counts, sums, extremes) as columns; a column at a time, since a year of many probes is read so."""
    if not rows:
        return Hours()
    _, hour, n_temp, n_rh, temp_sum, temp_min, temp_max, rh_sum, rh_min, rh_max = zip(*rows, strict=True)
    return Hours(
        at_ms=array("q", map(mul, hour, repeat(HOUR_MS))),
        n_temp=array("q", n_temp),
        n_rh=array("q", n_rh),
        temp_mean_c=_means(temp_sum, n_temp),
        temp_min_c=_units(temp_min),
        temp_max_c=_units(temp_max),
        rh_mean_pct=_means(rh_sum, n_rh),
        rh_min_pct=_units(rh_min),
        rh_max_pct=_units(rh_max),
    )


def _means(sums: Sequence[int | None], counts: Sequence[int]) -> array[float]:
    """Each sum over its count; NaN where there is none."""
    if None in sums:
        return array(
            "d", [_NAN if total is None else total / n / schema.PER_UNIT for total, n in zip(sums, counts, strict=True)]
        )
    return array("d", map(truediv, map(truediv, sums, counts), repeat(schema.PER_UNIT)))


def _units(stored: Sequence[int | None]) -> array[float]:
    """Each value in its unit; NaN where there is none."""
    if None in stored:
        return array("d", [_NAN if value is None else value / schema.PER_UNIT for value in stored])
    return array("d", map(truediv, stored, repeat(schema.PER_UNIT)))
