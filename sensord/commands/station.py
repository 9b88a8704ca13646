"""``station``: record + watch + serve (+ the embedded broker where configured) under one supervisor."""

from __future__ import annotations

import argparse
from contextlib import ExitStack

from sensord.clock import SystemClock
from sensord.health import PROCESSES
from sensord.process import log_to_stderr, stop_on_signals
from sensord.supervisor import Supervisor, nestclimate_command
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """It takes no options: all is in station.toml."""
    del parser


def run(args: argparse.Namespace, room: Room) -> int:
    """Run until SIGTERM or Ctrl-C. Without a [broker] there is nothing to record, so only watch and serve run."""
    del args
    log_to_stderr("station")
    stop = stop_on_signals()
    names = PROCESSES if room.config.broker else tuple(name for name in PROCESSES if name != "record")
    folder = str(room.config.folder)
    with ExitStack() as stack:
        if room.config.broker and room.config.broker.embedded:
            stack.enter_context(room.embedded_broker())
        commands = {name: nestclimate_command(folder, name) for name in names}
        Supervisor(commands, SystemClock(), database=room.database).run(stop)
    return 0
