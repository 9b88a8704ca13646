"""The receipts given to each outbox, in station.db, so that a recorder that starts again goes on where it was."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from sensord.db import migrate
from sensord.link.receipts import Receipt

_STEPS = (
    """CREATE TABLE receipts (
        hub TEXT NOT NULL, spool TEXT NOT NULL, upto INTEGER NOT NULL, heard_at_ms INTEGER NOT NULL,
        PRIMARY KEY (hub, spool)
    ) WITHOUT ROWID""",
)


class GivenReceipts:
    """Up to which sequence number each (hub, spool) is stored."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "receipts", _STEPS)

    def upto(self, hub: str, spool: str) -> int | None:
        """The receipt given; None for an outbox never heard of."""
        row = self._connection.execute("SELECT upto FROM receipts WHERE hub = ? AND spool = ?", (hub, spool)).fetchone()
        return None if row is None else int(row[0])

    def put(self, receipts: Mapping[tuple[str, str], int], at_ms: int) -> None:
        """Note receipts inside a transaction of the caller's."""
        self._connection.executemany(
            "INSERT OR REPLACE INTO receipts VALUES (?, ?, ?, ?)",
            [(hub, spool, upto, at_ms) for (hub, spool), upto in receipts.items()],
        )

    def current(self) -> dict[str, Receipt]:
        """For every hub the receipt of the outbox heard last: that one is on its topic."""
        rows = self._connection.execute("SELECT hub, spool, upto FROM receipts ORDER BY heard_at_ms, spool").fetchall()
        return {hub: Receipt(spool, upto) for hub, spool, upto in rows}
