"""The calibrations table of station.db."""

from __future__ import annotations

import bisect
import sqlite3
from collections.abc import Sequence
from dataclasses import astuple
from typing import TYPE_CHECKING

from sensord.air.calibration import Calibration, pieces
from sensord.clock import iso
from sensord.db import migrate, transaction
from sensord.errors import InputError
from sensord.model import check_probe

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_STEPS = (
    """CREATE TABLE calibrations (
        probe TEXT NOT NULL, at_ms INTEGER NOT NULL, method TEXT NOT NULL, temp_offset_c REAL NOT NULL,
        temp_sd_c REAL NOT NULL, rh_gain REAL NOT NULL, rh_offset_pct REAL NOT NULL, rh_sd_pct REAL NOT NULL,
        note TEXT NOT NULL, PRIMARY KEY (probe, at_ms)
    ) WITHOUT ROWID""",
    """CREATE TABLE calibrations_withdrawn (
        id INTEGER PRIMARY KEY, withdrawn_at_ms INTEGER NOT NULL, probe TEXT NOT NULL, at_ms INTEGER NOT NULL,
        method TEXT NOT NULL, temp_offset_c REAL NOT NULL, temp_sd_c REAL NOT NULL, rh_gain REAL NOT NULL,
        rh_offset_pct REAL NOT NULL, rh_sd_pct REAL NOT NULL, note TEXT NOT NULL
    )""",
)
_COLUMNS = "probe, at_ms, method, temp_offset_c, temp_sd_c, rh_gain, rh_offset_pct, rh_sd_pct, note"


class Calibrations:
    """Every calibration that holds; none is overwritten, one that is taken back is kept aside."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "calibrations", _STEPS)

    def add(self, calibration: Calibration) -> bool:
        """Keep one; whether it is new (the very same again changes nothing).

        Raises:
            InputError: the probe has another calibration of the same instant.
        """
        check_probe(calibration.probe)
        with transaction(self._connection):
            row = self._connection.execute(
                f"SELECT {_COLUMNS} FROM calibrations WHERE probe = ? AND at_ms = ?",
                (calibration.probe, calibration.at_ms),
            ).fetchone()
            if row is None:
                self._connection.execute(
                    "INSERT INTO calibrations VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", astuple(calibration)
                )
        if row is not None and Calibration(*row) != calibration:
            raise InputError(
                f"probe {calibration.probe}: has another calibration of {iso(calibration.at_ms)}; "
                "nothing was changed: use a later window, or withdraw that one first"
            )
        return row is None

    def withdraw(self, probe: str, at_ms: int, now_ms: int) -> None:
        """Take one back; it is kept aside.

        Args:
            at_ms: of the calibration. now_ms: the present.

        Raises:
            InputError: the probe has none of that instant.
        """
        with transaction(self._connection) as connection:
            where = "FROM calibrations WHERE probe = ? AND at_ms = ?"
            moved = connection.execute(
                f"INSERT INTO calibrations_withdrawn (withdrawn_at_ms, {_COLUMNS}) SELECT ?, {_COLUMNS} {where}",
                (now_ms, probe, at_ms),
            ).rowcount
            connection.execute(f"DELETE {where}", (probe, at_ms))
        if not moved:
            known = ", ".join(iso(each.at_ms) for each in self.for_probe(probe)) or "none"
            raise InputError(f"probe {probe}: has no calibration of {iso(at_ms)}; there are: {known}")

    def for_probe(self, probe: str) -> list[Calibration]:
        """Those of one probe, ascending in time."""
        return self._select("WHERE probe = ? ORDER BY at_ms", (probe,))

    def all(self) -> list[Calibration]:
        """All of them, by probe, ascending in time."""
        return self._select("ORDER BY probe, at_ms", ())

    def apply(
        self, probe: str, at_ms: Sequence[int], temp_c: NDArray[np.float64], rh_pct: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Readings of one probe, ascending in time, as calibrated, each by what holds at its instant."""
        known = self.for_probe(probe)
        if not known or not len(at_ms):
            return temp_c, rh_pct
        temp_c, rh_pct = temp_c.copy(), rh_pct.copy()
        for start, end, calibration in pieces(known, at_ms[0], at_ms[-1] + 1):
            part = slice(bisect.bisect_left(at_ms, start), bisect.bisect_left(at_ms, end))
            if calibration is not None:
                temp_c[part], rh_pct[part] = calibration.correct(temp_c[part], rh_pct[part])
        return temp_c, rh_pct

    def version(self) -> str:
        """A text that changes whenever one is added or taken back."""
        counted = "SELECT (SELECT COUNT(*) FROM calibrations), (SELECT COUNT(*) FROM calibrations_withdrawn)"
        return "-".join(map(str, self._connection.execute(counted).fetchone()))

    def _select(self, rest: str, values: tuple[str, ...]) -> list[Calibration]:
        rows = self._connection.execute(f"SELECT {_COLUMNS} FROM calibrations {rest}", values).fetchall()
        return [Calibration(*row) for row in rows]
