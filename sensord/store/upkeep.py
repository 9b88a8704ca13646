"""Upkeep of the embedded store in slices, each a short transaction of its own, so that no write waits long."""

from __future__ import annotations

import sqlite3

from sensord.clock import HOUR_MS
from sensord.db import transaction
from sensord.store import schema

_SLICE_ROWS = 20_000
_SLICE_HOURS = 500

_SOME_TOUCHED = f"SELECT probe, hour FROM touched WHERE hour < ?1 ORDER BY probe, hour LIMIT {_SLICE_HOURS}"


def watermark(connection: sqlite3.Connection) -> int:
    """The instant from which on readings are hot, in ms."""
    return int(connection.execute("SELECT value FROM marks WHERE name = 'watermark'").fetchone()[0])


def roll_up(connection: sqlite3.Connection, open_hour: int) -> None:
    """Recompute every touched hour before ``open_hour`` (hours since 1970) from raw."""
    while _roll_up_hot(connection, open_hour) or _roll_up_cold(connection, open_hour):
        pass


def _roll_up_hot(connection: sqlite3.Connection, open_hour: int) -> bool:
    """One hour of all probes: a single run over the hot readings of that hour."""
    first_hot = -(-watermark(connection) // HOUR_MS)
    find = "SELECT min(hour) FROM touched WHERE hour >= ? AND hour < ?"
    if connection.execute(find, (first_hot, open_hour)).fetchone()[0] is None:
        return False
    with transaction(connection):
        hour = connection.execute(find, (-(-watermark(connection) // HOUR_MS), open_hour)).fetchone()[0]
        if hour is not None:
            connection.execute(schema.ROLL_UP_HOT_HOUR, (hour,))
            connection.execute("DELETE FROM touched WHERE hour = ?", (hour,))
    return True


def _roll_up_cold(connection: sqlite3.Connection, open_hour: int) -> bool:
    find = "SELECT 1 FROM touched WHERE hour < ? LIMIT 1"
    if connection.execute(find, (min(open_hour, watermark(connection) // HOUR_MS),)).fetchone() is None:
        return False
    with transaction(connection):
        before = min(open_hour, watermark(connection) // HOUR_MS)
        connection.execute(
            "INSERT OR REPLACE INTO hours " + schema.ROLL_UP["readings"].format(touched=_SOME_TOUCHED), (before,)
        )
        connection.execute(f"DELETE FROM touched WHERE (probe, hour) IN ({_SOME_TOUCHED})", (before,))
    return True


def move_hot(connection: sqlite3.Connection, until_ms: int) -> None:
    """Move readings before ``until_ms`` (a full hour) from hot to readings; the watermark rises with them."""
    while watermark(connection) < until_ms:
        with transaction(connection):
            end_ms = _slice_end(connection, until_ms)
            connection.execute(
                "INSERT OR IGNORE INTO readings SELECT probe, at_ms, temp, rh FROM hot WHERE at_ms < ? "
                "ORDER BY probe, at_ms",
                (end_ms,),
            )
            connection.execute("DELETE FROM hot WHERE at_ms < ?", (end_ms,))
            connection.execute("UPDATE marks SET value = max(value, ?) WHERE name = 'watermark'", (end_ms,))


def _slice_end(connection: sqlite3.Connection, until_ms: int) -> int:
    """The full hour after so many hot readings, at most ``until_ms``: no hour is ever half hot."""
    row = connection.execute(f"SELECT at_ms FROM hot ORDER BY at_ms LIMIT 1 OFFSET {_SLICE_ROWS}").fetchone()
    return until_ms if row is None else min(until_ms, (row[0] // HOUR_MS + 1) * HOUR_MS)
