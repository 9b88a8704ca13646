"""The embedded store where it is more than its port: crashes, full disk, damage, plans, layout, upkeep."""

from __future__ import annotations

import random
import resource
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from crash_writer import PROBES
from store_contract import same_hours

from sensord.clock import DAY_MS, HOUR_MS
from sensord.errors import StoreError
from sensord.model import Reading
from sensord.store import schema, upkeep
from sensord.store.memory import MemoryStore
from sensord.store.sqlite import SqliteStore

NOON_MS = 1_775_044_800_000  # 2026-04-01T12:00Z
HERE = Path(__file__).parent


def scans(first_ms: int, count: int, every_ms: int = 60_000, probes: int = 8) -> list[Reading]:
    """Some plain scans."""
    return [
        Reading(f"a/p{probe}", first_ms + scan * every_ms, 20 + probe + scan / 1000, 50.0)
        for scan in range(count)
        for probe in range(probes)
    ]


@pytest.mark.slow
def test_a_killed_writer_loses_no_acknowledged_scan(tmp_path: Path):
    """SIGKILL at random, 25 times: every acknowledged scan is there, whole, once; roll-ups are right; integrity ok."""
    path, chance = tmp_path / "station.db", random.Random(7)
    acknowledged = -1
    for _ in range(25):
        command = [sys.executable, str(HERE / "crash_writer.py"), str(path), str(acknowledged + 1)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            for _ in range(chance.randint(1, 120)):
                acknowledged = int(writer.stdout.readline())
            writer.kill()
            for line in writer.stdout:
                acknowledged = int(line) if line.endswith("\n") else acknowledged
    with closing(sqlite3.connect(path)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    store, model = SqliteStore(path), MemoryStore()
    whole, torn = divmod(store.count(), PROBES)
    assert torn == 0
    assert whole >= acknowledged + 1
    model.write([r for batch in store.stream(0, 2 * NOON_MS) for r in batch])
    assert model.count() == store.count()
    assert [store.raw("a/p0", 0, 2 * NOON_MS).at_ms[i] for i in range(acknowledged + 1)] == [
        NOON_MS + scan * 600_000 for scan in range(acknowledged + 1)
    ]
    assert all(same_hours(store.hours(p, 0, 2 * NOON_MS), model.hours(p, 0, 2 * NOON_MS)) for p in store.probes())
    store.close()


FULL_DISK = """
import resource, signal, sys
from sensord.errors import StoreError
from sensord.model import Reading
from sensord.store.sqlite import SqliteStore
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
store = SqliteStore(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, resource.RLIM_INFINITY))
written = 0
try:
    while True:
        store.write([Reading("a/b", written + i, 20.0, 50.0) for i in range(500)])
        written += 500
except StoreError as error:
    print(written, "\\n" not in str(error), str(error))
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(store.count())
print(store.write([Reading("a/b", written + i, 20.0, 50.0) for i in range(500)]).stored)
"""


def test_a_full_disk_refuses_the_write_and_keeps_what_there_is(tmp_path: Path):
    """No room: one clear line, nothing half written; with room again it goes on."""
    answer = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(tmp_path / "s.db")], capture_output=True, text=True, check=True
    )
    refused, count, again = answer.stdout.splitlines()
    written, one_line, text = refused.split(maxsplit=2)
    assert int(written) > 0
    assert one_line == "True"
    assert "nothing was changed" in text
    assert count == written
    assert again == "500"
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY


@pytest.mark.parametrize("replaced", [True, False])
def test_a_file_that_somebody_deletes_takes_no_more(tmp_path: Path, *, replaced: bool):
    """What is written there would be gone with this process: the recorder must give no receipt for it."""
    store = SqliteStore(tmp_path / "station.db")
    store.write([Reading("a/p", 1, 20.0, 50.0)])
    for file in tmp_path.iterdir():
        file.rename(f"{file}.away")
    if replaced:
        SqliteStore(tmp_path / "station.db").close()
    with pytest.raises(StoreError, match="was deleted or replaced while in use; start this process again"):
        store.write([Reading("a/p", 2, 20.0, 50.0)])
    store.close()


def test_a_file_that_is_no_database_is_named(tmp_path: Path):
    """Something else under that name: one line with the path."""
    path = tmp_path / "station.db"
    path.write_bytes(b"this is a shopping list, not a database\n" * 400)
    with pytest.raises(StoreError, match=r"station\.db") as told:
        SqliteStore(path)
    assert len(told.value.problems) == 1


def test_a_damaged_page_is_one_clear_line(tmp_path: Path):
    """Pages overwritten in the middle: reading says so with the path, and keeps the file."""
    path = tmp_path / "station.db"
    store = SqliteStore(path)
    store.maintain(NOON_MS)
    store.write(scans(NOON_MS - 20 * DAY_MS, 5000))
    store.close()
    with path.open("r+b") as file:
        for page in range(20, path.stat().st_size // 4096, 3):
            file.seek(page * 4096)
            file.write(b"\x07" * 4096)
    with pytest.raises(StoreError, match=r"station\.db.*restore a backup"):
        list(SqliteStore(path).stream(0, 2 * NOON_MS))


def test_the_latest_never_scans_the_history(tmp_path: Path):
    """The planner goes through the small table and looks the rest up by key, whatever is in the big ones."""
    store = SqliteStore(tmp_path / "s.db")
    store.write(scans(NOON_MS, 50))
    plan = " | ".join(row[3] for row in store._db.execute("EXPLAIN QUERY PLAN " + schema.LATEST))
    assert plan.startswith("SCAN latest | SEARCH probes USING INTEGER PRIMARY KEY")


@pytest.mark.parametrize("table", ["hot", "readings"])
def test_touched_hours_are_found_by_key(table: str, tmp_path: Path):
    """Counting touched hours from raw seeks in the readings; it never scans them."""
    store = SqliteStore(tmp_path / "s.db")
    sql = schema.ROLL_UP[table].format(touched=schema.TOUCHED_OF_PROBE)
    plan = [row[3] for row in store._db.execute("EXPLAIN QUERY PLAN " + sql, (1, 0, 1))]
    assert any(step.startswith("SEARCH touched USING PRIMARY KEY") for step in plan)
    assert any(step.startswith("SEARCH r USING PRIMARY KEY") for step in plan)
    assert not any(step.startswith("SCAN") for step in plan)


def test_upkeep_moves_old_rows_in_slices(tmp_path: Path):
    """After upkeep, yesterday and today are hot, all else is not, and no hour is touched but the open one."""
    store = SqliteStore(tmp_path / "s.db")
    first_ms = NOON_MS - 10 * DAY_MS
    store.write(scans(first_ms, 10 * 1440 + 1))
    steps: list[int] = []
    store._db.set_trace_callback(lambda sql: steps.append(1) if sql == "COMMIT" else None)
    store.maintain(NOON_MS)
    assert len(steps) > 5
    yesterday_ms = NOON_MS // DAY_MS * DAY_MS - DAY_MS
    assert store._db.execute("SELECT min(at_ms) FROM hot").fetchone()[0] == yesterday_ms
    assert store._db.execute("SELECT max(at_ms) FROM readings").fetchone()[0] == yesterday_ms - 60_000
    assert store._db.execute("SELECT DISTINCT hour FROM touched").fetchall() == [(NOON_MS // HOUR_MS,)]
    assert upkeep.watermark(store._db) == yesterday_ms


def test_upkeep_with_nothing_to_do_writes_nothing(tmp_path: Path):
    """Called again it does not even begin a transaction."""
    store = SqliteStore(tmp_path / "s.db")
    store.write(scans(NOON_MS - DAY_MS, 100))
    store.maintain(NOON_MS)
    before = store._db.total_changes
    store.maintain(NOON_MS)
    store.maintain(NOON_MS - 30 * DAY_MS)  # a clock that stepped back
    assert store._db.total_changes == before


def test_a_stream_holds_no_transaction(tmp_path: Path):
    """Between batches another process may write and the log can be emptied; rows of the future part are seen."""
    store, other = SqliteStore(tmp_path / "s.db"), SqliteStore(tmp_path / "s.db")
    store.write(scans(NOON_MS, 600))
    stream = store.stream(0, 2 * NOON_MS)
    seen = len(next(stream))
    other.write([Reading("b/late", NOON_MS + DAY_MS, 1.0, 1.0)])
    assert other._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
    assert seen + sum(len(batch) for batch in stream) == 600 * 8 + 1


def test_two_writers_share_the_file(tmp_path: Path):
    """A second process's new probes and its upkeep are respected."""
    one, two = SqliteStore(tmp_path / "s.db"), SqliteStore(tmp_path / "s.db")
    one.write([Reading("a/x", NOON_MS - 9 * DAY_MS, 1.0, 1.0)])
    two.write([Reading("a/y", NOON_MS - 9 * DAY_MS, 2.0, 2.0)])
    two.maintain(NOON_MS)
    one.write([Reading("a/y", NOON_MS - 9 * DAY_MS, 3.0, 3.0), Reading("a/z", NOON_MS, 4.0, 4.0)])
    assert {name: r.temp_c for name, r in two.latest().items()} == {"a/x": 1.0, "a/y": 2.0, "a/z": 4.0}
    assert one.count() == 3
