"""``alarms``: the alarm log, and the keeper's commands on it.

``alarms ack ID``, ``alarms shelve ID --for 2h --because TEXT``; ``alarms out-of-service NAME --because TEXT [--for 8h]`` while a
nest, a probe or a hub is being worked on, and ``alarms in-service NAME``.
"""

from __future__ import annotations

import argparse
import json

from sensord.access.shell_user import shell_user
from sensord.alarms.aside import Taken
from sensord.alarms.deliveries import Deliveries
from sensord.alarms.lifecycle import Alarm
from sensord.alarms.log import document
from sensord.alarms.messages import WORDS, name_of
from sensord.alarms.subjects import known_subjects, subject_of
from sensord.clock import from_ms, iso, parse_instant, parse_length, to_ms
from sensord.errors import InputError
from sensord.wiring import Room

OUT, IN = "out-of-service", "in-service"
SERVICE = (OUT, IN)
A_DAY = "1d"
"""What is out of service comes back by itself: one that is forgotten must not stay unwatched."""


def add(parser: argparse.ArgumentParser) -> None:
    """The two commands, and how far back to list."""
    parser.add_argument(
        "what", nargs="?", choices=("ack", "shelve", *SERVICE),
        help="acknowledge or shelve one alarm; take a nest, a probe or a hub out of service, or back",
    )  # fmt: skip
    parser.add_argument(
        "id", nargs="?", metavar="ID", help="of the alarm, its beginning is enough; or NEST, PROBE or HUB"
    )
    parser.add_argument(
        "--since", metavar="T", help="list all alarms raised since T, ISO 8601 (default: those not over)"
    )
    parser.add_argument("--for", dest="duration", metavar="TIME", help="for how long: 30m, 2h, 1d (out of service: 1d)")
    parser.add_argument("--because", default="", metavar="TEXT", help="why it is shelved or out of service")
    parser.add_argument("--by", default="", metavar="NAME", help="who does it (default: the user's name)")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """List, acknowledge or shelve; out of service and back."""
    now_ms = to_ms(room.clock.now())
    if args.what in SERVICE:
        alarms, from_ = _service(args, room, now_ms), now_ms
    elif args.what:
        if not args.id:
            raise InputError(f"alarms {args.what}: needs the ID of an alarm; 'nestclimate alarms' lists them")
        by = args.by or shell_user()
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
        lines = [_taken(taken, room) for taken in room.alarm_log.out_of_service(now_ms)]
        print("\n".join([*lines, *(_line(alarm, room) for alarm in alarms)]) or "no alarms")
    return 0


def _service(args: argparse.Namespace, room: Room, now_ms: int) -> list[Alarm]:
    """Take something out of service, or back; its standing alarms."""
    if not args.id:
        raise InputError(f"alarms {args.what}: needs the name of a nest, a probe or a hub")
    if args.what == IN:
        subjects = [each.subject for each in room.alarm_log.out_of_service(now_ms)]
        out = [each for each in subjects if each.partition(" ")[2] == args.id]
        room.alarm_log.bring_back_into_service(out[0] if out else _subject(args.id, room), now_ms)
        return []
    until_ms = now_ms + duration_ms(args.duration or A_DAY)
    taken = Taken(_subject(args.id, room), now_ms, until_ms, args.because, args.by or shell_user())
    return room.alarm_log.take_out_of_service(taken)


def _subject(name: str, room: Room) -> str:
    return subject_of(name, known_subjects(room.registry, [hub.name for hub in room.config.hubs]))


def duration_ms(text: str) -> int:
    """``30m``, ``2h`` or ``1d`` in milliseconds.

    Raises:
        InputError: another form.
    """
    try:
        return parse_length(text)
    except InputError as error:
        raise InputError(f"alarms: --for {text!r}: {error}") from None


def _taken(taken: Taken, room: Room) -> str:
    until = f" until {_local(taken.until_ms, room)}" if taken.until_ms else ""
    return f"out of service: {taken.subject} since {_local(taken.since_ms, room)}{until}: {taken.because} ({taken.by})"


def _local(at_ms: int, room: Room) -> str:
    return from_ms(at_ms).astimezone(room.config.zone).strftime("%Y-%m-%d %H:%M")


def _line(alarm: Alarm, room: Room) -> str:
    since = _local(alarm.raised_ms, room)
    what = f"{name_of(alarm)} {WORDS[alarm.kind]}"
    detail = f"; {alarm.detail}" if alarm.detail else ""
    return (
        f"{alarm.id}  {since}  {alarm.priority:6}  {alarm.state:14}  {what} "
        f"(worst {alarm.worst:.1f}, limit {alarm.limit:.1f}){detail}"
    )
