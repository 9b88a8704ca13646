"""Who changed nests and placements, when, and from what to what: kept beside them in station.db."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

Key = tuple[str, int | None]
"""Name of a nest or probe, and since when that state or placement holds."""
Row = Mapping[str, Any]
"""In the columns of the CSV tables."""

STEP = """CREATE TABLE changes (
    number INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, by TEXT NOT NULL, what TEXT NOT NULL, name TEXT NOT NULL,
    since_ms INTEGER, nest_before TEXT, nest_after TEXT, before TEXT, after TEXT
);
CREATE INDEX changes_before ON changes (nest_before);
CREATE INDEX changes_after ON changes (nest_after)"""


@dataclass(frozen=True, slots=True)
class Signed:
    """Who writes, and when."""

    by: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Change:
    """A state of a nest or a placement that was written (no ``before``), replaced, or taken out (no ``after``)."""

    at_ms: int
    by: str
    table: str
    key: Key
    before: Row | None
    after: Row | None


class Changes:
    """The log; ``Registry`` makes its table and writes inside transactions of its own.

    Args:
        rows: every row of ``nests`` or ``placements`` as it stands, by its key.
        read: rows of a query and its values.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        rows: Callable[[str], Mapping[Key, Row]],
        read: Callable[..., list[Any]],
    ) -> None:
        self._connection, self._rows, self._read = connection, rows, read

    @contextmanager
    def noted(self, signed: Signed | None, table: str, keys: Collection[Key]) -> Iterator[None]:
        """Note what is done to these rows meanwhile; nothing where nobody signed."""
        before = self._rows(table) if signed else {}
        yield
        if signed is None:
            return
        after = self._rows(table)
        changed = [key for key in dict.fromkeys(keys) if before.get(key) != after.get(key)]
        self._connection.executemany(
            "INSERT INTO changes VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(signed.at_ms, signed.by, table, *key, *_told(before.get(key), after.get(key))) for key in changed],
        )

    def of_nest(self, nest: str) -> list[Change]:
        """Every change of a nest and of the probes in it, as they were made."""
        rows = self._read(
            """SELECT at_ms, by, what, name, since_ms, before, after FROM changes
            WHERE nest_before = ?1 OR nest_after = ?1 ORDER BY number""",
            nest,
        )
        return [
            Change(
                at_ms, by, table, (name, since_ms), *(json.loads(text) if text else None for text in (before, after))
            )
            for at_ms, by, table, name, since_ms, before, after in rows
        ]


def _told(*states: Row | None) -> list[str | None]:
    """The nests before and after, then both rows as text."""
    nests = [None if row is None else row["nest"] for row in states]
    return [*nests, *(None if row is None else json.dumps(row, ensure_ascii=False) for row in states)]
