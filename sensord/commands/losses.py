"""``nestclimate losses``: how long colonies live, by rack, species, stage or room, and whether harsh air goes before deaths."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from pathlib import Path

from rich.console import Console
from rich.table import Table

from sensord.clock import parse_instant, to_ms
from sensord.errors import InputError, NestclimateError
from sensord.insight.chances import p_of
from sensord.insight.losses import BY, SHARES, Group, Losses, as_json, because, csv_rows
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Its arguments."""
    parser.add_argument("--from", dest="from_", metavar="T", help="watch from then on (default: since the first came)")
    parser.add_argument("--to", metavar="T", help="up to then, using nothing later (default: now)")
    parser.add_argument("--by", default="rack", choices=BY, help="what to compare (default: rack)")
    parser.add_argument("--out", metavar="FILE.csv", help="the curves as a table")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """Losses over a season."""
    until_ms = to_ms(parse_instant(args.to) if args.to else room.clock.now())
    from_ms = to_ms(parse_instant(args.from_)) if args.from_ else None
    out = _out(args.out)
    found = room.lives.losses(from_ms, until_ms, args.by)
    if out:
        _write(out, found)
    if args.json:
        print(json.dumps(as_json(found), indent=1, ensure_ascii=False))
    else:
        _print(found)
    return 0


def _out(given: str | None) -> Path | None:
    if given is None:
        return None
    out = Path(given)
    if out.suffix.lower() != ".csv":
        raise InputError(f"losses: --out {given}: allowed is a file that ends in .csv")
    if not out.parent.is_dir():
        raise InputError(f"losses: --out {given}: there is no folder {out.parent}")
    return out


def _write(out: Path, found: Losses) -> None:
    try:
        with out.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(csv_rows(found))
    except OSError as error:
        raise NestclimateError(f"losses: --out {out}: cannot be written ({error.strerror})") from error
    print(f"{out} written", file=sys.stderr)


def _print(found: Losses) -> None:
    print(because(found))
    if not found.everybody.colonies:
        return
    table = Table(found.by, "colonies", "died", "survive to the end", "half had died after", "p (Holm)", box=None)
    for one in (found.everybody, *found.groups):
        table.add_row(*_cells(one))
    console = Console()
    console.print(table)
    if found.against:
        table = Table("before a death", *(f"{share}: died (expected)" for share in SHARES), "p (Holm)", box=None)
        for each in found.against:
            cells = [f"{died} ({due:.1f})" for died, due in zip(each.deaths, each.expected, strict=True)]
            table.add_row(f"too {each.factor}", *cells, p_of(each.chance_holm))
        console.print(table)


def _cells(one: Group) -> list[str]:
    share, low, high = one.survival
    median = "-" if one.median_days is None else f"{one.median_days:.0f} days"
    chance = "" if one.chance_holm is None else p_of(one.chance_holm)
    return [one.name, str(one.colonies), str(one.died), f"{share:.0%} ({low:.0%} to {high:.0%})", median, chance]
