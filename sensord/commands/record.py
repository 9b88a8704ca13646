"""``nestclimate record``: MQTT to store, and receipts to the hubs."""

from __future__ import annotations

import argparse
import fcntl
import hashlib
import socket
from collections.abc import Iterator
from contextlib import contextmanager

from sensord.errors import ConfigError, NestclimateError
from sensord.process import log_to_stderr, stop_on_signals
from sensord.store.recorder import Recorder
from sensord.wiring import Room


def add(parser: argparse.ArgumentParser) -> None:
    """It takes no options: all is in station.toml."""
    del parser


def run(args: argparse.Namespace, room: Room) -> int:
    """Record until SIGTERM or Ctrl-C; an error of the store ends the process with status 1."""
    del args
    if room.config.broker is None:
        raise ConfigError(
            f"{room.config.folder}/station.toml: broker: is missing; record needs a [broker] to listen to"
        )
    log_to_stderr("record")
    stop = stop_on_signals()
    with _alone(room):
        name = _client_id(room)
        Recorder(lambda subscriber: room.link(name, subscriber), room.store, room.connection, room.clock).run(stop)
    return 0


def _client_id(room: Room) -> str:
    """The same after every start, so that the broker keeps our session; another for every station."""
    where = f"{socket.gethostname()}:{room.config.data.resolve()}"
    return "nestclimate-record-" + hashlib.sha256(where.encode()).hexdigest()[:12]


@contextmanager
def _alone(room: Room) -> Iterator[None]:
    """Two recorders of one station would throw each other off the broker for ever."""
    with (room.database.parent / "record.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise NestclimateError(f"record: another recorder of {room.database} is running; stop it first") from error
        yield
