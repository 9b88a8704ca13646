"""``nestclimate review``: what the climate did before a die-off, and whether it is consistent with it."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from pathlib import Path

from sensord.alarms.lifecycle import Alarm
from sensord.clock import HOUR_MS, parse_instant, to_ms
from sensord.errors import InputError, NestclimateError
from sensord.forewarning import warned
from sensord.insight.review import Review, as_json
from sensord.insight.review_report import Happened, csv_rows, html_of
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Its arguments."""
    parser.add_argument("nest", metavar="NEST")
    parser.add_argument("--at", metavar="T", help="as of this instant (ISO 8601 with an offset), using nothing later")
    parser.add_argument("--days", type=float, default=30.0, metavar="N", help="how far back to look (default: 30)")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    parser.add_argument(
        "--out", metavar="FILE.html", help="a report to keep or print, and its data as FILE.csv beside it"
    )


def run(args: argparse.Namespace, room: Room) -> int:
    """Review one nest."""
    at_ms = to_ms(parse_instant(args.at) if args.at else room.clock.now())
    out = _out(args.out)
    found = room.reviewing.review(args.nest, at_ms, args.days)
    if out:
        _write(out, found, room)
        print(f"{out} and {out.with_suffix('.csv')} written", file=sys.stderr)
    if args.json:
        print(json.dumps(as_json(found), indent=1, ensure_ascii=False))
        return 0
    print(found.verdict.because)
    print(f"Check next: {found.check_next}")
    for one in found.findings:
        print(f"  {one.cause.replace('_', ' '):16} {one.support:.2f}  {one.because}")
    return 0


def _out(given: str | None) -> Path | None:
    if given is None:
        return None
    out = Path(given)
    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"review: --out {given}: allowed is a file that ends in .html")
    if not out.parent.is_dir():
        raise InputError(f"review: --out {given}: there is no folder {out.parent}")
    return out


def _write(out: Path, found: Review, room: Room) -> None:
    case = found.case
    entries = room.registry.entries(nest=case.nest, from_ms=case.from_ms, until_ms=case.until_ms + 1)
    alarms = [one for one in room.alarm_log.since(case.from_ms, case.until_ms) if one.nest == case.nest]
    happened = [
        Happened(one.at_ms, str(one.kind).replace("_", " "),
                 f"{'' if one.amount is None else f'{one.amount:g}'} {one.unit} {one.note}".strip())
        for one in entries
    ] + [Happened(one.raised_ms, f"alarm: {one.kind}", _reaction(one)) for one in alarms]  # fmt: skip
    happened.sort(key=lambda one: one.at_ms)
    page = html_of(found, happened, room.config.zone, room=room.config.station.name, warned=warned(found, room))
    try:
        out.write_text(page, encoding="utf-8")
        with out.with_suffix(".csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(csv_rows(found))
    except OSError as error:
        raise NestclimateError(f"review: --out {out}: cannot be written ({error.strerror})") from error


def _reaction(alarm: Alarm) -> str:
    if alarm.acknowledged_ms is None:
        return "nobody acknowledged it"
    return f"acknowledged after {(alarm.acknowledged_ms - alarm.raised_ms) / HOUR_MS:.1f} h by {alarm.acknowledged_by}"
