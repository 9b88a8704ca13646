"""``push test``: one message over every route, now, and what came of each; ``push``: what each route still owes."""

from __future__ import annotations

import argparse
import json

from sensord.alarms.deliveries import Deliveries, Message
from sensord.clock import to_ms
from sensord.errors import PushError
from sensord.model import Priority
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """The word ``test`` and ``--json``."""
    parser.add_argument("what", nargs="?", choices=("test",), help="send a test message over every route")
    parser.add_argument("--json", action="store_true", help="one JSON document")


def run(args: argparse.Namespace, room: Room) -> int:
    """0 when every route accepted; 1 when one did not."""
    if args.what != "test":
        waiting = Deliveries(room.connection).waiting()
        routes = [{"route": name, "waiting": waiting.get(name, 0)} for name in room.route_names()]
        print(
            json.dumps({"routes": routes})
            if args.json
            else "\n".join(f"{r['route']}: {r['waiting']} waiting" for r in routes)
            or "no [[push.route]] in station.toml: alarms show on the wall only"
        )
        return 0
    now_ms = to_ms(room.clock.now())
    message = Message(
        f"test-{now_ms}", now_ms, Priority.LOW, "test", f"Test from {room.config.station.name}",
        "If you can read this, messages of your nests will reach you here.",
    )  # fmt: skip
    senders = room.push().senders
    if not senders:
        raise PushError("push: there is no [[push.route]] in station.toml; add one with url_file or url_env")
    problems = []
    results = []
    for sender in senders:
        try:
            sender.send(message)
            results.append({"route": sender.name, "ok": True, "problem": ""})
        except PushError as error:
            problems.append(str(error))
            results.append({"route": sender.name, "ok": False, "problem": str(error)})
    if args.json:
        print(json.dumps({"routes": results}))
    else:
        print("\n".join(f"{r['route']}: {'accepted' if r['ok'] else 'not accepted'}" for r in results))
    if problems:
        raise PushError(*problems)
    return 0
