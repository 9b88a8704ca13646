"""The database: all or nothing, migrations once, clear words when something is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.db import migrate, open_db, transaction
from sensord.errors import StoreError
from sensord.health import LATE_AFTER_MS, Beats

STEP = "CREATE TABLE ants (n INTEGER PRIMARY KEY)"


def test_a_failed_transaction_leaves_nothing(tmp_path: Path) -> None:
    connection = open_db(tmp_path / "station.db")
    migrate(connection, "ants", [STEP])

    def write_twice() -> None:
        with transaction(connection):
            connection.execute("INSERT INTO ants VALUES (1)")
            connection.execute("INSERT INTO ants VALUES (1)")

    with pytest.raises(StoreError, match="nothing was changed"):
        write_twice()
    assert connection.execute("SELECT count(*) FROM ants").fetchone() == (0,)


def test_a_full_disk_is_told_with_the_file_and_what_to_do(tmp_path: Path) -> None:
    """The limit of pages makes SQLite itself answer that the disk is full."""
    connection = open_db(tmp_path / "station.db")
    migrate(connection, "ants", ["CREATE TABLE ants (n TEXT)"])
    connection.execute("PRAGMA max_page_count = 3")

    def write_much() -> None:
        with transaction(connection):
            connection.execute("INSERT INTO ants VALUES (?)", ("x" * 100_000,))

    with pytest.raises(StoreError, match=r"station\.db: write refused, nothing was changed .*full\); make room"):
        write_much()


def test_migrations_run_once_and_a_newer_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "station.db"
    for _ in range(2):
        migrate(open_db(path), "ants", [STEP])
    migrate(open_db(path), "ants", [STEP, "ALTER TABLE ants ADD COLUMN legs INTEGER"])
    with pytest.raises(StoreError, match="install a newer nestclimate"):
        migrate(open_db(path), "ants", [STEP])


def test_a_failing_migration_changes_nothing(tmp_path: Path) -> None:
    connection = open_db(tmp_path / "station.db")
    with pytest.raises(StoreError):
        migrate(connection, "ants", [STEP, "NONSENSE"])
    migrate(connection, "ants", [STEP])
    assert connection.execute("SELECT count(*) FROM ants").fetchone() == (0,)


def test_commits_are_durable_and_readers_do_not_block(tmp_path: Path) -> None:
    writer, reader = open_db(tmp_path / "station.db"), open_db(tmp_path / "station.db")
    assert writer.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert writer.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL, see sqlite.org/pragma.html
    migrate(writer, "ants", [STEP])
    with transaction(writer):
        writer.execute("INSERT INTO ants VALUES (1)")
        assert reader.execute("SELECT count(*) FROM ants").fetchone() == (0,)
    assert reader.execute("SELECT count(*) FROM ants").fetchone() == (1,)


def test_a_file_that_is_no_database_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "station.db"
    path.write_text("not a database, but long enough to look like a file of some sort" * 20)
    with pytest.raises(StoreError, match=r"station\.db: cannot be opened") as caught:
        open_db(path)
    assert len(caught.value.problems) == 1


def test_a_read_only_connection_needs_the_file(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"none\.db"):
        open_db(tmp_path / "none.db", read_only=True)


def test_a_beat_goes_stale(tmp_path: Path) -> None:
    beats = Beats(open_db(tmp_path / "station.db"))
    beats.beat("record", 1_000, since_ms=500, pid=7)
    beats.beat("watch", 1_000, since_ms=500, pid=8, note="the store is full")
    found = beats.all()
    assert found["record"].ok(1_000 + LATE_AFTER_MS)
    assert not found["record"].ok(1_001 + LATE_AFTER_MS)
    assert not found["watch"].ok(1_000)
