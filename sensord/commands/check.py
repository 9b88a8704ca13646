"""``check``: every mistake in the configuration (the command line collects them), then what can be reached."""

from __future__ import annotations

import argparse
import json
import secrets
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from sensord.addresses import link_hint
from sensord.clock import HOUR_MS, to_ms
from sensord.commands.serve import network_of, refuse_closed
from sensord.errors import MissingPartError, NestclimateError
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import ANY
from sensord.probes.bus import BusInUseError
from sensord.wiring import Room

CONNECT_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True)
class Finding:
    """Whether one thing answers, and one line about it."""

    what: str
    ok: bool
    detail: str


def add(parser: argparse.ArgumentParser) -> None:
    """Options of ``check``."""
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args: argparse.Namespace, room: Room) -> int:
    """Print what answers; 0 when all does, 1 otherwise."""
    findings = [
        *_species(room),
        *_store(room),
        *_server(room),
        *_broker(room),
        *_buses(room),
        *_push(room),
        *_dashboard(room),
    ]
    ok = all(finding.ok for finding in findings)
    if args.json:
        print(json.dumps({"ok": ok, "checks": [asdict(finding) for finding in findings]}, ensure_ascii=False))
    else:
        table = Table("", "part", "what was found", title=f"{room.config.station.name}: station.toml is right")
        for finding in findings:
            table.add_row("ok" if finding.ok else "NO", escape(finding.what), escape(finding.detail))
        Console().print(table)
    return 0 if ok else 1


def _species(room: Room) -> Iterator[Finding]:
    """Mistakes in the keeper's own files of species, colonies and nests."""
    try:
        keeping = room.keeping
    except NestclimateError as error:
        yield from (Finding("species", False, problem) for problem in error.problems)
    else:
        own = len(keeping.by_colony) + len(keeping.by_nest)
        known = sum(species.key != ANY for species in keeping.library.values())
        yield Finding("species", True, f"{known} known, {own} colonies and nests with files of their own")
        yield from (Finding("species", False, line) for line in keeping.unused)
        yield from _without_file(room, keeping)


def _without_file(room: Room, keeping: Keeping) -> Iterator[Finding]:
    """Species that nests name and no file describes: nothing is wrong, but the keeper should know what holds there."""
    nests: dict[str, list[str]] = {}
    for nest in room.registry.nests():
        if keeping.species_of(nest).key == ANY:
            nests.setdefault(nest.species, []).append(nest.name)
    for species, names in sorted(nests.items()):
        what = f"species {species!r} has no file" if species else "no species noted"
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        yield Finding("species", True, f"nest {', '.join(names[:3])}{more}: {what}; the wide bands of any.toml hold")


def _store(room: Room) -> Iterator[Finding]:
    try:
        count = room.store.count()
    except NestclimateError as error:
        yield Finding("store", False, error.problems[0])
        return
    yield Finding("store", True, f"{room.config.store.kind}: {count} readings")
    yield from _set_aside(room)


def _set_aside(room: Room) -> Iterator[Finding]:
    """What came over the broker and could not be recorded; well again an hour after the last."""
    from sensord.store.aside import Aside

    aside = Aside(room.connection)
    counts, newest = aside.counts(), aside.newest(1)
    if newest:
        lately = to_ms(room.clock.now()) - newest[0].at_ms < HOUR_MS
        said = ", ".join(f"{kind} {count}" for kind, count in counts.items())
        yield Finding("set aside", not lately, f"{said}; the last on {newest[0].topic}: {newest[0].reason}")


def _server(room: Room) -> Iterator[Finding]:
    if room.config.store.kind == "sqlite":
        return
    from sensord.store.backlog import Backlog

    try:
        room.server.raw("check", 0, 1)
        waiting, given_up = Backlog(room.connection).counts()
    except NestclimateError as error:
        yield Finding("store server", False, error.problems[0])
    else:
        said = (
            f"stretches of readings not yet seen to be held: {waiting}, given up: {given_up}"
            if waiting
            else "nothing waits"
        )
        yield Finding("store server", not given_up, f"{room.server.name}: answers, {said}")


def _broker(room: Room) -> Iterator[Finding]:
    config = room.config
    broker = config.broker
    if broker is None:
        yield Finding("broker", True, "none configured: readings come by import only")
        return
    where = f"{broker.host}:{broker.port}"
    try:
        with socket.create_connection((broker.host, broker.port), CONNECT_WITHIN_S) as reached:
            if broker.tls_ca_file:
                trusted = ssl.create_default_context(cafile=str(config.path(broker.tls_ca_file)))
                trusted.wrap_socket(reached, server_hostname=broker.host).close()
    except ssl.SSLError as error:
        yield Finding("broker", False, f"{where}: answers, but no TLS with it ({error}); is tls_ca_file its authority?")
    except OSError as error:
        if broker.embedded:
            yield Finding("broker", True, f"{where}: embedded, starts with 'nestclimate station'")
        else:
            yield Finding("broker", False, f"{where}: does not answer ({error.strerror or error}); is it running?")
    else:
        yield _login(where, room)


def _login(where: str, room: Room) -> Finding:
    """Whether the broker lets us in: with this name and password, in this version of MQTT."""
    try:
        link = room.link(f"nestclimate-check-{secrets.token_hex(4)}")
    except NestclimateError as error:
        return Finding("broker", False, error.problems[0])
    link.start()
    waited, deadline_s = threading.Event(), time.monotonic() + CONNECT_WITHIN_S + 1
    while not (link.connected or link.problem or time.monotonic() > deadline_s):
        waited.wait(0.05)
    let_in, problem = link.connected, link.problem
    link.close(1)
    return Finding("broker", let_in, f"{where}: lets us in" if let_in else problem or f"{where}: does not answer")


def _buses(room: Room) -> Iterator[Finding]:
    for hub in room.config.hubs:
        what = f"hub {hub.name}"
        try:
            scan = room.scanner(hub.name).scan()
        except BusInUseError:
            yield Finding(what, True, "is being read; stop 'nestclimate sense' to have its probes looked at here")
            continue
        except NestclimateError as error:
            yield Finding(what, False, error.problems[0])
            continue
        detail = "; ".join(str(fault) for fault in scan.faults) or "all answer"
        yield Finding(what, not scan.faults, f"{len(scan.samples)} probes read: {detail}")


def _push(room: Room) -> Iterator[Finding]:
    if room.config.push is None or not room.config.push.route:
        yield Finding("push", True, "no [[push.route]]: alarms show on the wall only")
        return
    try:
        room.push()
    except NestclimateError as error:
        yield from (Finding("push", False, problem) for problem in error.problems)
        return
    for name in room.route_names():
        yield Finding(f"push {name}", True, "address is understood; 'nestclimate push test' sends a message")


def _dashboard(room: Room) -> Iterator[Finding]:
    """Whether anybody could sign in; on a hub, which has no dashboard, nothing."""
    settings = room.config.dashboard
    try:
        network = network_of(settings)
        refuse_closed(room)
        users = room.users.all(to_ms(room.clock.now()))
    except MissingPartError:
        return
    except NestclimateError as error:
        yield Finding("dashboard", False, error.problems[0])
    else:
        may = ", ".join(user.name for user in users) or "nobody yet, see 'nestclimate users add'"
        looks = f"; {network} may look" if network else ""
        yield Finding("dashboard", True, f"{settings.host}:{settings.port}; may sign in and write: {may}{looks}")
        hint = link_hint(settings, socket.gethostname()) if room.route_names() else ""
        if hint:
            yield Finding("links", True, hint)
