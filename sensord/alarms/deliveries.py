"""Messages and their deliveries in station.db: one row a message and route, kept until the other side accepted it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sensord.clock import HOUR_MS, SECOND_MS, iso
from sensord.db import migrate, transaction
from sensord.model import Priority

FIRST_RETRY_MS = 5 * SECOND_MS
LONGEST_RETRY_MS = HOUR_MS // 4

_STEPS = (
    """CREATE TABLE messages (
        id TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, priority TEXT NOT NULL, topic TEXT NOT NULL, title TEXT NOT NULL,
        body TEXT NOT NULL
    ) WITHOUT ROWID;
    CREATE INDEX messages_at ON messages (at_ms);
    CREATE TABLE message_alarms (
        message TEXT NOT NULL, alarm TEXT NOT NULL, PRIMARY KEY (message, alarm)
    ) WITHOUT ROWID;
    CREATE INDEX message_alarms_alarm ON message_alarms (alarm);
    CREATE TABLE deliveries (
        message TEXT NOT NULL, route TEXT NOT NULL, tries INTEGER NOT NULL, next_ms INTEGER NOT NULL,
        tried_ms INTEGER, accepted_ms INTEGER, error TEXT NOT NULL, PRIMARY KEY (message, route)
    ) WITHOUT ROWID;
    CREATE TABLE news (
        number INTEGER PRIMARY KEY, alarm TEXT NOT NULL, what TEXT NOT NULL, priority TEXT NOT NULL,
        UNIQUE (alarm, what, priority)
    );
    CREATE INDEX deliveries_due ON deliveries (route, next_ms) WHERE accepted_ms IS NULL""",
)


@dataclass(frozen=True, slots=True)
class Message:
    """What the keeper is told. ``topic`` says what it is about: messages of one topic are grouped.

    Attributes:
        id: the same for the same news, so that nothing is told twice.
        alarms: ids of the alarms it tells of.
    """

    id: str
    at_ms: int
    priority: Priority
    topic: str
    title: str
    body: str
    alarms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Due:
    """A message that a route still owes."""

    message: Message
    route: str
    tries: int


@dataclass(frozen=True, slots=True)
class Telling:
    """A message that told of an alarm: when, under which topic, how urgent."""

    at_ms: int
    topic: str
    priority: Priority


class Deliveries:
    """The outbox of the push, and its log."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "deliveries", _STEPS)

    def keep_news(self, what: str, alarm: str, priority: Priority) -> None:
        """Keep what the keeper should hear until a message tells it, inside the caller's transaction."""
        self._connection.execute(
            "INSERT OR IGNORE INTO news (alarm, what, priority) VALUES (?, ?, ?)", (alarm, what, str(priority))
        )

    def news(self) -> list[tuple[int, str, str]]:
        """What no message has told yet: number, what, and the alarm's id, oldest first."""
        return self._connection.execute("SELECT number, what, alarm FROM news ORDER BY number").fetchall()

    def drop_news(self, numbers: Iterable[int]) -> None:
        """A message tells it now, inside the caller's transaction."""
        self._connection.executemany("DELETE FROM news WHERE number = ?", [(number,) for number in numbers])

    def add(self, message: Message, routes: Iterable[str]) -> None:
        """Put a message into the outbox of its routes, inside the caller's transaction. A known one changes nothing."""
        known = self._connection.execute("SELECT 1 FROM messages WHERE id = ?", (message.id,)).fetchone()
        if known:
            return
        self._connection.execute(
            "INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?)",
            (message.id, message.at_ms, str(message.priority), message.topic, message.title, message.body),
        )
        self._connection.executemany(
            "INSERT INTO message_alarms VALUES (?, ?)", [(message.id, alarm) for alarm in message.alarms]
        )
        self._connection.executemany(
            "INSERT INTO deliveries VALUES (?, ?, 0, ?, NULL, NULL, '')",
            [(message.id, route, message.at_ms) for route in routes],
        )

    def next_due(self, route: str, now_ms: int) -> Due | None:
        """The oldest message that the route should try now; a wait longer than any there is comes from a moved clock."""
        row = self._connection.execute(
            """SELECT m.id, m.at_ms, m.priority, m.topic, m.title, m.body, d.tries FROM deliveries d
               JOIN messages m ON m.id = d.message
               WHERE d.route = ? AND d.accepted_ms IS NULL AND (d.next_ms <= ? OR d.next_ms > ?)
               ORDER BY m.at_ms, m.id LIMIT 1""",
            (route, now_ms, now_ms + LONGEST_RETRY_MS),
        ).fetchone()
        if row is None:
            return None
        return Due(Message(row[0], row[1], Priority(row[2]), row[3], row[4], row[5]), route, row[6])

    def accepted(self, due: Due, at_ms: int) -> None:
        """The other side took it."""
        with transaction(self._connection):
            self._connection.execute(
                "UPDATE deliveries SET tries = tries + 1, tried_ms = ?, accepted_ms = ?, error = '' "
                "WHERE message = ? AND route = ?",
                (at_ms, at_ms, due.message.id, due.route),
            )

    def refused(self, due: Due, at_ms: int, error: str, *, least_wait_ms: int = 0) -> None:
        """It was not taken: it waits, each time twice as long, 15 minutes at most, and is tried again."""
        wait_ms = max(least_wait_ms, min(LONGEST_RETRY_MS, FIRST_RETRY_MS << min(due.tries, 10)))
        with transaction(self._connection):
            self._connection.execute(
                "UPDATE deliveries SET tries = tries + 1, tried_ms = ?, next_ms = ?, error = ? "
                "WHERE message = ? AND route = ?",
                (at_ms, at_ms + wait_ms, error, due.message.id, due.route),
            )

    def recent(self, topic: str, since_ms: int) -> list[int]:
        """Instants of messages about a topic since then; of all topics where ``topic`` is empty."""
        rows = self._connection.execute(
            "SELECT at_ms FROM messages WHERE at_ms >= ? AND (? = '' OR topic = ?) ORDER BY at_ms",
            (since_ms, topic, topic),
        ).fetchall()
        return [row[0] for row in rows]

    def tellings(self, alarm: str) -> list[Telling]:
        """Every message that tells of an alarm, oldest first."""
        rows = self._connection.execute(
            "SELECT m.at_ms, m.topic, m.priority FROM message_alarms a JOIN messages m ON m.id = a.message "
            "WHERE a.alarm = ? ORDER BY m.at_ms, m.id",
            (alarm,),
        ).fetchall()
        return [Telling(at_ms, topic, Priority(priority)) for at_ms, topic, priority in rows]

    def told(self, alarms: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
        """What was told of each alarm: when, to which route, and whether it was accepted."""
        found: dict[str, list[dict[str, Any]]] = {alarm: [] for alarm in alarms}
        rows = self._connection.execute(
            """SELECT a.alarm, coalesce(d.accepted_ms, d.tried_ms, m.at_ms), d.route, d.accepted_ms IS NOT NULL
               FROM message_alarms a JOIN messages m ON m.id = a.message JOIN deliveries d ON d.message = m.id
               ORDER BY 2, 3"""
        ).fetchall()
        for alarm, at_ms, route, accepted in rows:
            if alarm in found:
                found[alarm].append({"at": iso(at_ms), "to": route, "ok": bool(accepted)})
        return found

    def waiting(self) -> dict[str, int]:
        """How many messages each route still owes."""
        rows = self._connection.execute(
            "SELECT route, count(*) FROM deliveries WHERE accepted_ms IS NULL GROUP BY route"
        ).fetchall()
        return dict(rows)
