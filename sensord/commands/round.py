"""``round``: what to do today, in the order of urgency and of the way through the room."""

from __future__ import annotations

import argparse
import json

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from sensord.clock import as_of, iso
from sensord.keeping.round import Line, Urgency
from sensord.wiring import Room

URGENCY = {Urgency.NOW: "NOW", Urgency.TODAY: "today", Urgency.WHEN_THERE: "when there"}


def add(parser: argparse.ArgumentParser) -> None:
    """Options of ``round``."""
    parser.add_argument("--at", metavar="T", help="as of this instant (ISO 8601 with an offset), using nothing later")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """Print the round."""
    at_ms = as_of(args.at, room.clock)
    lines = room.rounds.at(at_ms)
    if args.json:
        print(json.dumps({"at": iso(at_ms), "round": [_document(line) for line in lines]}, ensure_ascii=False))
    elif not lines:
        print("Nothing to do today.")
    else:
        Console().print(_table(lines))
    return 0


def _document(line: Line) -> dict[str, object]:
    return {
        "task": line.task,
        "urgency": line.urgency,
        "room": line.room,
        "rack": line.rack,
        "nest": line.nest,
        "due": iso(line.due_ms),
        "why": line.why,
        "done": line.done_kind,
    }


def _table(lines: list[Line]) -> Table:
    shown = Table("", "where", "nest", "what", "why", title=f"{len(lines)} things to do")
    for line in lines:
        where = " ".join(part for part in (line.room, line.rack) if part)
        cells = (URGENCY[line.urgency], where, line.nest or "", line.task.replace("_", " "), line.why)
        shown.add_row(*(escape(cell) for cell in cells))
    return shown
