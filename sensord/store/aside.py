"""What could not be recorded is set aside with its reason: every one counted, the newest ones kept to look at."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sensord.db import migrate, transaction

KEPT = 1_000
HEAD_BYTES = 300

_STEPS = (
    """CREATE TABLE aside (
        id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, topic TEXT NOT NULL, kind TEXT NOT NULL, reason TEXT NOT NULL,
        size INTEGER NOT NULL, head BLOB NOT NULL
    );
    CREATE TABLE aside_counts (kind TEXT PRIMARY KEY, total INTEGER NOT NULL) WITHOUT ROWID""",
)


@dataclass(frozen=True, slots=True)
class SetAside:
    """One message, or one reading of a message, that was not recorded.

    Attributes:
        at_ms: when it came. kind: ``topic``, ``pack``, ``status`` or ``future``; few, so that they can be counted.
        reason: one line. size: bytes in all. head: the first of them, at most HEAD_BYTES.
    """

    at_ms: int
    topic: str
    kind: str
    reason: str
    size: int
    head: bytes


def set_aside(at_ms: int, topic: str, kind: str, reason: str, payload: bytes) -> SetAside:
    """What is kept of a message."""
    return SetAside(at_ms, topic[:300], kind, reason[:500], len(payload), payload[:HEAD_BYTES])


class Aside:
    """The messages set aside, in station.db."""

    def __init__(self, connection: sqlite3.Connection, kept: int = KEPT) -> None:
        self._connection, self._kept = connection, kept
        migrate(connection, "aside", _STEPS)

    def add(self, items: Sequence[SetAside]) -> None:
        """Count all of them, keep the newest. Durable on return."""
        if items:
            with transaction(self._connection):
                self.put(items)

    def put(self, items: Sequence[SetAside]) -> None:
        """The same inside a transaction of the caller's."""
        self._connection.executemany(
            "INSERT INTO aside_counts VALUES (?, ?) ON CONFLICT (kind) DO UPDATE SET total = total + excluded.total",
            Counter(item.kind for item in items).items(),
        )
        self._connection.executemany(
            "INSERT INTO aside (at_ms, topic, kind, reason, size, head) VALUES (?, ?, ?, ?, ?, ?)",
            [(i.at_ms, _text(i.topic), i.kind, _text(i.reason), i.size, i.head) for i in items[-self._kept :]],
        )
        self._connection.execute("DELETE FROM aside WHERE id <= (SELECT max(id) FROM aside) - ?", (self._kept,))

    def counts(self) -> dict[str, int]:
        """How many were ever set aside, by kind."""
        return dict(self._connection.execute("SELECT kind, total FROM aside_counts ORDER BY kind").fetchall())

    def newest(self, limit: int = 20) -> list[SetAside]:
        """The newest first."""
        rows = self._connection.execute(
            "SELECT at_ms, topic, kind, reason, size, head FROM aside ORDER BY id DESC LIMIT ?", (limit,)
        ).fetchall()
        return [SetAside(*row) for row in rows]


def _text(text: str) -> str:
    """Text that can be stored: lone surrogates cannot."""
    return text.encode(errors="backslashreplace").decode()
