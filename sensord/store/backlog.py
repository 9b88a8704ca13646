"""Which stretches of readings the server has not yet been seen to hold, in station.db, so that they outlive everything.

A stretch is marked before its readings are stored: what dies in between leaves a mark too many, never one too few.
Marks of one probe and day run together as long as their lot is open; a lot is closed before it is sent, so that what
is stored meanwhile is marked anew.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sensord.clock import DAY_MS
from sensord.db import migrate, transaction
from sensord.store.base import Row

MOST_TRIES = 5
_STEPS = (
    """CREATE TABLE backlog (
        lot INTEGER NOT NULL, probe TEXT NOT NULL, day INTEGER NOT NULL,
        from_ms INTEGER NOT NULL, until_ms INTEGER NOT NULL, tries INTEGER NOT NULL DEFAULT 0,
        PRIMARY KEY (lot, probe, day)
    ) WITHOUT ROWID;
    CREATE TABLE backlog_state (id INTEGER PRIMARY KEY CHECK (id = 1), lot INTEGER NOT NULL, server TEXT NOT NULL);
    INSERT INTO backlog_state VALUES (1, 1, '')""",
)
_MARK = """INSERT INTO backlog (lot, probe, day, from_ms, until_ms)
    VALUES ((SELECT lot FROM backlog_state), ?, ?, ?, ?)
    ON CONFLICT DO UPDATE SET from_ms = min(from_ms, excluded.from_ms), until_ms = max(until_ms, excluded.until_ms)"""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of one probe within one UTC day, ``from_ms <= at_ms < until_ms``."""

    lot: int
    probe: str
    day: int
    from_ms: int
    until_ms: int


class Backlog:
    """The stretches that wait for the server."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "backlog", _STEPS)

    def mark(self, rows: Sequence[Row]) -> None:
        """Note where these readings lie; durable on return."""
        spans: dict[tuple[str, int], tuple[int, int]] = {}
        for probe, at_ms, _, _ in rows:
            low, high = spans.get((probe, at_ms // DAY_MS), (at_ms, at_ms))
            spans[probe, at_ms // DAY_MS] = min(low, at_ms), max(high, at_ms)
        self._mark((probe, day, low, high + 1) for (probe, day), (low, high) in sorted(spans.items()))

    def aim_at(self, server: str, spans: dict[str, tuple[int, int]]) -> None:
        """Begin: what was given up is tried again; for another server than before, all of ``spans`` waits for it."""
        with transaction(self._connection):
            self._connection.execute("UPDATE backlog SET tries = 0")
            changed = self._connection.execute(
                "UPDATE backlog_state SET server = ? WHERE server <> ?", (server, server)
            ).rowcount
        if changed:
            self._mark(
                (probe, day, max(first, day * DAY_MS), min(last + 1, (day + 1) * DAY_MS))
                for probe, (first, last) in spans.items()
                for day in range(first // DAY_MS, last // DAY_MS + 1)
            )

    def forget_server(self) -> None:
        """Nobody marks from now on: whichever server comes next gets all."""
        known = self._connection.execute("SELECT server FROM backlog_state WHERE server <> ''").fetchall()
        if known:
            with transaction(self._connection):
                self._connection.execute("UPDATE backlog_state SET server = ''")
                self._connection.execute("DELETE FROM backlog")

    def close_lot(self) -> None:
        """From now on marks go into a new lot."""
        with transaction(self._connection):
            self._connection.execute("UPDATE backlog_state SET lot = lot + 1")

    def closed(self, most: int) -> list[Stretch]:
        """The first stretches of closed lots that were not given up, those that failed last."""
        rows = self._connection.execute(
            """SELECT lot, probe, day, from_ms, until_ms FROM backlog
            WHERE lot < (SELECT lot FROM backlog_state) AND tries < ? ORDER BY tries, lot, day, probe LIMIT ?""",
            (MOST_TRIES, most),
        ).fetchall()
        return [Stretch(*row) for row in rows]

    def done(self, stretches: Iterable[Stretch]) -> None:
        """The server holds them."""
        self._each("DELETE FROM backlog WHERE lot = ? AND probe = ? AND day = ?", stretches)

    def failed(self, stretches: Iterable[Stretch]) -> None:
        """The server does not take or keep them."""
        self._each("UPDATE backlog SET tries = tries + 1 WHERE lot = ? AND probe = ? AND day = ?", stretches)

    def counts(self) -> tuple[int, int]:
        """How many stretches wait, and how many of them were given up until the next start."""
        waiting, given_up = self._connection.execute(
            "SELECT count(*), coalesce(sum(tries >= ?), 0) FROM backlog", (MOST_TRIES,)
        ).fetchone()
        return int(waiting), int(given_up)

    def _mark(self, spans: Iterable[tuple[str, int, int, int]]) -> None:
        with transaction(self._connection):
            self._connection.executemany(_MARK, spans)

    def _each(self, sql: str, stretches: Iterable[Stretch]) -> None:
        keys = [(each.lot, each.probe, each.day) for each in stretches]
        if keys:
            with transaction(self._connection):
                self._connection.executemany(sql, keys)
