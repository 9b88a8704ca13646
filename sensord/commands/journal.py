"""``nestclimate journal``: ``add NEST KIND`` writes an entry, ``list`` shows the last ones, ``withdraw ID`` takes one back."""

from __future__ import annotations

import argparse
import difflib
import json
from typing import Any

from sensord.access.shell_user import shell_user
from sensord.clock import iso, parse_instant, to_ms
from sensord.errors import InputError
from sensord.keeping.journal import make_entry
from sensord.keeping.tables import check_when
from sensord.keeping.withdrawn import Withdrawn
from sensord.model import Entry, EntryKind
from sensord.wiring import Room

LISTED, MOST_LISTED = 20, 100_000


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments."""
    commands = parser.add_subparsers(dest="command", required=True, metavar="add|list|withdraw")
    entry = commands.add_parser("add", help="one entry")
    entry.add_argument("nest", metavar="NEST")
    entry.add_argument("kind", metavar="KIND", help=", ".join(EntryKind))
    entry.add_argument(
        "--amount", metavar="N", help="mL for fill, top_up and level (what is left), g for weigh, workers for count"
    )
    entry.add_argument("--at", metavar="T", help="ISO 8601 with Z or an offset (default: now)")
    entry.add_argument("--note", default="", metavar="TEXT")
    listing = commands.add_parser("list", help="the last entries with their IDs")
    listing.add_argument("nest", nargs="?", metavar="NEST", help="of one nest (default: of all)")
    listing.add_argument("--since", metavar="T", help="at or after T, ISO 8601 with Z or an offset")
    listing.add_argument("--last", type=int, default=LISTED, metavar="N", help=f"so many at most (default: {LISTED})")
    listing.add_argument("--withdrawn", action="store_true", help="those that were withdrawn instead")
    taken = commands.add_parser("withdraw", help="take an entry back: it leaves the journal and is kept aside")
    taken.add_argument("id", metavar="ID", help="of the entry, as 'journal list' shows it")
    taken.add_argument("--put-back", action="store_true", help="the other way: into the journal again")
    for command in (entry, taken):
        command.add_argument("--by", default="", metavar="NAME", help="who does it (default: the user's name)")
    for command in (entry, listing, taken):
        command.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """Add, list or withdraw; the same again changes nothing."""
    {"add": _add, "list": _list, "withdraw": _withdraw}[args.command](args, room)
    return 0


def _add(args: argparse.Namespace, room: Room) -> None:
    now_ms = to_ms(room.clock.now())
    at_ms = to_ms(parse_instant(args.at)) if args.at else now_ms // 1000 * 1000
    check_when("--at", at_ms, now_ms)
    entry = make_entry(at_ms, args.nest, args.kind, args.amount, note=args.note, by=args.by or shell_user())
    _check_known(entry.nest, room)
    new = room.registry.add_entries([entry])
    id_ = room.registry.entry_id(entry)
    if args.json:
        print(json.dumps({**_document(id_, entry), "new": bool(new)}))
    else:
        print(f"{_words(entry)}, entry {id_}{'' if new else ' (was written before)'}")


def _list(args: argparse.Namespace, room: Room) -> None:
    since_ms = to_ms(parse_instant(args.since)) if args.since else None
    if not 1 <= args.last <= MOST_LISTED:
        raise InputError(f"--last = {args.last}: allowed is 1 to {MOST_LISTED}")
    if args.withdrawn:
        _show_withdrawn(room.registry.withdrawn(args.nest, since_ms)[-args.last :][::-1], as_json=args.json)
        return
    found = room.registry.latest_entries(args.last, args.nest, since_ms)
    if args.nest and not found:
        _check_known(args.nest, room)
    if args.json:
        print(json.dumps({"entries": [_document(id_, entry) for id_, entry in found]}, ensure_ascii=False))
    else:
        print("\n".join(_line(id_, entry) for id_, entry in found) or "no entries")


def _show_withdrawn(found: list[Withdrawn], *, as_json: bool) -> None:
    if as_json:
        documents = [
            {**_document(one.id, one.entry), "withdrawn_by": one.by, "withdrawn_at": iso(one.at_ms)} for one in found
        ]
        print(json.dumps({"entries": documents}, ensure_ascii=False))
        return
    lines = [f"{_line(one.id, one.entry)}; withdrawn {iso(one.at_ms)} by {one.by or 'nobody known'}" for one in found]
    print("\n".join(lines) or "no withdrawn entries")


def _withdraw(args: argparse.Namespace, room: Room) -> None:
    """Take an entry back, or put it back, and say which it was."""
    id_, by, now_ms = _id(args.id), args.by or shell_user(), to_ms(room.clock.now())
    registry = room.registry
    before = len(registry.withdrawn())
    entry = (registry.put_back_entry if args.put_back else registry.withdraw_entry)(id_, by, now_ms)
    new = before != len(registry.withdrawn())
    if args.json:
        print(json.dumps({**_document(id_, entry), "withdrawn": not args.put_back, "new": new}, ensure_ascii=False))
    else:
        done = "put back" if args.put_back else "withdrawn"
        print(f"{done}: {_words(entry)}, entry {id_}{'' if new else f' (was {done} before)'}")


def _id(text: str) -> int:
    if not (text.isascii() and text.isdecimal()) or not 1 <= int(text[:19]) < 2**53:
        raise InputError(
            f"journal withdraw {text[:40]!r}: an ID is a whole number; 'nestclimate journal list' shows them"
        )
    return int(text[:19])


def _words(entry: Entry) -> str:
    amount = "" if entry.amount is None else f" {entry.amount:g} {entry.unit}".rstrip()
    return f"{iso(entry.at_ms)} {entry.nest}: {entry.kind}{amount}"


def _line(id_: int, entry: Entry) -> str:
    """One line, whatever the note holds."""
    note = " ".join("".join(each if each.isprintable() else " " for each in entry.note).split())
    return f"{id_:>6}  {_words(entry)}{f': {note}' if note else ''}{f' ({entry.by})' if entry.by else ''}"


def _document(id_: int | None, entry: Entry) -> dict[str, Any]:
    return {
        "id": id_, "at": iso(entry.at_ms), "nest": entry.nest, "kind": entry.kind, "amount": entry.amount,
        "unit": entry.unit, "note": entry.note, "by": entry.by,
    }  # fmt: skip


def _check_known(name: str, room: Room) -> None:
    names = [nest.name for nest in room.registry.nests()]
    if name not in names:
        near = difflib.get_close_matches(name, names, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "import nests first, or see 'nestclimate export nests'"
        raise InputError(f"nest {name}: there is no nest of that name; {hint}")
