"""The station's SQLite file: opened one way, migrated in one transaction, written by BEGIN IMMEDIATE only.

Several processes share the file (record, watch, serve, the command line); each thread has a connection of its own.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from sensord.errors import StoreError

BUSY_TIMEOUT_S = 30.0


def open_db(path: Path | str, *, read_only: bool = False, shared: bool = False) -> sqlite3.Connection:
    """Open (and create, unless read-only) a database in WAL mode, every commit durable.

    ``shared``: several threads use it, the caller guards it with a lock of its own.
    Readers must finish each read (``fetchall``): an open read transaction lets the WAL grow without bound.

    Raises:
        StoreError: the file cannot be opened or is no database.
    """
    try:
        if read_only:
            connection = sqlite3.connect(f"{Path(path).resolve().as_uri()}?mode=ro", uri=True, timeout=BUSY_TIMEOUT_S)
        else:
            Path(path).parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, check_same_thread=not shared)
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA temp_store = MEMORY")
        connection.execute("PRAGMA cache_size = -8000")
        if not read_only:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA journal_size_limit = 16000000")
    except (sqlite3.Error, OSError) as error:
        raise StoreError(f"database {path}: cannot be opened ({error})") from error
    return connection


def identity(path: Path | str) -> tuple[int, int] | None:
    """What tells a file from any other that bears its name later; None where there is none.

    A database that somebody deleted lives on for whoever has it open, and all that is written there is lost at the end.
    """
    try:
        found = Path(path).stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """All or nothing: BEGIN IMMEDIATE, then COMMIT, or ROLLBACK on any error.

    Raises:
        StoreError: the database is full, busy for longer than 30 s, or damaged; nothing was written.
    """
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        full = getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL
        hint = "; make room on the disk of its folder" if full else ""
        raise StoreError(f"database {_file(connection)}: write refused, nothing was changed ({error}){hint}") from error


def _file(connection: sqlite3.Connection) -> str:
    """Its name, as far as the connection can still say."""
    try:
        return next((row[2] for row in connection.execute("PRAGMA database_list").fetchall() if row[2]), "in memory")
    except sqlite3.Error:
        return "of the station"


def migrate(connection: sqlite3.Connection, part: str, steps: Sequence[str]) -> None:
    """Bring one part's tables up to date. Steps are only ever appended; each is SQL statements split by ``;``.

    Every part of the house (store, keeping, alarms, ...) owns its tables and names itself here.

    Raises:
        StoreError: the file was written by a newer version, or a step fails; nothing was changed then.
    """
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migrations (part TEXT PRIMARY KEY, step INTEGER NOT NULL) WITHOUT ROWID"
    )
    if _step(connection, part) == len(steps):
        return
    with transaction(connection):
        done = _step(connection, part)
        if done > len(steps):
            raise StoreError(
                f"database: part {part!r} is at step {done}, this version knows {len(steps)}: install a newer nestclimate"
            )
        for script in steps[done:]:
            for statement in script.split(";"):
                if statement.strip():
                    connection.execute(statement)
        connection.execute("INSERT OR REPLACE INTO migrations VALUES (?, ?)", (part, len(steps)))


def _step(connection: sqlite3.Connection, part: str) -> int:
    row = connection.execute("SELECT step FROM migrations WHERE part = ?", (part,)).fetchone()
    return int(row[0]) if row else 0
