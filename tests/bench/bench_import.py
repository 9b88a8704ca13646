"""How fast readings come in, beside the plain way; and what a live scan writes to the disk.

Plain: csv.DictReader, one INSERT OR IGNORE a row into one table, a commit each 50,000 rows, same durability. Both read
the same file in the same run and must end with the same number of rows.
Usage: python tests/bench/bench_import.py [--smoke] [--rows N]
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from argparse import Namespace
from contextlib import closing, redirect_stderr, redirect_stdout
from csv import DictReader
from datetime import UTC, datetime, timedelta
from io import StringIO
from itertools import islice
from pathlib import Path

from sensord.clock import DAY_MS, SystemClock, to_ms
from sensord.commands import import_
from sensord.config import load_config
from sensord.model import Reading
from sensord.store.sqlite import SqliteStore
from sensord.wiring import Room

START = datetime(2023, 1, 1, tzinfo=UTC)
COMMIT_ROWS = 50_000
LEAST_ROWS_PER_S = 100_000
MOST_BYTES_A_READING = 800


def make_file(path: Path, rows: int, probes: int) -> None:
    """A logger's file: scans of so many probes, a minute apart, in order of time."""
    with path.open("w") as file:
        file.write("at,probe,temp_c,rh_pct\n")
        for number in range(rows):
            scan, probe = divmod(number, probes)
            at = (START + timedelta(minutes=scan)).isoformat()
            file.write(
                f"{at},rack-1/p{probe},{20 + (number * 7919 % 800) / 100:.2f},{40 + number * 104729 % 5000 / 100:.2f}\n"
            )


def plain(source: Path, database: Path) -> int:
    """The plain way."""
    with closing(sqlite3.connect(database)) as connection, source.open(newline="") as file:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(
            "CREATE TABLE readings (probe TEXT, at TEXT, temp_c REAL, rh_pct REAL, PRIMARY KEY (probe, at))"
        )
        reader = DictReader(file)
        while rows := list(islice(reader, COMMIT_ROWS)):
            for row in rows:
                values = (row["probe"], row["at"], float(row["temp_c"]), float(row["rh_pct"]))
                connection.execute("INSERT OR IGNORE INTO readings VALUES (?, ?, ?, ?)", values)
            connection.commit()
        return connection.execute("SELECT count(*) FROM readings").fetchone()[0]


def ours(source: Path, folder: Path) -> int:
    """``nestclimate import readings`` in this process."""
    folder.mkdir()
    (folder / "station.toml").write_text("[station]\n")
    room = Room(load_config(folder), SystemClock())
    with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        import_.run(Namespace(table="readings", file=source, skip_bad=False, json=False), room)
    count = room.store.count()
    room.store.close()
    return count


def bytes_a_reading(folder: Path, scans: int, probes: int) -> float:
    """Bytes this process hands to the disk a reading, live: a durable commit a scan, upkeep each minute."""

    def written() -> int:
        lines = Path("/proc/self/io").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])

    store, start_ms = SqliteStore(folder / "live.db"), to_ms(START) // DAY_MS * DAY_MS
    before = written()
    for scan in range(scans):
        at_ms = start_ms + scan * 60_000
        store.write([Reading(f"rack-1/p{p}", at_ms, 20 + (scan + p) % 97 / 100, 50.0) for p in range(probes)])
        store.maintain(at_ms)
    store.close()
    return (written() - before) / (scans * probes)


def timed(work, *given) -> tuple[float, int]:
    """Seconds, and what the work returned."""
    began = time.perf_counter()
    result = work(*given)
    return time.perf_counter() - began, result


def main(arguments: list[str] | None = None) -> int:
    """Print the figures; 1 where a bound is missed (not in --smoke)."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="a small file, no bounds")
    parser.add_argument("--rows", type=int, default=1_000_000)
    args = parser.parse_args(arguments)
    rows = 20_000 if args.smoke else args.rows
    scans = 200 if args.smoke else 3 * 1440
    missed = False
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for probes in (1, 128):
            source = folder / f"{probes}.csv"
            make_file(source, rows, probes)
            plain_s, plain_rows = timed(plain, source, folder / f"plain{probes}.db")
            our_s, our_rows = timed(ours, source, folder / f"ours{probes}")
            assert plain_rows == our_rows == rows, (plain_rows, our_rows, rows)
            missed |= rows / our_s < LEAST_ROWS_PER_S
            print(
                f"import of {rows} rows of {probes} probes: ours {rows / our_s:,.0f} rows/s (checked, durable, rolled up), "
                f"plain {rows / plain_s:,.0f} rows/s (no checks, no roll-up), ratio {plain_s / our_s:.2f}"
            )
        live = bytes_a_reading(folder, scans, 128)
        missed |= live > MOST_BYTES_A_READING
        print(f"live, 128 probes, {scans} scans, a durable commit each: {live:,.0f} bytes written a reading "
              f"({live * 128 * 1440 / 1e6:,.0f} MB/day at one scan a minute)")  # fmt: skip
    return int(missed and not args.smoke)


if __name__ == "__main__":
    sys.exit(main())
