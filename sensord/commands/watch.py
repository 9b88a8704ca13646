"""``watch``: compares readings with their bands, keeps the alarm log, pushes."""

from __future__ import annotations

import argparse
import logging
from typing import Protocol

from sensord.process import log_to_stderr, stop_on_signals
from sensord.wiring import Room

log = logging.getLogger(__name__)


class Background(Protocol):
    """What runs beside the watch in threads of its own."""

    def start(self) -> None:
        """Begin."""

    def stop(self) -> None:
        """End."""


def add(parser: argparse.ArgumentParser) -> None:
    """It takes no options: all is in station.toml."""
    del parser


def run(args: argparse.Namespace, room: Room) -> int:
    """Watch until SIGTERM or Ctrl-C."""
    del args
    log_to_stderr("watch")
    stop = stop_on_signals()
    for line in room.keeping.unused:
        log.warning("%s", line)
    outlook, push = room.outlook_runner(), room.push()
    watch = room.watch(outlook)
    heartbeat = room.heartbeat(watch.alive)
    others: list[Background] = [outlook, push, *([heartbeat] if heartbeat else [])]
    for other in others:
        other.start()
    try:
        watch.run(stop)
    finally:
        for other in others:
            other.stop()
    return 0
