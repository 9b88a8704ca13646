"""``nestclimate review``: what the climate did before a die-off, and whether it is consistent with it."""

from __future__ import annotations

import argparse
import json

from sensord.clock import parse_instant, to_ms
from sensord.insight.review import as_json
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Its arguments."""
    parser.add_argument("nest", metavar="NEST")
    parser.add_argument("--at", metavar="T", help="as of this instant (ISO 8601 with an offset), using nothing later")
    parser.add_argument("--days", type=float, default=30.0, metavar="N", help="how far back to look (default: 30)")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    parser.add_argument("--out", metavar="FILE.html", help="a report to keep or print, and its data as CSV beside it")


def run(args: argparse.Namespace, room: Room) -> int:
    """Review one nest."""
    at_ms = to_ms(parse_instant(args.at) if args.at else room.clock.now())
    found = room.reviewing.review(args.nest, at_ms, args.days)
    if args.json:
        print(json.dumps(as_json(found), indent=1, ensure_ascii=False))
        return 0
    print(found.verdict.because)
    print(found.check_next)
    return 0
