"""The day's round as last made, in station.db, so that what was ticked can be undone after the dashboard was restarted."""

from __future__ import annotations

import sqlite3

from sensord.db import migrate, transaction
from sensord.errors import StoreError

_STEPS = ("CREATE TABLE kept_round (one INTEGER PRIMARY KEY CHECK (one = 1), text TEXT NOT NULL)",)


class KeptRoundText:
    """One text, written by who makes the round. Losing it costs the undo of what was ticked before, nothing else."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "round", _STEPS)

    def get(self) -> str:
        """As last put; empty before.

        Raises:
            StoreError: the database cannot be read.
        """
        try:
            row = self._connection.execute("SELECT text FROM kept_round").fetchone()
        except sqlite3.Error as error:
            raise StoreError(f"database: the round as last made cannot be read ({error})") from error
        return str(row[0]) if row else ""

    def put(self, text: str) -> None:
        """In place of what was there.

        Raises:
            StoreError: the database cannot be written.
        """
        with transaction(self._connection):
            self._connection.execute("INSERT OR REPLACE INTO kept_round VALUES (1, ?)", (text,))
