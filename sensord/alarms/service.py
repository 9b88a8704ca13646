"""What is out of service, in station.db: nests, probes and hubs that the keeper is at work on, and why."""

from __future__ import annotations

import sqlite3

from sensord.alarms.aside import Taken
from sensord.db import migrate
from sensord.errors import InputError

LONGEST_REASON = 300
_STEPS = (
    """CREATE TABLE out_of_service (
        subject TEXT NOT NULL, since_ms INTEGER NOT NULL, until_ms INTEGER, because TEXT NOT NULL, by TEXT NOT NULL,
        PRIMARY KEY (subject, since_ms)
    ) WITHOUT ROWID""",
)


class Service:
    """What is out of service, with its past. Writes belong inside a transaction of the caller's."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "service", _STEPS)

    def taken(self, at_ms: int) -> dict[str, Taken]:
        """What is out of service at an instant, by subject."""
        rows = self._connection.execute(
            "SELECT subject, since_ms, until_ms, because, by FROM out_of_service "
            "WHERE since_ms <= ?1 AND (until_ms IS NULL OR until_ms > ?1) ORDER BY since_ms",
            (at_ms,),
        ).fetchall()
        return {row[0]: Taken(*row) for row in rows}

    def take(self, taken: Taken) -> None:
        """Take something out of service; what is out already gets the new reason and end.

        Raises:
            InputError: no reason, or an end that is not ahead.
        """
        if not taken.because.strip() or len(taken.because) > LONGEST_REASON:
            raise InputError(f"{taken.subject}: out of service needs a reason of up to {LONGEST_REASON} letters")
        if taken.until_ms is not None and taken.until_ms <= taken.since_ms:
            raise InputError(f"{taken.subject}: being out of service must end in the future, or have no end")
        self._end(taken.subject, taken.since_ms)
        self._connection.execute(
            "INSERT OR REPLACE INTO out_of_service VALUES (?, ?, ?, ?, ?)",
            (taken.subject, taken.since_ms, taken.until_ms, taken.because.strip(), taken.by),
        )

    def bring_back(self, subject: str, at_ms: int) -> None:
        """Back in service.

        Raises:
            InputError: it is not out of service.
        """
        if not self._end(subject, at_ms):
            known = ", ".join(sorted(self.taken(at_ms))) or "nothing"
            raise InputError(f"{subject}: is not out of service; out of service: {known}")

    def _end(self, subject: str, at_ms: int) -> bool:
        changed = self._connection.execute(
            "UPDATE out_of_service SET until_ms = ?2 "
            "WHERE subject = ?1 AND since_ms <= ?2 AND (until_ms IS NULL OR until_ms > ?2)",
            (subject, at_ms),
        )
        return changed.rowcount > 0
