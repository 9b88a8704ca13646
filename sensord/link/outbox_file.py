"""The file of an outbox: claimed by one process, checked, moved aside when damaged, and read as far as it still can be."""

from __future__ import annotations

import fcntl
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from sensord.db import migrate, open_db
from sensord.errors import InputError, StoreError
from sensord.link.clockfix import EARLIEST_MS
from sensord.link.senml import LATEST_S, QUANTITIES
from sensord.model import check_probe

_READINGS = """SELECT seq, scan, (SELECT name FROM boots WHERE id = boot), mono_ms, at_ms, probe, temp_c, rh_pct
    FROM waiting NOT INDEXED"""


def claim(path: Path) -> Any:
    """The lock file of an outbox, held until it is closed.

    Raises:
        StoreError: another process holds it.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = Path(f"{path}.lock").open("a")  # noqa: SIM115 - held as long as the outbox lives
    except OSError as error:
        raise StoreError(f"outbox {path}: cannot be written ({error})") from error
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        raise StoreError(f"outbox {path}: another 'nestclimate sense' uses it; stop that one first") from None
    return file


def sound(path: Path, steps: Sequence[str]) -> sqlite3.Connection:
    """Open and check the file.

    Raises:
        StoreError: it cannot be opened, or is damaged.
    """
    connection = open_db(path, shared=True)
    try:
        _check(connection)
        migrate(connection, "outbox", steps)
    except sqlite3.Error as error:
        connection.close()
        raise StoreError(f"outbox {path}: cannot be read ({error})") from error
    except StoreError:
        connection.close()
        raise
    return connection


def _check(connection: sqlite3.Connection) -> None:
    verdict = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if verdict != "ok":
        raise sqlite3.DatabaseError(verdict.splitlines()[-1])


def is_damage(error: StoreError) -> bool:
    """Whether the file itself is bad; a full disk or a missing right (an OperationalError) is not that."""
    cause = error.__cause__
    return isinstance(cause, sqlite3.DatabaseError) and not isinstance(cause, sqlite3.OperationalError)


def move_aside(path: Path) -> Path:
    """Give a file and what belongs to it another name, which is returned."""
    number = 1
    while (target := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(target)
    _move_log(path, target)
    return target


def move_leftovers_aside(path: Path) -> None:
    """The log of a file that was deleted must not be taken for that of a new one."""
    _move_log(path, path.with_name(f"{path.name}.deleted"))


def _move_log(path: Path, target: Path) -> None:
    for suffix in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            Path(f"{path}{suffix}").rename(f"{target}{suffix}")


def readable(connection: sqlite3.Connection) -> Iterator[tuple[Any, ...]]:
    """Waiting readings of a damaged file that can be read, make sense and are of one hub: (scan, name of the boot, mono_ms, at_ms, probe,
    temp_c, rh_pct), from the oldest on as far as it goes, then from the newest back.
    """
    hub = ""
    for row in _from_both_ends(connection):
        if _makes_sense(*row[3:]):
            hub = hub or row[5].rpartition("/")[0]
            if row[5].rpartition("/")[0] == hub:
                yield row[1:]


def _from_both_ends(connection: sqlite3.Connection) -> Iterator[tuple[Any, ...]]:
    upto = 0
    for row in _as_far_as_it_goes(connection, f"{_READINGS} ORDER BY seq"):
        upto = row[0]
        yield row
    yield from _as_far_as_it_goes(connection, f"{_READINGS} WHERE seq > ? ORDER BY seq DESC", upto)


def _as_far_as_it_goes(connection: sqlite3.Connection, statement: str, *values: int) -> Iterator[tuple[Any, ...]]:
    with suppress(sqlite3.Error):
        yield from connection.execute(statement, values)


def _makes_sense(mono_ms: Any, at_ms: Any, probe: Any, temp_c: Any, rh_pct: Any) -> bool:
    """SQLite keeps no checksums: what a damaged page holds may look like a row."""
    if not isinstance(mono_ms, int) or not isinstance(probe, str):
        return False
    if at_ms is not None and not (isinstance(at_ms, int) and EARLIEST_MS <= at_ms < LATEST_S * 1000):
        return False
    try:
        check_probe(probe)
    except InputError:
        return False
    return _is_air(temp_c, "temperature") and _is_air(rh_pct, "humidity")


def _is_air(value: Any, quantity: str) -> bool:
    _, low, high = QUANTITIES[quantity]
    return value is None or (isinstance(value, int | float) and low <= value <= high)
