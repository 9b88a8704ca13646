"""``nestclimate journal add``: one entry of the journal."""

from __future__ import annotations

import argparse
import difflib
import json

from sensord.clock import iso, parse_instant, to_ms
from sensord.errors import InputError
from sensord.keeping.journal import make_entry
from sensord.keeping.tables import refuse_future
from sensord.model import EntryKind
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments."""
    commands = parser.add_subparsers(dest="command", required=True, metavar="add")
    entry = commands.add_parser("add", help="one entry")
    entry.add_argument("nest", metavar="NEST")
    entry.add_argument("kind", metavar="KIND", help=", ".join(EntryKind))
    entry.add_argument(
        "--amount", metavar="N", help="mL for fill, top_up and level (what is left), g for weigh, workers for count"
    )
    entry.add_argument("--at", metavar="T", help="ISO 8601 with Z or an offset (default: now)")
    entry.add_argument("--note", default="", metavar="TEXT")
    entry.add_argument("--json", action="store_true", help="the entry as JSON")


def run(args: argparse.Namespace, room: Room) -> int:
    """Add the entry; the same one again changes nothing."""
    now_ms = to_ms(room.clock.now())
    at_ms = to_ms(parse_instant(args.at)) if args.at else now_ms // 1000 * 1000
    refuse_future("--at", at_ms, now_ms)
    entry = make_entry(at_ms, args.nest, args.kind, args.amount, note=args.note)
    _check_known(entry.nest, room)
    new = room.registry.add_entries([entry])
    if args.json:
        shown = {"at": iso(entry.at_ms), "nest": entry.nest, "kind": entry.kind, "amount": entry.amount}
        print(json.dumps({**shown, "unit": entry.unit, "note": entry.note, "new": bool(new)}))
    else:
        amount = "" if entry.amount is None else f" {entry.amount:g} {entry.unit}".rstrip()
        print(f"{iso(entry.at_ms)} {entry.nest}: {entry.kind}{amount}{'' if new else ' (was written before)'}")
    return 0


def _check_known(name: str, room: Room) -> None:
    names = [nest.name for nest in room.registry.nests()]
    if name not in names:
        near = difflib.get_close_matches(name, names, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "import nests first, or see 'nestclimate export nests'"
        raise InputError(f"nest {name}: there is no nest of that name; {hint}")
