"""Each process of the station leaves a beat; whoever asks can tell which one has stopped."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from sensord.db import migrate, transaction

PROCESSES = ("record", "watch", "serve")
LATE_AFTER_MS = 60_000
BEAT_EVERY_S = 10.0

_STEPS = (
    """CREATE TABLE beats (
        process TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, since_ms INTEGER NOT NULL, pid INTEGER NOT NULL,
        note TEXT NOT NULL
    ) WITHOUT ROWID""",
)


@dataclass(frozen=True, slots=True)
class Beat:
    """The last sign of life of a process. ``note`` is empty, or says in one line what ails it."""

    process: str
    at_ms: int
    since_ms: int
    pid: int
    note: str

    def ok(self, now_ms: int) -> bool:
        """Whether it is alive and has nothing to complain of."""
        return not self.note and now_ms - self.at_ms <= LATE_AFTER_MS


class Beats:
    """The beats table of station.db."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "health", _STEPS)

    def beat(self, process: str, at_ms: int, *, since_ms: int, pid: int, note: str = "") -> None:
        """Leave a beat."""
        with transaction(self._connection):
            self._connection.execute(
                "INSERT OR REPLACE INTO beats VALUES (?, ?, ?, ?, ?)", (process, at_ms, since_ms, pid, note)
            )

    def all(self) -> dict[str, Beat]:
        """The last beat of every process that ever ran here."""
        rows = self._connection.execute("SELECT process, at_ms, since_ms, pid, note FROM beats").fetchall()
        return {row[0]: Beat(*row) for row in rows}
