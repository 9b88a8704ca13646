"""``nestclimate import``: nests, placements, journal and readings from CSV files. Repeating one changes nothing."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, TextIO

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from sensord.access.shell_user import shell_user
from sensord.clock import to_ms
from sensord.errors import InputError
from sensord.keeping.changes import Signed
from sensord.keeping.outlook_cache import OutlookCache
from sensord.keeping.placements import overlaps
from sensord.keeping.tables import COLUMNS, Table, read_table
from sensord.store import readings_csv
from sensord.store.base import Written
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments."""
    parser.add_argument("table", choices=tuple(COLUMNS), help="what the file holds")
    parser.add_argument("file", type=Path, metavar="FILE.csv", help="CSV with a header line")
    parser.add_argument("--skip-bad", action="store_true", help="leave bad rows out instead of refusing the file")
    parser.add_argument("--json", action="store_true", help="the summary as JSON")


def run(args: argparse.Namespace, room: Room) -> int:
    """Import one file: all of it, or nothing where a row is bad and --skip-bad was not given."""
    with _open(args.file) as file, _bar(args.file, file) as bar:
        try:
            if args.table == "readings":
                summary = _readings(args, room, file, bar)
            else:
                summary = _small(args, room, file)
        except InputError as error:
            raise InputError(*(_named(args.file, line) for line in error.problems)) from error
    _print(args, summary)
    return 0


def _small(args: argparse.Namespace, room: Room, file: TextIO) -> dict[str, int]:
    found = read_table(file, args.table, to_ms(room.clock.now()))
    if args.table == "placements":
        _refuse_clashes_with_known(found, room)
    _refuse(args, found.bad, len(found.rows))
    rows, withdrawn = [row for _, row in found.rows], {}
    registry, signed = room.registry, Signed(shell_user(), to_ms(room.clock.now()))
    if args.table == "nests":
        changed = registry.put_nests(rows, signed=signed)
    elif args.table == "placements":
        changed = registry.put_placements(rows, signed=signed)
    else:
        kept = registry.not_withdrawn(rows)
        changed = registry.add_entries(kept)
        withdrawn = {"withdrawn": len(rows) - len(kept)} if len(kept) < len(rows) else {}
    known = len(rows) - changed
    return {"rows": len(rows) + len(found.bad), "new": changed, "known": known, "bad": len(found.bad), **withdrawn}


def _refuse_clashes_with_known(found: Table, room: Room) -> None:
    given = [row for _, row in found.rows]
    keys = {(row.probe, row.since_ms) for row in given}
    known = [row for row in room.registry.placements() if (row.probe, row.since_ms) not in keys]
    clashes = dict(overlaps(given, known))
    found.bad = sorted([*found.bad, *((found.rows[index][0], text) for index, text in clashes.items())])
    found.rows = [row for index, row in enumerate(found.rows) if index not in clashes]


def _readings(args: argparse.Namespace, room: Room, file: TextIO, bar: Bar) -> dict[str, int]:
    now_ms = to_ms(room.clock.now())
    with TemporaryFile(dir=room.database.parent) as spooled:
        good, bad = readings_csv.spool(file, spooled, now_ms, lambda _rows: bar.read())
        _refuse(args, bad, good)
        spooled.seek(0)
        lowest: dict[str, float] = {}
        stored = _store(room, spooled, now_ms, bar.storing(good), lowest)
    for doubt in readings_csv.doubts(lowest):
        print(f"nestclimate: {_named(args.file, doubt)}", file=sys.stderr)
    return {"rows": good + len(bad), "new": stored.stored, "known": stored.repeated, "bad": len(bad)}


def _store(room: Room, spooled: IO[bytes], now_ms: int, bar: Bar, lowest: dict[str, float]) -> Written:
    """Store what was spooled; ``lowest`` gets the lowest temperature of each probe in it."""
    store = room.store
    store.maintain(now_ms)  # tells the store which readings are old, so that they go where old ones belong at once
    stored = repeated = 0
    for rows in readings_csv.chunks(spooled):
        written = store.write_rows(rows)
        readings_csv.lowest_of(rows, lowest)
        stored, repeated = stored + written.stored, repeated + written.repeated
        bar.advance(len(rows))
    store.maintain(now_ms)
    if stored:
        OutlookCache(room.connection).forget()  # it learned from a past that has more in it now
    return Written(stored, repeated)


def _refuse(args: argparse.Namespace, bad: list[tuple[int, str]], good: int) -> None:
    """Name every bad row; end here unless they may be skipped."""
    problems = [_named(args.file, f"line {line}: {text}") for line, text in bad]
    if bad and not args.skip_bad:
        raise InputError(
            *problems, f"{args.file}: {len(bad)} bad {'row' if len(bad) == 1 else 'rows'}, nothing was imported; mend "
            f"{'it' if len(bad) == 1 else 'them'}, or add --skip-bad to import the {good} good ones",
        )  # fmt: skip
    for problem in problems:
        print(f"nestclimate: {problem}", file=sys.stderr)


def _named(file: Path, problem: str) -> str:
    return problem if problem.startswith(f"{file}: ") else f"{file}: {problem}"


def _print(args: argparse.Namespace, summary: dict[str, int]) -> None:
    if args.json:
        print(json.dumps({"file": str(args.file), "table": args.table, **summary}))
    else:
        skipped = f", {summary['bad']} bad rows left out" if summary["bad"] else ""
        if "withdrawn" in summary:
            skipped += (
                f", {summary['withdrawn']} of them withdrawn and left so ('nestclimate journal list --withdrawn')"
            )
        print(
            f"{args.file}: {summary['new']} {args.table} rows new or changed, {summary['known']} known before{skipped}"
        )


@contextmanager
def _open(path: Path) -> Iterator[TextIO]:
    try:
        # A row that is no UTF-8 passes here, so that it can be told by its line like any other bad row.
        file = path.open(encoding="utf-8-sig", errors="surrogateescape", newline="")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    with file:
        yield file


class Bar:
    """Progress on standard error: how much of the file is read, then how many rows are stored."""

    def __init__(self, progress: Progress, file: TextIO, size: int) -> None:
        self._progress, self._file = progress, file
        self._task = progress.add_task("checking", total=size)

    def read(self) -> None:
        """As far as the file has been read."""
        self._progress.update(self._task, completed=self._file.buffer.tell())

    def storing(self, rows: int) -> Bar:
        """Begin the second half."""
        self._progress.update(self._task, completed=0, total=max(rows, 1), description="storing")
        return self

    def advance(self, rows: int) -> None:
        """So many rows more."""
        self._progress.advance(self._task, rows)


@contextmanager
def _bar(path: Path, file: TextIO) -> Iterator[Bar]:
    console = Console(stderr=True)
    columns = (TextColumn("{task.description} " + path.name), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeRemainingColumn(), console=console, disable=not console.is_terminal) as progress:
        yield Bar(progress, file, path.stat().st_size)
