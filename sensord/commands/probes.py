"""``nestclimate probes``: what answers on each bus; which probe is which; what a bus can carry."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from sensord.errors import ConfigError, InputError
from sensord.probes import budget
from sensord.probes.faults import ProbeFault, seat_of
from sensord.probes.survey import survey
from sensord.settings import ProbeSettings

if TYPE_CHECKING:
    from sensord.clock import Clock
    from sensord.probes.scan import Sample, Scanner
    from sensord.wiring import Room

JUMP_PCT = 8.0
"""A breath lifts humidity by tens of percent within seconds; no room does that by itself."""


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``probes``."""
    parser.add_argument(
        "what",
        nargs="?",
        choices=("list", "identify", "plan"),
        default="list",
        help="list: what answers (default); identify: breathe on a probe and see its name; plan: addresses and budget",
    )
    parser.add_argument("--hub", help="this hub only")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.add_argument("--for", dest="for_s", type=float, default=60.0, metavar="SECONDS", help="identify: how long")
    parser.add_argument("--count", type=int, metavar="N", help="plan: for N probes instead of the configured ones")
    parser.add_argument("--cable-m", type=float, default=1.0, metavar="M", help="plan: cable of each section, metres")


def run(args: argparse.Namespace, room: Room) -> int:
    """Do it; 1 where a probe gave no reading, or nothing was identified."""
    if args.what == "plan":
        return _plan(args, room)
    hubs = _hubs(args.hub, room)
    return _identify(args, room, hubs) if args.what == "identify" else _list(args, room, hubs)


def _hubs(named: str | None, room: Room) -> list[str]:
    known = [hub.name for hub in room.config.hubs]
    if not known:
        raise ConfigError(f"{room.config.folder / 'station.toml'}: hub: there is no [[hub]]; add one to read probes")
    if named and named not in known:
        raise InputError(f"--hub {named!r}: there is no [[hub]] of that name; there are: {', '.join(known)}")
    return [named] if named else known


def _list(args: argparse.Namespace, room: Room, hubs: list[str]) -> int:
    document: list[dict[str, Any]] = []
    failed = False
    for hub in hubs:
        try:
            document.append(_seen(room, hub))
        except OSError as error:  # one hub's bus stops no other's; a ProbeError is one too
            failed = True
            document.append({"hub": hub, "error": str(error), "probes": [], "muxes": [], "not_configured": []})
    if args.json:
        print(json.dumps({"hubs": document}, indent=2))
    else:
        for entry in document:
            _print_hub(entry)
    bad = any(probe["temp_c"] is None for entry in document for probe in entry["probes"])
    return 1 if failed or bad else 0


def _seen(room: Room, hub: str) -> dict[str, Any]:
    """What answers on the bus of one hub, and one scan of its probes, as a document."""
    found = survey(room.bus(hub), room.clock)
    configured = {(p.mux, p.channel, p.address) for p in room.config.probes if p.hub == hub}
    scan = room.scanner(hub).scan()
    samples = {sample.probe_full_name: sample for sample in scan.samples}
    return {
        "hub": hub,
        "error": None,
        "probes": [
            _row(probe, samples.get(f"{hub}/{probe.name}"), scan.faults)
            for probe in room.config.probes
            if probe.hub == hub
        ],
        "muxes": [f"{mux:#x}" for mux in found.muxes],
        "not_configured": [
            {"address": answer.address, "mux": mux, "channel": channel}
            for answer in found.answers
            for mux, channel in [(None, None) if answer.mux < 0 else (answer.mux, answer.channel)]
            if (mux, channel, answer.address) not in configured
        ],
    }


def _row(probe: ProbeSettings, sample: Sample | None, faults: list[ProbeFault]) -> dict[str, Any]:
    name = f"{probe.hub}/{probe.name}"
    mine = [fault for fault in faults if fault.probe_full_name == name]
    return {
        "probe": name,
        "address": probe.address,
        "mux": probe.mux,
        "channel": probe.channel,
        "temp_c": sample and round(sample.temp_c, 2),
        "rh_pct": sample and round(sample.rh_pct, 2),
        "faults": [{"kind": fault.kind.value, "text": fault.text} for fault in mine],
    }


def _print_hub(entry: dict[str, Any]) -> None:
    if entry["error"]:
        print(f"nestclimate: hub {entry['hub']}: {entry['error']}", file=sys.stderr)
        return
    table = Table("probe", "address", "multiplexer", "channel", "°C", "%RH", "state", title=f"hub {entry['hub']}")
    for row in entry["probes"]:
        table.add_row(
            row["probe"],
            f"{row['address']:#x}",
            "" if row["mux"] is None else f"{row['mux']:#x}",
            "" if row["channel"] is None else str(row["channel"]),
            "" if row["temp_c"] is None else f"{row['temp_c']:.2f}",
            "" if row["rh_pct"] is None else f"{row['rh_pct']:.2f}",
            ", ".join(fault["kind"] for fault in row["faults"]) or "answers",
        )
    Console(highlight=False).print(table)
    for row in entry["probes"]:
        for fault in row["faults"]:
            print(fault["text"])
    print(f"multiplexers that answer: {', '.join(entry['muxes']) or 'none'}")
    for seat in entry["not_configured"]:
        behind = "" if seat["mux"] is None else f" behind multiplexer {seat['mux']:#x} channel {seat['channel']}"
        print(f"something answers at {seat['address']:#x}{behind}, but no [[probe]] names it: add one")


@dataclass(frozen=True, slots=True)
class Jump:
    """A probe whose humidity rose. ``rise_pct`` in %RH above its own start."""

    probe: str
    rise_pct: float


def find_jump(start_pct: dict[str, float], now_pct: dict[str, float], jump_pct: float = JUMP_PCT) -> Jump | None:
    """The probe that rose by ``jump_pct`` and twice as far as any other; None while nobody did."""
    rises = sorted(((now_pct[name] - start_pct[name], name) for name in now_pct if name in start_pct), reverse=True)
    if not rises or rises[0][0] < jump_pct:
        return None
    if len(rises) > 1 and rises[1][0] > rises[0][0] / 2:
        return None
    return Jump(rises[0][1], rises[0][0])


def watch_for_jump(scanners: list[Scanner], clock: Clock, for_s: float, every_s: float = 1.0) -> Jump | None:
    """Read all probes each second until one is breathed on; None where none was within ``for_s`` seconds."""
    start_pct: dict[str, float] = {}
    until_s = clock.monotonic() + for_s
    while True:
        samples = [sample for scanner in scanners for sample in scanner.scan().samples]
        now_pct = {sample.probe_full_name: sample.rh_pct for sample in samples}
        for name, rh_pct in now_pct.items():
            start_pct.setdefault(name, rh_pct)
        jump = find_jump(start_pct, now_pct)
        if jump or clock.monotonic() >= until_s:
            return jump
        clock.sleep(every_s)


def _identify(args: argparse.Namespace, room: Room, hubs: list[str]) -> int:
    if not 1 <= args.for_s <= 3600:
        raise InputError(f"--for {args.for_s:g}: allowed is 1 to 3600 seconds")
    scanners = [room.scanner(hub) for hub in hubs]
    print(f"breathe on a probe now; waiting {args.for_s:g} s", file=sys.stderr)
    jump = watch_for_jump(scanners, room.clock, args.for_s)
    seats = {f"{probe.hub}/{probe.name}": seat_of(probe) for probe in room.config.probes}
    if args.json:
        print(json.dumps({"probe": jump and jump.probe, "rise_pct": jump and round(jump.rise_pct, 2)}))
    elif jump:
        print(f"{jump.probe} rose by {jump.rise_pct:.1f} %RH: it hangs {seats[jump.probe]}")
    if not jump:
        print(
            f"nestclimate: no probe's humidity rose by {JUMP_PCT:g} %RH within {args.for_s:g} s; breathe on one slowly, "
            "from a hand's width away",
            file=sys.stderr,
        )
    return 0 if jump else 1


def _plan(args: argparse.Namespace, room: Room) -> int:
    if args.count is not None and not 1 <= args.count <= budget.MUXES * budget.SEATS_PER_MUX:
        raise InputError(f"--count {args.count}: allowed is 1 to 128 on one bus; more need a second hub")
    if not 0 <= args.cable_m <= 100:
        raise InputError(f"--cable-m {args.cable_m:g}: allowed is 0 to 100 metres")
    if args.count is not None:
        plans = {args.hub or "hub-1": budget.lay_out(args.count, args.hub or "hub-1")}
    else:
        plans = {hub: [p for p in room.config.probes if p.hub == hub] for hub in _hubs(args.hub, room)}
    document = [_plan_of(hub, probes, args.cable_m) for hub, probes in plans.items()]
    if args.json:
        print(json.dumps({"hubs": document}, indent=2))
    else:
        for entry in document:
            _print_plan(entry)
    return 0


def _plan_of(hub: str, probes: list[ProbeSettings], cable_m: float) -> dict[str, Any]:
    found = budget.sections(probes, cable_m)
    worst = max(found, key=lambda section: section.capacitance_f)
    muxes = sorted({probe.mux for probe in probes if probe.mux is not None})
    behind = sum(probe.mux is not None for probe in probes)
    return {
        "hub": hub,
        "probes": len(probes),
        "muxes": [f"{mux:#x}" for mux in muxes],
        "free_seats_behind_these_muxes": len(muxes) * budget.SEATS_PER_MUX - behind,
        "scan_s": {str(hz): round(budget.scan_s(probes, hz), 4) for hz in (100_000, 50_000)},
        "worst_section": {
            "name": worst.name,
            "capacitance_pf": round(worst.capacitance_f * 1e12),
            "pull_up_ohm": round(worst.pull_up_ohm),
            "pull_up_min_ohm": round(budget.pull_up_min_ohm(3.3)),
            "pull_up_max_ohm": round(budget.pull_up_max_ohm(worst.capacitance_f)),
        },
        "problems": [problem for section in dict.fromkeys((found[0], worst)) for problem in section.problems()],
        "seats": [
            {
                "probe": f"{p.hub}/{p.name}",
                "address": f"{p.address:#x}",
                "mux": p.mux and f"{p.mux:#x}",
                "channel": p.channel,
            }
            for p in probes
        ],
    }


def _print_plan(entry: dict[str, Any]) -> None:
    worst, scan_s = entry["worst_section"], entry["scan_s"]
    print(f"hub {entry['hub']}: {entry['probes']} probes, multiplexers: {', '.join(entry['muxes']) or 'none'}")
    print(f"  free seats behind these multiplexers: {entry['free_seats_behind_these_muxes']}")
    print(f"  one scan takes {scan_s['100000']:.3f} s at 100 kHz, {scan_s['50000']:.3f} s at 50 kHz")
    print(f"  heaviest section: {worst['name']}: {worst['capacitance_pf']} pF of 400")
    print(
        f"  pull-ups there: {worst['pull_up_ohm']} ohm; allowed is {worst['pull_up_min_ohm']} to "
        f"{worst['pull_up_max_ohm']} at 3.3 V and 100 kHz"
    )
    for problem in entry["problems"]:
        print(f"  too much: {problem}")
    for seat in entry["seats"]:
        behind = f"multiplexer {seat['mux']} channel {seat['channel']}" if seat["mux"] else "the bus itself"
        print(f"  {seat['probe']:32} {seat['address']}  {behind}")
