"""The calibrations table of station.db."""

from __future__ import annotations

import sqlite3
from dataclasses import astuple

from sensord.air.calibration import Calibration
from sensord.clock import iso
from sensord.db import migrate, transaction
from sensord.errors import InputError
from sensord.model import check_probe

_STEPS = (
    """CREATE TABLE calibrations (
        probe TEXT NOT NULL, at_ms INTEGER NOT NULL, method TEXT NOT NULL, temp_offset_c REAL NOT NULL,
        temp_sd_c REAL NOT NULL, rh_gain REAL NOT NULL, rh_offset_pct REAL NOT NULL, rh_sd_pct REAL NOT NULL,
        note TEXT NOT NULL, PRIMARY KEY (probe, at_ms)
    ) WITHOUT ROWID""",
)
_COLUMNS = "probe, at_ms, method, temp_offset_c, temp_sd_c, rh_gain, rh_offset_pct, rh_sd_pct, note"


class Calibrations:
    """Every calibration ever made; none is overwritten."""

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
                "nothing was changed: use a later window"
            )
        return row is None

    def for_probe(self, probe: str) -> list[Calibration]:
        """Those of one probe, ascending in time."""
        return self._select("WHERE probe = ? ORDER BY at_ms", (probe,))

    def all(self) -> list[Calibration]:
        """All of them, by probe, ascending in time."""
        return self._select("ORDER BY probe, at_ms", ())

    def _select(self, rest: str, values: tuple[str, ...]) -> list[Calibration]:
        rows = self._connection.execute(f"SELECT {_COLUMNS} FROM calibrations {rest}", values).fetchall()
        return [Calibration(*row) for row in rows]
