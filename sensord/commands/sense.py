"""``nestclimate sense``: read probes, keep the outbox, publish."""

from __future__ import annotations

import argparse
import sys
import threading
from contextlib import ExitStack

from sensord.errors import ConfigError, InputError, NestclimateError
from sensord.link.sensing import Sense
from sensord.process import log_to_stderr, stop_on_signals
from sensord.settings import HubSettings
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``sense``."""
    parser.add_argument("--hub", metavar="NAME", help="this hub only (default: every [[hub]] of the configuration)")


def run(args: argparse.Namespace, room: Room) -> int:
    """Sense until SIGTERM or Ctrl-C."""
    hubs = _hubs(args.hub, room)
    log_to_stderr("sense")
    stop = stop_on_signals()
    with ExitStack() as stack:
        senses = [_sense(hub, room, stack) for hub in hubs]
        print(f"nestclimate sense: ready, {', '.join(hub.name for hub in hubs)}", file=sys.stderr, flush=True)
        threads = [threading.Thread(target=sense.run, args=(stop,)) for sense in senses[1:]]
        for thread in threads:
            thread.start()
        try:
            senses[0].run(stop)
        finally:
            for thread in threads:
                thread.join()
    return 0


def _hubs(named: str | None, room: Room) -> list[HubSettings]:
    file = room.config.folder / "station.toml"
    if not room.config.hubs:
        raise ConfigError(f"{file}: hub: is missing; sense needs a [[hub]] and its [[probe]] entries")
    known = {hub.name: hub for hub in room.config.hubs}
    if named is None:
        return list(known.values())
    if named not in known:
        raise InputError(f"--hub {named!r}: there is no [[hub]] of that name; there are: {', '.join(known)}")
    return [known[named]]


def _sense(hub: HubSettings, room: Room, stack: ExitStack) -> Sense:
    outbox = room.outbox(hub)
    stack.callback(outbox.close)
    try:
        scanner = room.scanner(hub.name)
    except OSError as error:
        raise NestclimateError(f"hub {hub.name}: {error}") from error
    return Sense(
        hub,
        scanner,
        outbox,
        lambda subscriber, will: room.link(f"nestclimate-hub-{hub.name}", subscriber, will),
        room.clock,
        room.machine,
    )
