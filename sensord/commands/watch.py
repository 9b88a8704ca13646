"""``watch``: compares readings with their bands, keeps the alarm log, pushes."""

from __future__ import annotations

import argparse

from sensord.process import log_to_stderr, stop_on_signals
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """It takes no options: all is in station.toml."""
    del parser


def run(args: argparse.Namespace, room: Room) -> int:
    """Watch until SIGTERM or Ctrl-C."""
    del args
    log_to_stderr("watch")
    stop = stop_on_signals()
    outlook, push = room.outlook_runner(), room.push()
    watch = room.watch(outlook)
    outlook.start()
    push.start()
    try:
        watch.run(stop)
    finally:
        outlook.stop()
        push.stop()
    return 0
