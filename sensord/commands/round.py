"""``round``: what to do today, in the order of urgency and of the way through the room."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from sensord.clock import DAY_MS, iso, parse_instant, to_ms
from sensord.insight.outlook import NestOutlook
from sensord.keeping.round import Line, Situation, Urgency, round_of, stage_of
from sensord.model import Nest, Place
from sensord.wiring import Room

URGENCY = {Urgency.NOW: "NOW", Urgency.TODAY: "today", Urgency.WHEN_THERE: "when there"}


def add(parser: argparse.ArgumentParser) -> None:
    """Options of ``round``."""
    parser.add_argument("--at", metavar="T", help="as of this instant (ISO 8601 with an offset), using nothing later")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """Print the round."""
    at_ms = to_ms(parse_instant(args.at) if args.at else room.clock.now())
    lines = todays_round(room, at_ms)
    if args.json:
        print(json.dumps({"at": iso(at_ms), "round": [_document(line) for line in lines]}, ensure_ascii=False))
    elif not lines:
        print("Nothing to do today.")
    else:
        Console().print(_table(lines))
    return 0


def todays_round(room: Room, at_ms: int) -> list[Line]:
    """The round of a room, from its registry, outlook and readings, using nothing later than ``at_ms``."""
    alive = room.registry.alive(at_ms)
    nests = [nest for nest in room.registry.nests(at_ms) if nest.name in alive]
    outlook = {one.nest: one for one in room.forecast.at(at_ms)} if nests else {}
    situations = [_situation(room, nest, outlook.get(nest.name), at_ms) for nest in nests]
    return round_of(situations, _calibrated(room, at_ms), at_ms)


def _situation(room: Room, nest: Nest, outlook: NestOutlook | None, at_ms: int) -> Situation:
    species = room.keeping.species_of(nest)
    entries = room.registry.entries(nest=nest.name, until_ms=at_ms + 1)
    days = outlook.days_left if outlook else None
    return Situation(
        nest,
        species,
        stage_of(species, nest, entries),
        room.keeping.season_of(nest, at_ms),
        entries,
        (days.p10, days.p50) if days else None,
        outlook.questions[0].text if outlook and outlook.questions else "",
        _outworld_rh_pct(room, nest, at_ms),
    )


def _outworld_rh_pct(room: Room, nest: Nest, at_ms: int) -> float | None:
    """Mean over the last day."""
    series = room.history.place_series(nest.name, Place.OUTWORLD, at_ms - DAY_MS, at_ms + 1)
    known = [value for value in series.rh_pct if value == value]  # noqa: PLR0124 - NaN is no value
    return sum(known) / len(known) if known else None


def _calibrated(room: Room, at_ms: int) -> Iterator[tuple[str, str, int]]:
    last = {one.probe: one.at_ms for one in room.calibrations.all() if one.at_ms <= at_ms}
    for placement in room.registry.placements(at_ms=at_ms):
        first = min(one.since_ms for one in room.registry.placements(probe=placement.probe))
        yield placement.probe, placement.room, last.get(placement.probe, first)


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
