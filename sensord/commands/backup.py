"""``backup``: a whole copy of station.db while the station runs."""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from sensord.clock import from_ms, to_ms
from sensord.db import open_db
from sensord.errors import InputError, StoreError
from sensord.wiring import Room

PREFIX, SUFFIX = "station-", ".db"


def add(parser: argparse.ArgumentParser) -> None:
    """Where to, and how many to keep."""
    parser.add_argument("--to", required=True, metavar="FOLDER", help="best on another disk than the station's")
    parser.add_argument("--keep", type=int, default=14, metavar="N", help="newest copies to keep there (default: 14)")


def run(args: argparse.Namespace, room: Room) -> int:
    """Copy, check the copy, then let the oldest go. Whatever fails, the copies that are there stay."""
    if args.keep < 1:
        raise InputError(f"--keep {args.keep}: allowed is 1 or more")
    if not room.database.exists():
        raise InputError(f"{room.database}: there is nothing to back up yet")
    at = from_ms(to_ms(room.clock.now()))
    copy = back_up(room.database, Path(args.to), f"{PREFIX}{at:%Y-%m-%dT%H%M%SZ}{SUFFIX}")
    for old in sorted(Path(args.to).glob(f"{PREFIX}*Z{SUFFIX}"))[: -args.keep]:
        old.unlink()
    print(f"{copy}: {copy.stat().st_size / 1e6:.1f} MB, whole")
    return 0


def back_up(database: Path, folder: Path, name: str) -> Path:
    """A copy under its name only once it is whole and on disk.

    Raises:
        StoreError: no room, or either of them cannot be read or written; nothing is left behind.
    """
    draft = folder / f"{name}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        free, wanted = shutil.disk_usage(folder).free, database.stat().st_size
        if free < wanted:
            raise StoreError(f"backup {folder}: {free / 1e6:.0f} MB are free, up to {wanted / 1e6:.0f} MB are needed")
        draft.unlink(missing_ok=True)
        with closing(open_db(database, read_only=True)) as source:
            source.execute("VACUUM INTO ?", (str(draft),))
        _check(draft)
        with draft.open("rb") as written:
            os.fsync(written.fileno())
        return draft.rename(folder / name)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"backup {folder / name}: failed ({error}); what was there before is untouched") from error
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def _check(copy: Path) -> None:
    with closing(open_db(copy, read_only=True)) as opened:
        verdict = opened.execute("PRAGMA quick_check(1)").fetchone()[0]
    if verdict != "ok":
        raise sqlite3.DatabaseError(verdict.splitlines()[-1])
