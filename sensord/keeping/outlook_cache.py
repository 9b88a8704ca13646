"""What the outlook learned up to a checkpoint, kept in station.db so that nothing is read twice; it can be rebuilt any time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from sensord.clock import LATEST_MS, Clock, to_ms
from sensord.db import migrate, transaction
from sensord.errors import StoreError

_STEPS = (
    """CREATE TABLE outlook_state (
        nest TEXT PRIMARY KEY, upto_ms INTEGER NOT NULL, digest TEXT NOT NULL, state BLOB NOT NULL
    ) WITHOUT ROWID""",
)


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """State of one nest's outlook at ``upto_ms``; ``digest`` tells whether what it came from has changed since."""

    nest: str
    upto_ms: int
    digest: str
    state: bytes


class OutlookCache:
    """Checkpoints in a table of station.db. Losing them costs time, never knowledge.

    Args:
        clock: where given, a checkpoint of the future is not kept: an outlook asked for next year knows nothing of the
            readings to come, and would stand in the way of every outlook until then.
    """

    def __init__(self, connection: sqlite3.Connection, clock: Clock | None = None) -> None:
        self._connection, self._clock = connection, clock
        migrate(connection, "outlook", _STEPS)

    def all(self) -> dict[str, Checkpoint]:
        """The checkpoint of every nest that has one."""
        try:
            rows = self._connection.execute("SELECT nest, upto_ms, digest, state FROM outlook_state").fetchall()
        except sqlite3.Error as error:
            raise StoreError(f"database: what the outlook learned cannot be read ({error})") from error
        return {row[0]: Checkpoint(*row) for row in rows}

    def put(self, checkpoints: Iterable[Checkpoint]) -> None:
        """Keep these, in place of older ones of the same nests."""
        now_ms = LATEST_MS if self._clock is None else to_ms(self._clock.now())
        rows = [(one.nest, one.upto_ms, one.digest, one.state) for one in checkpoints if one.upto_ms <= now_ms]
        if rows:
            with transaction(self._connection):
                self._connection.executemany("INSERT OR REPLACE INTO outlook_state VALUES (?, ?, ?, ?)", rows)

    def drop(self, nests: Iterable[str]) -> None:
        """Drop the checkpoints of these nests."""
        with transaction(self._connection):
            self._connection.executemany("DELETE FROM outlook_state WHERE nest = ?", [(nest,) for nest in nests])

    def forget(self, from_ms: int | None = None) -> None:
        """Drop checkpoints after an instant (None: all): readings or entries of before came in late."""
        with transaction(self._connection):
            self._connection.execute("DELETE FROM outlook_state WHERE ?1 IS NULL OR upto_ms > ?1", (from_ms,))


class OutlookMemory:
    """Checkpoints of one process alone, for an outlook of the past that must not touch what the station has learned."""

    def __init__(self) -> None:
        self._kept: dict[str, Checkpoint] = {}

    def all(self) -> dict[str, Checkpoint]:
        """The checkpoint of every nest that has one."""
        return dict(self._kept)

    def put(self, checkpoints: Iterable[Checkpoint]) -> None:
        """Keep these, in place of older ones of the same nests."""
        self._kept.update((one.nest, one) for one in checkpoints)

    def drop(self, nests: Iterable[str]) -> None:
        """Drop the checkpoints of these nests."""
        for nest in nests:
            self._kept.pop(nest, None)
