"""``nestclimate outlook``: when each reservoir runs dry, as a table for people or as JSON."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from sensord.clock import as_of, from_ms
from sensord.insight.outlook import NestOutlook, as_json
from sensord.wiring import Room

_BASIS = {"none": "journal alone"}
_COTTON = {"wet": "wet", "drying": "DRYING", "dry": "DRY", "unknown": "-"}


def add(parser: argparse.ArgumentParser) -> None:
    """Its arguments."""
    parser.add_argument("nests", nargs="*", metavar="NEST", help="only these; default: every nest whose colony lives")
    parser.add_argument("--at", metavar="T", help="as of this instant (ISO 8601 with an offset), using nothing later")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """Print the outlook."""
    at_ms = as_of(args.at, room.clock)
    found = room.forecast.at(at_ms, args.nests)
    if args.json:
        print(json.dumps(as_json(found, at_ms), indent=1))
        return 0
    console = Console()
    if not found:
        console.print("No nest is known yet: 'nestclimate import nests FILE.csv' adds them.")
        return 0
    console.print(table(found, at_ms, room.config.zone))
    for line in questions(found, room.config.zone):
        console.print(line)
    return 0


def table(found: Sequence[NestOutlook], at_ms: int, zone: ZoneInfo) -> Table:
    """Soonest dry first; those nothing can be said about last."""
    shown = Table(title=f"Reservoirs at {_moment(at_ms, zone)}")
    for heading in ("nest", "species", "filled", "left", "runs dry", "between", "cotton", "by"):
        shown.add_column(heading)
    for one in sorted(found, key=_urgency):
        shown.add_row(*(escape(cell) for cell in _cells(one, at_ms, zone)))
    return shown


def questions(found: Sequence[NestOutlook], zone: ZoneInfo) -> list[str]:
    """What only the keeper can answer, one line each, and how to answer it."""
    return [
        escape(
            f"? {one.nest}, {_day(question.since_ms, zone)} to {_day(question.until_ms, zone)}: {question.text} "
            f"If so: nestclimate journal add '{one.nest}' fill --amount ML --at T"
        )
        for one in found
        for question in one.questions
    ]


def in_words(days: float) -> str:
    """Days left as people say it."""
    if days < 0.5:
        return "dry now"
    if days < 1.5:
        return "tomorrow"
    if days < 21:
        return f"in {days:.0f} days"
    if days < 84:
        return f"in {days / 7:.0f} weeks"
    return f"in {days / 30.4:.0f} months" if days < 365 else "not within a year"


def _urgency(one: NestOutlook) -> tuple[bool, float, str]:
    return one.days_left is None, one.days_left.p50 if one.days_left else 0.0, one.nest


def _cells(one: NestOutlook, at_ms: int, zone: ZoneInfo) -> tuple[str, ...]:
    filled = "never noted" if one.filled_at_ms is None else _day(one.filled_at_ms, zone)
    cotton = _COTTON[one.cotton.state]
    dry = one.runs_dry_ms(at_ms)
    if one.water_left_ml is None or one.days_left is None or dry is None:
        return one.nest, one.species, filled, "?", "no fill noted", "", cotton, one.basis
    between = f"{_day(dry[0], zone)} - {_day(dry[2], zone)}" if one.days_left.p10 < 365 else ""
    left = f"{one.water_left_ml.p50:.1f} mL"
    by = _BASIS.get(one.basis, one.basis)
    return one.nest, one.species, filled, left, in_words(one.days_left.p50), between, cotton, by


def _day(at_ms: int, zone: ZoneInfo) -> str:
    return f"{from_ms(at_ms).astimezone(zone):%-d %b %y}"


def _moment(at_ms: int, zone: ZoneInfo) -> str:
    return f"{from_ms(at_ms).astimezone(zone):%Y-%m-%d %H:%M}"
