"""Checks of probes that left no calibration: the keeper held a probe against something trusted, and it was right."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from sensord.db import migrate, transaction
from sensord.errors import InputError, NotThereError, StoreError
from sensord.model import check_probe

LONGEST_NOTE = 300
_STEPS = (
    """CREATE TABLE hand_checks (
        id INTEGER PRIMARY KEY AUTOINCREMENT, probe TEXT NOT NULL, at_ms INTEGER NOT NULL, note TEXT NOT NULL,
        by TEXT NOT NULL, withdrawn_by TEXT, withdrawn_ms INTEGER
    );
    CREATE UNIQUE INDEX hand_checks_key ON hand_checks (probe, at_ms) WHERE withdrawn_ms IS NULL""",
)


@dataclass(frozen=True, slots=True)
class HandCheck:
    """A probe was checked at an instant: how, and who says so."""

    id: int
    probe: str
    at_ms: int
    note: str
    by: str


class HandChecks:
    """The checks in station.db. The round asks for a probe again a year after the last of them, or of its calibrations."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "hand_checks", _STEPS)

    def add(self, probe: str, at_ms: int, note: str = "", by: str = "") -> HandCheck:
        """Keep one; the same probe and instant again is the same check.

        Raises:
            InputError: no name of a probe, or too long a note.
        """
        if len(note) > LONGEST_NOTE:
            raise InputError(f"note: has {len(note)} characters; allowed are up to {LONGEST_NOTE}")
        with transaction(self._connection):
            self._connection.execute(
                "INSERT OR IGNORE INTO hand_checks (probe, at_ms, note, by) VALUES (?, ?, ?, ?)",
                (check_probe(probe), at_ms, note, by),
            )
            return next(one for one in self._select("AND probe = ?", probe) if one.at_ms == at_ms)

    def withdraw(self, id_: int, by: str, at_ms: int) -> HandCheck:
        """Take one back; it is kept aside with who did so and when. Twice changes nothing.

        Raises:
            NotThereError: there never was one of that number.
        """
        with transaction(self._connection):
            found = self._select("OR id = ?", id_)
            one = next((one for one in found if one.id == id_), None)
            if one is None:
                raise NotThereError(f"check {id_}: there is no such check of a probe")
            self._connection.execute(
                "UPDATE hand_checks SET withdrawn_by = ?, withdrawn_ms = ? WHERE id = ? AND withdrawn_ms IS NULL",
                (by, at_ms, id_),
            )
        return one

    def all(self, until_ms: int | None = None) -> list[HandCheck]:
        """Those up to an instant (None: all), ascending in time."""
        return self._select("AND (?1 IS NULL OR at_ms <= ?1)", until_ms)

    def last(self, until_ms: int) -> dict[str, int]:
        """When each probe was last checked so, up to an instant."""
        return {one.probe: one.at_ms for one in self.all(until_ms)}

    def _select(self, where: str, value: str | int | None) -> list[HandCheck]:
        sql = (
            f"SELECT id, probe, at_ms, note, by FROM hand_checks WHERE withdrawn_ms IS NULL {where} ORDER BY at_ms, id"
        )
        try:
            return [HandCheck(*row) for row in self._connection.execute(sql, (value,)).fetchall()]
        except sqlite3.Error as error:
            raise StoreError(f"database: the checks of probes cannot be read ({error})") from error
