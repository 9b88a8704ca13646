"""Readings whose time lies more than a day ahead of this station's clock, in station.db: they wait until it gets there.

A station without a battery clock starts days behind after a power cut, while its hubs know the time and send at once.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from sensord.db import migrate, transaction
from sensord.model import Reading

MOST = 500_000
DUE_AT_ONCE = 20_000

_STEPS = (
    """CREATE TABLE ahead (
        at_ms INTEGER NOT NULL, probe TEXT NOT NULL, temp_c REAL, rh_pct REAL, PRIMARY KEY (at_ms, probe)
    ) WITHOUT ROWID""",
)


class Ahead:
    """What waits; the first value of a (probe, at_ms) counts. Beyond ``MOST`` the farthest ahead are given up."""

    def __init__(self, connection: sqlite3.Connection, most: int = MOST) -> None:
        self._connection, self._most = connection, most
        migrate(connection, "ahead", _STEPS)

    def put(self, readings: Sequence[Reading]) -> None:
        """Keep some, inside a transaction of the caller's."""
        self._connection.executemany(
            "INSERT OR IGNORE INTO ahead VALUES (?, ?, ?, ?)",
            [(each.at_ms, each.probe, each.temp_c, each.rh_pct) for each in readings],
        )
        over = self.count() - self._most
        if over > 0:
            self._connection.execute(
                "DELETE FROM ahead WHERE (at_ms, probe) IN (SELECT at_ms, probe FROM ahead ORDER BY at_ms DESC LIMIT ?)",
                (over,),
            )

    def due(self, until_ms: int) -> list[Reading]:
        """The earliest of those at or before an instant, at most ``DUE_AT_ONCE``."""
        rows = self._connection.execute(
            "SELECT probe, at_ms, temp_c, rh_pct FROM ahead WHERE at_ms <= ? ORDER BY at_ms, probe LIMIT ?",
            (until_ms, DUE_AT_ONCE),
        ).fetchall()
        return [Reading(*row) for row in rows]

    def forget(self, readings: Sequence[Reading]) -> None:
        """They are stored. Durable on return."""
        with transaction(self._connection) as connection:
            connection.executemany(
                "DELETE FROM ahead WHERE at_ms = ? AND probe = ?", [(each.at_ms, each.probe) for each in readings]
            )

    def count(self) -> int:
        """How many wait."""
        return int(self._connection.execute("SELECT count(*) FROM ahead").fetchone()[0])
