"""``nestclimate sense``: read probes, keep the outbox, publish."""

from __future__ import annotations

import argparse
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack

from sensord.errors import ConfigError, InputError, NestclimateError
from sensord.lifeline import Lifeline
from sensord.link.base import Link, Subscriber, Will
from sensord.link.leftover import Leftover, former_hubs
from sensord.link.outbox import Outbox
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
        leftovers = _leftovers(room, stack, senses[0])
        print(f"nestclimate sense: ready, {', '.join(hub.name for hub in hubs)}", file=sys.stderr, flush=True)
        lifeline = Lifeline()
        lifeline.ready()
        if lifeline.every_s:
            threading.Thread(target=_say_alive, args=(lifeline, senses, stop), daemon=True).start()
        runs = [each.run for each in senses[1:]] + [each.run for each in leftovers]
        threads = [threading.Thread(target=run, args=(stop,)) for run in runs]
        for thread in threads:
            thread.start()
        try:
            senses[0].run(stop)
        finally:
            for thread in threads:
                thread.join()
    return 0


def _say_alive(lifeline: Lifeline, senses: Sequence[Sense], stop: threading.Event) -> None:
    """As long as no scan hangs; the silence then makes systemd start us again."""
    while not stop.wait(lifeline.every_s):
        if not any(sense.hangs for sense in senses):
            lifeline.alive()


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
        lambda subscriber, will: room.link(_client_id(hub.name, outbox), subscriber, will),
        room.clock,
        room.machine,
    )


def _client_id(hub: str, outbox: Outbox) -> str:
    """The same after every start; another for every outbox, since a broker drops whoever else uses it."""
    return f"nestclimate-hub-{hub}-{outbox.spool[:8]}"


def _leftovers(room: Room, stack: ExitStack, sense: Sense) -> list[Leftover]:
    """What hubs that were renamed or given up have not sent yet."""
    found = []
    for hub in former_hubs(room.config.data, {hub.name for hub in room.config.hubs}):
        try:
            outbox = room.outbox(HubSettings(name=hub))
        except NestclimateError:  # another process sends it, or it cannot be read now: the next start looks again
            continue
        stack.callback(outbox.close)
        if outbox.fill().rows:
            connect = _connect(room, _client_id(hub, outbox))
            found.append(Leftover(hub, outbox, connect, boot=room.machine.boot, offset_ms=lambda: sense.offset_ms))
    return found


def _connect(room: Room, client_id: str) -> Callable[[Subscriber, Will], Link]:
    return lambda subscriber, _will: room.link(client_id, subscriber)
