"""``users``: who may sign in to the dashboard. Passwords come from the terminal or standard input, never as an argument."""

from __future__ import annotations

import argparse
import getpass
import json
import sys

from sensord.access.users import User, check_name
from sensord.clock import from_ms, iso, to_ms
from sensord.errors import InputError
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments."""
    commands = parser.add_subparsers(dest="what", required=True, metavar="add|list|remove|password")
    for what, doc in (("add", "somebody who may write"), ("password", "a new password; ends the user's sessions")):
        command = commands.add_parser(what, help=doc)
        command.add_argument("name", metavar="NAME")
        command.add_argument("--stdin", action="store_true", help="the password is one line on standard input")
    commands.add_parser("remove", help="take somebody out").add_argument("name", metavar="NAME")
    commands.add_parser("list", help="who there is").add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace, room: Room) -> int:
    """Do it, and say so in one line."""
    now_ms = to_ms(room.clock.now())
    if args.what == "list":
        _list(room.users.all(now_ms), room, as_json=args.json)
    elif args.what == "remove":
        room.users.remove(args.name)
        print(f"{args.name} may no longer sign in")
    elif args.what == "add":
        room.users.add(check_name(args.name), _password(args.name, from_stdin=args.stdin), now_ms)
        print(f"{args.name} may sign in")
    else:
        room.users.set_password(args.name, _password(args.name, from_stdin=args.stdin), now_ms)
        print(f"{args.name} has a new password and must sign in anew")
    return 0


def _password(name: str, *, from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    if not sys.stdin.isatty():
        raise InputError(f"password of {name}: there is no terminal to ask on; give it as one line with --stdin")
    password = getpass.getpass(f"password of {name}: ")
    if password != getpass.getpass("once more: "):
        raise InputError(f"password of {name}: the two are not the same; nothing was changed")
    return password


def _list(users: list[User], room: Room, *, as_json: bool) -> None:
    if as_json:
        found = [
            {
                "name": user.name,
                "since": iso(user.since_ms),
                "password_since": iso(user.password_ms),
                "sessions": user.sessions,
                "last_seen": None if user.seen_ms is None else iso(user.seen_ms),
            }
            for user in users
        ]
        print(json.dumps({"users": found}, ensure_ascii=False))
        return
    for user in users:
        seen = "not signed in"
        if user.seen_ms is not None:
            at = from_ms(user.seen_ms).astimezone(room.config.zone)
            seen = f"signed in on {user.sessions}, last seen {at:%Y-%m-%d %H:%M}"
        print(f"{user.name}  {seen}")
    if not users:
        print("nobody yet; add somebody with: nestclimate users add NAME")
