"""``nestclimate calibrate``: over saturated salts, or beside a probe that is trusted; or checked, and right as it is."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict

from sensord.access.shell_user import shell_user
from sensord.air.calibration import (
    SALT_CAUTIONS,
    SALTS,
    Calibration,
    SaltPoint,
    cautions,
    from_salts,
    from_together,
    holding,
    salt_point,
)
from sensord.clock import HOUR_MS, iso, parse_instant, to_ms
from sensord.commands.calibrate_live import read, watch
from sensord.errors import InputError
from sensord.keeping.hand_checks import HandCheck
from sensord.model import check_probe
from sensord.wiring import Room

GUIDE = (
    "First take the probe out of its nest: import its placement with 'until', and while you are at it",
    "      nestclimate alarms out-of-service PROBE --because calibration      Else its nest seems to live in the jar.",
    "Over salt: cover the bottom of a small jar with salt, about 3 mm, add water until it is only just wet (slush, not a puddle).",
    "Hang the probe in the air of the jar, seal the cable, keep the jar at an even 15 to 30 °C out of sun and draught.",
    "Then: nestclimate calibrate salt PROBE --salt nacl      It watches the readings and takes them once they have settled.",
    "Two salts give the slope too: note the window it prints, change to the second salt, then give both:",
    "      nestclimate calibrate salt PROBE --salt mgcl2 --from T --to T --salt nacl --from T --to T",
    "Beside another probe: put both side by side in still air for an hour, then:",
    "      nestclimate calibrate together PROBE --against PROBE --from T --to T",
    "Checked against something you trust, and it was right? Then say so, and the round asks again in a year:",
    "      nestclimate calibrate checked PROBE --note 'beside the new one, 1 % apart'",
    "Readings stay stored as they were read; the calibration is applied on reading back, to the past as well.",
    "Back in the nest: nestclimate alarms in-service PROBE, and a new placement from now on.",
    "A mistake? nestclimate calibrate list, then nestclimate calibrate withdraw PROBE --at T",
)


def add(parser: argparse.ArgumentParser) -> None:
    """The three ways, and none of them: the guide."""
    ways = parser.add_subparsers(dest="way", metavar="salt|together|checked|list|withdraw")
    salt = ways.add_parser("salt", help="over one or two saturated salts")
    salt.add_argument("probe", metavar="PROBE")
    salt.add_argument("--salt", action="append", required=True, metavar="SALT", help=", ".join(SALTS))
    together = ways.add_parser("together", help="beside a probe that is trusted")
    together.add_argument("probe", metavar="PROBE")
    together.add_argument("--against", required=True, metavar="PROBE")
    for way in (salt, together):
        way.add_argument("--from", dest="since", action="append", default=[], metavar="T", help="start of the window")
        way.add_argument(
            "--to", dest="until", action="append", default=[], metavar="T", help="its end; one for each salt"
        )
    checked = ways.add_parser("checked", help="note that a probe was checked and is right: no calibration is made")
    checked.add_argument("probe", metavar="PROBE")
    checked.add_argument("--at", metavar="T", help="when, ISO 8601 with Z or an offset (default: now)")
    checked.add_argument("--note", default="", metavar="TEXT", help="against what")
    checked.add_argument("--by", default="", metavar="NAME", help="who did it (default: the user's name)")
    listing = ways.add_parser("list", help="every calibration and check there is")
    withdraw = ways.add_parser("withdraw", help="take back a calibration that was a mistake")
    withdraw.add_argument("probe", metavar="PROBE")
    withdraw.add_argument("--at", required=True, metavar="T", help="its instant, as 'calibrate list' shows it")
    for way in (parser, salt, together, checked, listing, withdraw):
        way.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """Make and keep a calibration, list them, or show how it is done."""
    as_json = getattr(args, "json", False)
    if args.way is None:
        _guide(as_json)
    elif args.way == "list":
        _show(room.calibrations.all(), as_json, room.hand_checks.all())
    elif args.way == "withdraw":
        probe, at_ms = check_probe(args.probe), to_ms(parse_instant(args.at))
        room.calibrations.withdraw(probe, at_ms, to_ms(room.clock.now()))
        _show(room.calibrations.for_probe(probe), as_json)
    elif args.way == "checked":
        _show([], as_json, [_checked(args, room)])
    else:
        made = _over_salt(args, room) if args.way == "salt" else _together(args, room)
        room.calibrations.add(made)
        _show([made], as_json)
    return 0


def _checked(args: argparse.Namespace, room: Room) -> HandCheck:
    now_ms = to_ms(room.clock.now())
    at_ms = to_ms(parse_instant(args.at)) if args.at else now_ms // 1000 * 1000
    if at_ms > now_ms:
        raise InputError(f"--at {iso(at_ms)}: is in the future; now it is {iso(now_ms)}")
    return room.hand_checks.add(_known(args.probe, room), at_ms, args.note, args.by or shell_user())


def _over_salt(args: argparse.Namespace, room: Room) -> Calibration:
    unknown = [salt for salt in args.salt if salt not in SALTS]
    if unknown:
        raise InputError(*(f"--salt {salt}: allowed is {', '.join(SALTS)}" for salt in unknown))
    probe = _known(args.probe, room)
    for caution in cautions(args.salt):
        print(f"caution: {caution}", file=sys.stderr)
    if not args.since and not args.until and len(args.salt) == 1:
        return from_salts(probe, [watch(probe, args.salt[0], room)])
    windows = _windows(args, room, len(args.salt))
    points: list[SaltPoint] = []
    problems: list[str] = []
    for salt, window in zip(args.salt, windows, strict=True):
        try:
            points.append(salt_point(salt, read(probe, window, room)))
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(*problems)
    return from_salts(probe, points)


def _together(args: argparse.Namespace, room: Room) -> Calibration:
    probe, against = _known(args.probe, room), _known(args.against, room)
    if probe == against:
        raise InputError(f"--against {against}: is the probe itself; name another")
    if not args.since and not args.until:
        now_ms = to_ms(room.clock.now())
        window = (now_ms - HOUR_MS, now_ms)
    else:
        (window,) = _windows(args, room, 1)
    reference = holding(room.calibrations.for_probe(against), window[0])
    return from_together(read(probe, window, room), read(against, window, room), reference)


def _windows(args: argparse.Namespace, room: Room, count: int) -> list[tuple[int, int]]:
    if len(args.since) != count or len(args.until) != count:
        raise InputError(f"--from and --to: needed {count} of each, given {len(args.since)} and {len(args.until)}")
    windows = [(to_ms(parse_instant(a)), to_ms(parse_instant(b))) for a, b in zip(args.since, args.until, strict=True)]
    now_ms = to_ms(room.clock.now())
    for since, until in windows:
        if since >= until:
            raise InputError(f"--from {iso(since)}: is not before --to {iso(until)}")
        if until > now_ms:
            raise InputError(f"--to {iso(until)}: is in the future; now it is {iso(now_ms)}")
    return windows


def _known(probe: str, room: Room) -> str:
    check_probe(probe)
    if room.store.span(probe) is None:
        alike = [name for name in room.store.probes() if name.rpartition("/")[2] == probe.rpartition("/")[2]]
        hint = f"is it {' or '.join(alike)}?" if alike else "'nestclimate probes' shows what answers"
        raise InputError(f"probe {probe}: has no readings yet; {hint}")
    return probe


def _guide(as_json: bool) -> None:
    if as_json:
        print(json.dumps({"salts": list(SALTS), "cautions": SALT_CAUTIONS, "steps": GUIDE}, ensure_ascii=False))
        return
    print("\n".join((*GUIDE, "", f"Salts: {', '.join(SALTS)}", *(f"Caution: {line}" for line in SALT_CAUTIONS))))


def _show(calibrations: list[Calibration], as_json: bool, checks: Sequence[HandCheck] = ()) -> None:
    if as_json:
        documents = [
            {"probe": each.probe, "at": iso(each.at_ms)}
            | {name: value for name, value in asdict(each).items() if name not in {"probe", "at_ms"}}
            for each in calibrations
        ]
        checked = [{"probe": one.probe, "at": iso(one.at_ms), "note": one.note, "by": one.by} for one in checks]
        print(json.dumps({"calibrations": documents, "checked": checked}, ensure_ascii=False))
        return
    for each in calibrations:
        print(
            f"{each.probe} from {iso(each.at_ms)}: humidity {each.rh_gain:.3f} x read {each.rh_offset_pct:+.2f} "
            f"(±{each.rh_sd_pct:.1f} %RH), temperature {each.temp_offset_c:+.2f} (±{each.temp_sd_c:.2f} °C), {each.note}"
        )
    for one in checks:
        note = f", {one.note}" if one.note else ""
        print(f"{one.probe} checked {iso(one.at_ms)} by {one.by or 'nobody known'}{note}")
    if not calibrations and not checks:
        print("no calibrations yet; 'nestclimate calibrate' shows how to make one")
