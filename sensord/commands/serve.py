"""``serve``: the dashboard under a production server, one process, eight threads."""

from __future__ import annotations

import argparse
import ipaddress
import logging
import os
import socket
import threading
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from sensord.addresses import is_loopback
from sensord.clock import to_ms
from sensord.errors import ConfigError, NestclimateError
from sensord.health import BEAT_EVERY_S, Beats
from sensord.process import log_to_stderr, stop_on_signals
from sensord.settings import DashboardSettings
from sensord.wiring import Room

THREADS = 8
MOST_BYTES = 1_000_000
REFRESH_EVERY_S = 600.0
GATHER_S = 1.0
_log = logging.getLogger(__name__)


def add(parser: argparse.ArgumentParser) -> None:
    """It takes no options: all is in station.toml."""
    del parser


def run(args: argparse.Namespace, room: Room) -> int:
    """Serve until SIGTERM or Ctrl-C.

    Raises:
        ConfigError: the address is not loopback and nobody may look; or it cannot be listened on.
    """
    del args
    log_to_stderr("serve")
    stop = stop_on_signals()
    settings = room.config.dashboard
    network = network_of(settings)
    refuse_closed(room)
    data = room.part("dashboard.data", "dashboard").Data(room)
    writing = room.part("dashboard.writing", "dashboard").Writing(room, data.forget)
    app = room.part("dashboard.app", "dashboard").create_app(
        data, room.clock, network, writing=writing, hosts=hosts_of(settings)
    )
    server = _listen(room, app, settings)
    ailment = Ailment()
    threads = [
        threading.Thread(target=answer, args=(server, stop), name="waitress", daemon=True),
        threading.Thread(target=refresh, args=(room, data, stop, ailment), name="refresh", daemon=True),
    ]
    for thread in threads:
        thread.start()
    _log.info("http://%s:%s/", settings.host, server.effective_port)
    try:
        _beat(room, stop, ailment)
    finally:
        server.task_dispatcher.shutdown(timeout=3)  # first: a thread that ends its answer still needs the server
        server.close()
        data.touched.set()
        threads[1].join(timeout=3)
    return 0


def answer(server: Any, stop: threading.Event) -> None:
    """Answer requests until told to stop. Whatever else ends it ends the process, which the supervisor starts again."""
    try:
        server.run()
    except Exception:  # noqa: BLE001 - told below, and the process ends
        if not stop.is_set():  # at the end waitress may be looking at a connection that is closed under it
            _log.exception("the server ended")
    finally:
        stop.set()


def network_of(settings: DashboardSettings) -> str:
    """Who may look without signing in, beside loopback: a network in CIDR form, empty for nobody.

    Raises:
        ConfigError: ``open_to`` is no network.
    """
    if settings.open_to:
        try:
            ipaddress.ip_network(settings.open_to)
        except ValueError as error:
            raise ConfigError(
                f"station.toml: dashboard.open_to = {settings.open_to!r}: allowed is a network such as 192.168.1.0/24 ({error})"
            ) from error
    return settings.open_to


def refuse_closed(room: Room) -> None:
    """A dashboard that listens beyond loopback is of use to somebody.

    Raises:
        ConfigError: nobody can sign in, and no network may look.
    """
    settings = room.config.dashboard
    if not settings.open_to and not is_loopback(settings.host) and not room.users.any():
        raise ConfigError(
            f"station.toml: dashboard.host = {settings.host!r}: is beyond loopback, and nobody can sign in yet; "
            "add somebody with 'nestclimate users add NAME', or name a network that may look with open_to, or use 127.0.0.1"
        )


def hosts_of(settings: DashboardSettings) -> frozenset[str]:
    """Names by which browsers may ask for this dashboard: the machine's own, and those of the configuration."""
    machine = socket.gethostname().lower()
    first = machine.partition(".")[0]
    named = urlsplit(settings.link if "//" in settings.link else f"//{settings.link}").hostname or ""
    return frozenset({machine, first, f"{first}.local", settings.host.lower(), named}) - {""}


def _listen(room: Room, app: Any, settings: DashboardSettings) -> Any:
    waitress = room.part("waitress.server", "dashboard")
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # it warns of every short wait for a thread
    try:
        return waitress.create_server(
            app, host=settings.host, port=settings.port, threads=THREADS, ident=None, max_request_body_size=MOST_BYTES,
            # kept, so that the guard sees who came by way of a proxy; none is ever believed more than our own eyes
            clear_untrusted_proxy_headers=False,
        )  # fmt: skip
    except OSError as error:
        raise ConfigError(
            f"station.toml: dashboard.host = {settings.host!r}, port = {settings.port}: cannot listen there "
            f"({error.strerror or error}); stop what does, or choose another port"
        ) from error


@dataclass
class Ailment:
    """What ails the dashboard, in one line; empty while nothing does. Its beat carries it to the wall and to /healthz."""

    note: str = ""


def _beat(room: Room, stop: threading.Event, ailment: Ailment) -> None:
    """Leave a beat every 10 s."""
    since_ms = to_ms(room.clock.now())
    while not stop.is_set():
        try:
            Beats(room.connection).beat(
                "serve", to_ms(room.clock.now()), since_ms=since_ms, pid=os.getpid(), note=ailment.note
            )
        except NestclimateError as error:
            _log.warning("%s", error)
        stop.wait(BEAT_EVERY_S / _speed(room))


def refresh(room: Room, data: Any, stop: threading.Event, ailment: Ailment, gather_s: float = GATHER_S) -> None:
    """Have the slow parts computed beside the requests: every ten minutes, and soon after something was written.

    Whatever fails is told and tried again: a thread that ended would leave old days on the wall for ever.

    Args:
        gather_s: what is written within that long is computed in one go.
    """
    while not stop.is_set():
        try:
            data.refresh()
            ailment.note = ""
        except NestclimateError as error:
            _log.warning("%s", error)
            ailment.note = " ".join(str(error).split())[:200]
        except Exception as error:  # noqa: BLE001 - a fault of ours is told, and the thread goes on
            _log.exception("outlook and round could not be made")
            ailment.note = f"outlook and round could not be made ({type(error).__name__}); the log of serve says more"
        data.touched.wait(REFRESH_EVERY_S / _speed(room))
        _gather(data.touched, stop, gather_s)


def _gather(touched: threading.Event, stop: threading.Event, gather_s: float) -> None:
    """Let what is written in one go be computed in one go: until nothing is written for a second, ten at most."""
    for _ in range(10):
        touched.clear()
        if stop.wait(gather_s) or not touched.is_set():
            return


def _speed(room: Room) -> float:
    return max(1.0, min(20.0, float(getattr(room.clock, "speed", 1.0))))
