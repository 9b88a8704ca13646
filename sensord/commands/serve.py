"""``serve``: the dashboard under a production server, one process, eight threads."""

from __future__ import annotations

import argparse
import ipaddress
import logging
import os
import threading
from typing import Any

from sensord.clock import to_ms
from sensord.errors import ConfigError, NestclimateError
from sensord.health import BEAT_EVERY_S, Beats
from sensord.process import log_to_stderr, stop_on_signals
from sensord.settings import DashboardSettings
from sensord.wiring import Room

THREADS = 8
REFRESH_EVERY_BEATS = 60
_log = logging.getLogger(__name__)


def add(parser: argparse.ArgumentParser) -> None:
    """It takes no options: all is in station.toml."""
    del parser


def run(args: argparse.Namespace, room: Room) -> int:
    """Serve until SIGTERM or Ctrl-C.

    Raises:
        ConfigError: the address is not loopback and nothing says who may look; or it cannot be listened on.
    """
    del args
    log_to_stderr("serve")
    stop = stop_on_signals()
    settings = room.config.dashboard
    network = network_of(settings)
    data = room.part("dashboard.data", "dashboard").Data(room)
    app = room.part("dashboard.app", "dashboard").create_app(data, room.clock, network)
    server = _listen(room, app, settings)
    thread = threading.Thread(target=_answer, args=(server, stop), name="waitress", daemon=True)
    thread.start()
    _log.info("http://%s:%s/", settings.host, server.effective_port)
    try:
        _beat(room, data, stop)
    finally:
        server.close()
        server.task_dispatcher.shutdown(timeout=3)
    return 0


def _answer(server: Any, stop: threading.Event) -> None:
    try:
        server.run()
    except OSError:  # waitress may be looking at a connection that is closed under it at the end
        if not stop.is_set():
            raise


def network_of(settings: DashboardSettings) -> str:
    """Who may look beside loopback: a network in CIDR form, empty for nobody.

    Raises:
        ConfigError: ``open_to`` is no network, or ``host`` is beyond loopback and ``open_to`` names none.
    """
    if settings.open_to:
        try:
            ipaddress.ip_network(settings.open_to)
        except ValueError as error:
            raise ConfigError(
                f"station.toml: dashboard.open_to = {settings.open_to!r}: allowed is a network such as 192.168.1.0/24 ({error})"
            ) from error
    elif not _is_loopback(settings.host):
        raise ConfigError(
            f"station.toml: dashboard.host = {settings.host!r}: is beyond loopback, where anybody on the network could look; "
            'name who may with open_to = "192.168.1.0/24" in [dashboard], or use 127.0.0.1'
        )
    return settings.open_to


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _listen(room: Room, app: Any, settings: DashboardSettings) -> Any:
    waitress = room.part("waitress.server", "dashboard")
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # it warns of every short wait for a thread
    try:
        return waitress.create_server(app, host=settings.host, port=settings.port, threads=THREADS, ident=None)
    except OSError as error:
        raise ConfigError(
            f"station.toml: dashboard.host = {settings.host!r}, port = {settings.port}: cannot listen there "
            f"({error.strerror or error}); stop what does, or choose another port"
        ) from error


def _beat(room: Room, data: Any, stop: threading.Event) -> None:
    """Leave a beat every 10 s, and have the slow parts computed beside the requests, every ten minutes."""
    since_ms, turn = to_ms(room.clock.now()), 0
    while not stop.is_set():
        try:
            Beats(room.connection).beat("serve", to_ms(room.clock.now()), since_ms=since_ms, pid=os.getpid())
            if turn % REFRESH_EVERY_BEATS == 0:
                data.refresh()
        except NestclimateError as error:
            _log.warning("%s", error)
        turn += 1
        stop.wait(BEAT_EVERY_S / max(1.0, min(20.0, getattr(room.clock, "speed", 1.0))))
