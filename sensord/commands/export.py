"""``nestclimate export``: the tables out again, as CSV or Parquet. What comes out can be imported elsewhere."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress

from sensord.alarms.log import document
from sensord.clock import LATEST_MS, iso
from sensord.keeping.table_files import write_table
from sensord.keeping.tables import COLUMNS, table_rows
from sensord.wiring import Room

_ALARMS = (
    "id", "nest", "probe", "place", "kind", "priority", "state", "raised_at", "returned_at", "acknowledged_at", "worst",
    "limit",
)  # fmt: skip
_NUMBERS = {
    "bore_mm", "chamber_mm", "reservoir_ml", "distance_mm", "amount", "temp_c", "rh_pct", "worst", "limit",
}  # fmt: skip
_INSTANTS = {"at", "since", "until", "raised_at", "returned_at", "acknowledged_at"}


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments."""
    parser.add_argument("table", choices=(*COLUMNS, "alarms"), help="what to export")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="ends in .csv or .parquet")
    parser.add_argument("--json", action="store_true", help="the summary as JSON")


def run(args: argparse.Namespace, room: Room) -> int:
    """Export one table."""
    names = COLUMNS.get(args.table, _ALARMS)
    rows = write_table(args.out, {name: _kind(name) for name in names}, _batches(args.table, room))
    if args.json:
        print(json.dumps({"file": str(args.out), "table": args.table, "rows": rows}))
    else:
        print(f"{args.out}: {rows} {args.table} rows")
    return 0


def _kind(name: str) -> str:
    return "number" if name in _NUMBERS else "instant" if name in _INSTANTS else "text"


def _batches(table: str, room: Room) -> Iterable[list[tuple[Any, ...]]]:
    if table == "readings":
        return _readings(room)
    if table == "alarms":
        return [_alarms(room)]
    return [table_rows(table, room.registry)]


def _readings(room: Room) -> Iterator[list[tuple[Any, ...]]]:
    store = room.store
    total = store.count()
    console = Console(stderr=True)
    with Progress(console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("exporting", total=total)
        for batch in store.stream(-(2**60), LATEST_MS + 1):
            yield [(iso(reading.at_ms), reading.probe, reading.temp_c, reading.rh_pct) for reading in batch]
            progress.advance(task, len(batch))


def _alarms(room: Room) -> list[tuple[Any, ...]]:
    documents = [document(alarm, []) for alarm in room.alarm_log.since(0)]
    return [tuple(found[name] for name in _ALARMS) for found in documents]
