"""``alarms``: the alarm log; ``alarms ack ID``, ``alarms shelve ID --for 2h --because TEXT``."""

from __future__ import annotations

import argparse
import getpass
import json
import re

from sensord.alarms.deliveries import Deliveries
from sensord.alarms.lifecycle import Alarm
from sensord.alarms.log import document
from sensord.alarms.messages import WORDS, name_of
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, from_ms, iso, parse_instant, to_ms
from sensord.errors import InputError
from sensord.wiring import Room

UNITS_MS = {"m": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS}


def add(parser: argparse.ArgumentParser) -> None:
    """The two commands, and how far back to list."""
    parser.add_argument("what", nargs="?", choices=("ack", "shelve"), help="acknowledge or shelve one alarm")
    parser.add_argument("id", nargs="?", metavar="ID", help="of the alarm; its beginning is enough")
    parser.add_argument(
        "--since", metavar="T", help="list all alarms raised since T, ISO 8601 (default: those not over)"
    )
    parser.add_argument("--for", dest="duration", metavar="TIME", help="how long to shelve: 30m, 2h, 1d")
    parser.add_argument("--because", default="", metavar="TEXT", help="why it is shelved")
    parser.add_argument("--by", default="", metavar="NAME", help="who does it (default: the user's name)")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """List, acknowledge or shelve."""
    now_ms = to_ms(room.clock.now())
    if args.what:
        if not args.id:
            raise InputError(f"alarms {args.what}: needs the ID of an alarm; 'nestclimate alarms' lists them")
        by = args.by or _user()
        if args.what == "ack":
            changed = room.alarm_log.acknowledge(args.id, now_ms, by)
        else:
            until_ms = now_ms + duration_ms(args.duration or "")
            changed = room.alarm_log.shelve(args.id, until_ms, args.because, by, now_ms)
        alarms, from_ = [changed], changed.raised_ms
    elif args.since:
        from_ = to_ms(parse_instant(args.since))
        alarms = room.alarm_log.since(from_)
    else:
        alarms = room.alarm_log.active()
        from_ = min((alarm.raised_ms for alarm in alarms), default=now_ms)
    if args.json:
        told = Deliveries(room.connection).told([alarm.id for alarm in alarms])
        found = [document(alarm, told[alarm.id]) for alarm in alarms]
        print(json.dumps({"from": iso(from_), "to": iso(now_ms), "alarms": found}, ensure_ascii=False))
    else:
        print("\n".join(_line(alarm, room) for alarm in alarms) or "no alarms")
    return 0


def duration_ms(text: str) -> int:
    """``30m``, ``2h`` or ``1d`` in milliseconds.

    Raises:
        InputError: another form.
    """
    found = re.fullmatch(r"(\d{1,4})([mhd])", text.strip())
    if not found:
        raise InputError(f"alarms shelve: --for {text!r}: allowed is a number with m, h or d, for example 2h")
    return int(found[1]) * UNITS_MS[found[2]]


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "command line"


def _line(alarm: Alarm, room: Room) -> str:
    since = from_ms(alarm.raised_ms).astimezone(room.config.zone).strftime("%Y-%m-%d %H:%M")
    what = f"{name_of(alarm)} {WORDS[alarm.kind]}"
    detail = f"; {alarm.detail}" if alarm.detail else ""
    return (
        f"{alarm.id}  {since}  {alarm.priority:6}  {alarm.state:14}  {what} "
        f"(worst {alarm.worst:.1f}, limit {alarm.limit:.1f}){detail}"
    )
