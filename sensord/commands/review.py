"""``nestclimate review``: what the climate did before a die-off, and whether it is consistent with it."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from html import escape
from pathlib import Path

from rich.console import Console

from sensord.clock import as_of, parse_instant, to_ms
from sensord.errors import InputError, NestclimateError
from sensord.insight import comparison, in_common
from sensord.insight.in_common import InCommon
from sensord.insight.review import as_json
from sensord.insight.review_article import Reviewed
from sensord.insight.review_report import TOO_FEW, csv_rows, csv_text, document, html_of
from sensord.reports import Reports
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Its arguments."""
    parser.add_argument("nest", metavar="NEST", nargs="+", help="one; of several deaths also what they have in common")
    parser.add_argument("--at", metavar="T", help="as of this instant (ISO 8601 with an offset), using nothing later")
    parser.add_argument("--days", type=float, default=30.0, metavar="N", help="how far back to look (default: 30)")
    parser.add_argument("--beside", metavar="NEST", help="held beside another nest, or the same at another time")
    parser.add_argument(
        "--beside-at", metavar="T", help="the other's last instant (default: the same; of the same nest a year before)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document")
    parser.add_argument(
        "--out", metavar="FILE.html", help="a report to keep or print, and its data as FILE.csv beside it"
    )


def run(args: argparse.Namespace, room: Room) -> int:
    """Review one nest, several, or two side by side."""
    at_ms = as_of(args.at, room.clock)
    out = _out(args.out)
    if args.beside or args.beside_at:
        return _beside(args, room, at_ms, out)
    if len(args.nest) == 1 and not out:
        return _alone(args, room, at_ms)
    found, common = Reports(room).several(args.nest, at_ms, args.days, _meanwhile)
    if out:
        _write(out, html_of(found, common, room=room.config.station.name), found)
    if args.json:
        told = {"reviews": [as_json(one.review) for one in found], "in_common": common and in_common.as_json(common)}
        print(json.dumps(told if len(found) > 1 else as_json(found[0].review), indent=1, ensure_ascii=False))
    else:
        _say(found, common)
    return 0


def _alone(args: argparse.Namespace, room: Room, at_ms: int) -> int:
    """One review in words or as JSON needs no timeline."""
    found = room.reviewing.review(args.nest[0], at_ms, args.days, _meanwhile)
    if args.json:
        print(json.dumps(as_json(found), indent=1, ensure_ascii=False))
        return 0
    print(found.verdict.because)
    print(f"Check next: {found.check_next}")
    for one in found.findings:
        print(f"  {one.cause.replace('_', ' '):16} {one.support:.2f}  {one.because}")
    return 0


def _say(found: Sequence[Reviewed], common: InCommon | None) -> None:
    if len(found) > 1:
        print(TOO_FEW if common is None else common.because)
    for one in found:
        review = one.review
        name = f"{review.case.nest}: " if len(found) > 1 else ""
        print(f"{name}{review.verdict.because}")
        print(f"  Check next: {review.check_next}")
        print(f"  {one.warned}")
        for each in review.findings:
            print(f"  {each.cause.replace('_', ' '):16} {each.support:.2f}  {each.because}")


def _beside(args: argparse.Namespace, room: Room, at_ms: int, out: Path | None) -> int:
    if len(args.nest) != 1:
        raise InputError(f"review --beside: {len(args.nest)} nests before it: allowed is one, and one behind --beside")
    beside_ms = to_ms(parse_instant(args.beside_at)) if args.beside_at else None
    left, right = Reports(room).beside(
        (args.nest[0], at_ms), (args.beside or args.nest[0], beside_ms), args.days, _meanwhile
    )
    if out:
        names = f"{left.review.case.nest} beside {right.review.case.nest}"
        body = f"<h1>{escape(room.config.station.name)}</h1>{comparison.article(left, right)}"
        _write(out, document(names, body, csv_text([left, right]), names), [left, right])
    if args.json:
        print(json.dumps(comparison.as_json(left, right), indent=1, ensure_ascii=False))
        return 0
    for one in (left, right):
        print(f"{one.review.case.nest}: {one.review.verdict.because}")
    for row in comparison.rows_of(left, right):
        print(f"  {row.what:32} {comparison.cell(row.left, row.unit)} | {comparison.cell(row.right, row.unit)}")
    return 0


def _meanwhile(words: str) -> None:
    """What is being done, on standard error, a line a step whether somebody watches or not."""
    Console(stderr=True).print(f"{words} …", style="dim", markup=False, highlight=False, soft_wrap=True)


def _out(given: str | None) -> Path | None:
    if given is None:
        return None
    out = Path(given)
    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"review: --out {given}: allowed is a file that ends in .html")
    if not out.parent.is_dir():
        raise InputError(f"review: --out {given}: there is no folder {out.parent}")
    return out


def _write(out: Path, page: str, found: Sequence[Reviewed]) -> None:
    try:
        out.write_text(page, encoding="utf-8")
        with out.with_suffix(".csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(csv_rows(found))
    except OSError as error:
        raise NestclimateError(f"review: --out {out}: cannot be written ({error.strerror})") from error
    print(f"{out} and {out.with_suffix('.csv')} written", file=sys.stderr)
