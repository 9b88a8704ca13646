"""``replay --from T --to T [--species-dir DIR] [--reservoirs]``: tune bands before you live with them."""

from __future__ import annotations

import argparse
import dataclasses
import functools
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from sensord.alarms.calibrated import Calibrated
from sensord.alarms.engine import tuning_of
from sensord.alarms.log import document
from sensord.alarms.messages import WORDS, name_of
from sensord.alarms.replay import Counts, Replayed, replay
from sensord.alarms.reservoir import Outlook
from sensord.alarms.watch import standings_of
from sensord.clock import from_ms, iso, parse_instant, to_ms
from sensord.errors import InputError
from sensord.keeping.species import Library, load_species_from
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """From when to when, and under which bands."""
    parser.add_argument("--from", dest="from_", required=True, metavar="T", help="ISO 8601, from then on")
    parser.add_argument("--to", required=True, metavar="T", help="ISO 8601, until before then")
    parser.add_argument("--species-dir", metavar="DIR", help="species files to try; shown beside the ones in use")
    parser.add_argument(
        "--reservoirs", action="store_true", help="judge the reservoirs as well, day by day: takes a second or so a day"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document, under the files to try if given")


def run(args: argparse.Namespace, room: Room) -> int:
    """Replay, print the alarms and the counts. With ``--json`` the counts go to standard error."""
    from_ms_, to_ms_ = to_ms(parse_instant(args.from_)), to_ms(parse_instant(args.to))
    if not from_ms_ < to_ms_:
        raise InputError(f"replay: --from {args.from_} is not before --to {args.to}")
    tried = _library(args.species_dir) if args.species_dir else None
    outlook = _once(room.past_outlook()) if args.reservoirs else None
    columns: list[tuple[str, Replayed]] = []
    if tried is None or not args.json:
        columns.append(("in use", _replay(room, room.library, from_ms_, to_ms_, outlook)))
    if tried is not None:
        columns.append((args.species_dir, _replay(room, tried, from_ms_, to_ms_, outlook)))
    found = columns[-1][1]
    counts = _table([(title, replayed.counts) for title, replayed in columns]) + "\n" + _left_out(args)
    if args.json:
        alarms = [document(alarm, []) for alarm in found.alarms]
        print(json.dumps({"from": iso(from_ms_), "to": iso(to_ms_), "alarms": alarms}, ensure_ascii=False))
        print(counts, file=sys.stderr)
        return 0
    for alarm in found.alarms:
        since = from_ms(alarm.raised_ms).astimezone(room.config.zone).strftime("%Y-%m-%d %H:%M")
        print(
            f"{since}  {alarm.priority:6}  {name_of(alarm)} {WORDS[alarm.kind]} (worst {alarm.worst:.1f}, limit {alarm.limit:.1f})"
        )
    print(counts)
    return 0


def _library(folder: str) -> Library:
    if not Path(folder).is_dir():
        raise InputError(f"replay: --species-dir {folder}: there is no such folder")
    return load_species_from(Path(folder))


def _left_out(args: argparse.Namespace) -> str:
    hubs = "What hubs said of themselves and their probes is not stored, so it is not replayed."
    return hubs if args.reservoirs else f"{hubs} Reservoirs were not judged: add --reservoirs."


def _once(outlook: Outlook) -> Outlook:
    """It does not depend on bands: what was worked out for one column serves the other."""
    return functools.cache(outlook)


def _replay(room: Room, library: Library, from_ms_: int, to_ms_: int, outlook: Outlook | None) -> Replayed:
    standings = standings_of(room.registry, room.keeping_under(library))
    calibrated, tuning = Calibrated(room.calibrations.all()), tuning_of(room.config.alarms)
    return replay(room.store, standings, tuning, from_ms_, to_ms_, calibrated=calibrated, outlook=outlook)


def _table(columns: Sequence[tuple[str, Counts]]) -> str:
    rows = [["", *(title for title, _ in columns)]]
    rows += [
        [field.name.replace("_", " "), *(_cell(getattr(counts, field.name)) for _, counts in columns)]
        for field in dataclasses.fields(Counts)
    ]
    return "\n".join("  ".join(f"{cell:20}" for cell in row).rstrip() for row in rows)


def _cell(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {number}" for name, number in sorted(value.items())) or "-"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
