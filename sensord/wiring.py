"""The composition root: the only module that names concrete adapters. Everything is built when first asked for."""

from __future__ import annotations

import importlib
import os
import socket
from dataclasses import replace
from functools import cached_property
from types import ModuleType
from typing import TYPE_CHECKING

from sensord.addresses import link_of
from sensord.db import open_db
from sensord.errors import ConfigError, MissingPartError, StoreError, how_to_install

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from sqlite3 import Connection

    from sensord.access.users import Users
    from sensord.alarms.heartbeat import Heartbeat
    from sensord.alarms.log import AlarmLog
    from sensord.alarms.outlook_runner import OutlookRunner
    from sensord.alarms.push import Push
    from sensord.alarms.reservoir import Outlook
    from sensord.alarms.watch import Watch
    from sensord.clock import Clock
    from sensord.config import Config
    from sensord.forecast import Forecast
    from sensord.insight.history import History
    from sensord.keeping.calibrations import Calibrations
    from sensord.keeping.hand_checks import HandChecks
    from sensord.keeping.keeping import Keeping
    from sensord.keeping.registry import Registry
    from sensord.keeping.species import Library
    from sensord.link.base import Link, Subscriber, Will
    from sensord.link.broker import EmbeddedBroker
    from sensord.link.machine import Machine
    from sensord.link.outbox import Outbox
    from sensord.lives import Lives
    from sensord.probe_checks import ProbeChecks
    from sensord.probes.bus import OwnedBus
    from sensord.probes.scan import Scanner
    from sensord.reviewing import Reviewing
    from sensord.rounds import Rounds
    from sensord.settings import BrokerSettings, HubSettings
    from sensord.store.base import ReadingStore
    from sensord.store.server import Server


class Room:
    """One configured room: its settings, its clock, and the adapters that serve it.

    What it returns belongs to the calling thread; build another Room for another thread.
    """

    def __init__(self, config: Config, clock: Clock) -> None:
        self.config, self.clock = config, clock

    @cached_property
    def database(self) -> Path:
        """The station's SQLite file."""
        folder = self.config.data
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"station.data = {folder}: the folder cannot be made ({error.strerror})") from error
        return folder / "station.db"

    @cached_property
    def connection(self) -> Connection:
        """A connection to that file for this thread: registry, alarm log, statuses and the like share it."""
        return open_db(self.database)

    @cached_property
    def store(self) -> ReadingStore:
        """Where readings are kept: station.db, and a copy on the configured server."""
        from sensord.store.backlog import Backlog
        from sensord.store.sqlite import SqliteStore

        record = SqliteStore(self.database)
        if self.config.store.kind == "sqlite":
            Backlog(self.connection).forget_server()
            return record
        mirror = self.part("sensord.store.mirror", "station")
        found: ReadingStore = mirror.MirroredStore(record, open_db(self.database), self.server, self.clock)
        return found

    @cached_property
    def server(self) -> Server:
        """The configured time series server; only where ``store.kind`` names one."""
        given = self.config.store
        token = self._secret("store.token", given.token_file, "")
        if given.kind == "influxdb":
            influx = self.part("sensord.store.influx", "station")
            server: Server = influx.InfluxServer(given.url, given.org, given.bucket, token)
        else:
            victoria = self.part("sensord.store.victoria", "station")
            server = victoria.VictoriaServer(given.url, token)
        return server

    @cached_property
    def registry(self) -> Registry:
        """Nests, placements and journal."""
        from sensord.keeping.registry import Registry

        return Registry(self.connection)

    @cached_property
    def calibrations(self) -> Calibrations:
        """Every calibration of every probe."""
        from sensord.keeping.calibrations import Calibrations

        return Calibrations(self.connection)

    @cached_property
    def hand_checks(self) -> HandChecks:
        """Checks of probes that left no calibration."""
        from sensord.keeping.hand_checks import HandChecks

        return HandChecks(self.connection)

    @cached_property
    def history(self) -> History:
        """Calibrated series of places and rooms."""
        history = self.part("sensord.insight.history", "station")
        found: History = history.History(self.store, self.registry, self.calibrations)
        return found

    @cached_property
    def forecast(self) -> Forecast:
        """When each reservoir runs dry."""
        from sensord.keeping.outlook_cache import OutlookCache

        forecast = self.part("sensord.forecast", "station")
        found: Forecast = forecast.Forecast(self.history, self.registry, OutlookCache(self.connection, self.clock))
        return found

    @cached_property
    def reviewing(self) -> Reviewing:
        """What the climate did before a die-off."""
        reviewing = self.part("sensord.reviewing", "station")
        found: Reviewing = reviewing.Reviewing(self.history, self.registry, self.keeping)
        return found

    @cached_property
    def lives(self) -> Lives:
        """Who lived where and how long."""
        lives = self.part("sensord.lives", "station")
        found: Lives = lives.Lives(self.history, self.registry, self.reviewing, self.config.zone)
        return found

    @cached_property
    def _buses(self) -> dict[str, OwnedBus]:
        return {}

    def bus(self, hub_name: str) -> OwnedBus:
        """The I2C bus of a hub, opened when first asked for; this Room is its only owner.

        Raises:
            ConfigError: there is no such hub.
            ProbeError: the bus cannot be opened, or has another owner.
        """
        hub = next((hub for hub in self.config.hubs if hub.name == hub_name), None)
        if hub is None:
            known = ", ".join(each.name for each in self.config.hubs) or "none"
            raise ConfigError(f"hub {hub_name!r}: there is no [[hub]] of that name; there are: {known}")
        if hub_name not in self._buses:
            if hub.bus == "simulated":
                from sensord.probes.simulated import simulated_hub_bus

                self._buses[hub_name] = simulated_hub_bus(hub, self.config.probes, self.clock, self.config.folder)
            else:
                from sensord.probes.hardware import open_pi_bus

                self._buses[hub_name] = open_pi_bus(hub.bus_number)
        return self._buses[hub_name]

    def scanner(self, hub_name: str) -> Scanner:
        """Reads all probes of a hub. A new one each time; use one.

        Raises:
            ConfigError, ProbeError: as ``bus``.
        """
        from sensord.probes.scan import Scanner

        return Scanner(self.bus(hub_name), self.config.probes, self.clock, hub=hub_name)

    @cached_property
    def library(self) -> Library:
        """Species by scientific name."""
        from sensord.keeping.species import load_species

        return load_species(self.config.folder)

    @cached_property
    def keeping(self) -> Keeping:
        """Species and season of each nest.

        Raises:
            ConfigError: the keeper's own files of species, colonies or nests are wrong; one line a mistake.
        """
        return self.keeping_under(self.library)

    def keeping_under(self, library: Library) -> Keeping:
        """Species and season of each nest, were these the species files.

        Raises:
            ConfigError: the keeper's own files of species, colonies or nests are wrong; one line a mistake.
        """
        from sensord.keeping.keeping import Keeping
        from sensord.keeping.species import load_own_species

        folder, station = self.config.folder, self.config.station
        keeping = Keeping(library, station.hemisphere, self.config.zone)
        nests, problems, unused = self.registry.history(), list[str](), list[str]()
        colonies = {nest.colony: keeping.species_of(nest) for nest in nests if nest.colony}
        by_colony = load_own_species(folder / "colonies", "colony", colonies, problems, unused)
        keeping = replace(keeping, by_colony=by_colony)
        named = {nest.name: keeping.species_of(nest) for nest in nests}
        by_nest = load_own_species(folder / "nests", "nest", named, problems, unused)
        if problems:
            raise ConfigError(*problems, *unused)
        return replace(keeping, by_nest=by_nest, unused=tuple(unused))

    @cached_property
    def probe_checks(self) -> ProbeChecks:
        """What the last days say of every probe."""
        checks = self.part("sensord.probe_checks", "station")
        found: ProbeChecks = checks.ProbeChecks(self.store, self.registry, self.history)
        return found

    @cached_property
    def rounds(self) -> Rounds:
        """What to do today."""
        rounds = self.part("sensord.rounds", "station")
        found: Rounds = rounds.Rounds(
            self.registry, self.history, self.forecast, self.calibrations, self.keeping, self.hand_checks
        )
        return found

    @cached_property
    def alarm_log(self) -> AlarmLog:
        """Every alarm there was."""
        from sensord.alarms.log import AlarmLog

        return AlarmLog(self.connection)

    @cached_property
    def users(self) -> Users:
        """Who may sign in, and who is signed in."""
        from sensord.access.users import Users

        return Users(self.connection, self.part("sensord.access.passwords", "dashboard").Passwords())

    def route_names(self) -> list[str]:
        """Names of the push routes."""
        return [route.name for route in self.config.push.route] if self.config.push else []

    def push(self) -> Push:
        """All push routes, not yet started."""
        push: Push = self.part("sensord.alarms.push", "station").Push(self.config, self.database, self.clock)
        return push

    def watch(self, outlook: OutlookRunner | None = None) -> Watch:
        """The watch of this room."""
        from sensord.alarms.deliveries import Deliveries
        from sensord.alarms.engine import tuning_of
        from sensord.alarms.teller import Teller
        from sensord.alarms.watch import Watch
        from sensord.clock import MINUTE_MS
        from sensord.settings import PushSettings
        from sensord.store.status import HubStatuses

        push = self.config.push or PushSettings()
        teller = Teller(
            self.alarm_log,
            Deliveries(self.connection),
            push.route,
            self.config.zone,
            link_of(self.config.dashboard, socket.gethostname()),
            quiet=(push.quiet_from, push.quiet_until),
            remind_ms=push.remind_min * MINUTE_MS,
            escalate_ms=push.escalate_after_min * MINUTE_MS,
        )
        tuning = tuning_of(self.config.alarms)
        return Watch(
            self.store,
            self.registry,
            self.connection,
            teller,
            self.clock,
            self.keeping,
            tuning,
            calibrations=self.calibrations.all,
            outlook=outlook.latest if outlook else None,
            hubs=HubStatuses(self.connection).all,
        )

    def heartbeat(self, alive: Callable[[], bool]) -> Heartbeat | None:
        """The sign of life to somebody else, not yet started; None where none is configured."""
        push = self.config.push
        if push is None or not (push.heartbeat_url_file or push.heartbeat_url_env):
            return None
        from sensord.alarms.heartbeat import Heartbeat

        secret_address = self.part("sensord.alarms.push", "station").secret_address
        address = secret_address("push.heartbeat", push.heartbeat_url_file, push.heartbeat_url_env, self.config)
        return Heartbeat(address, push.heartbeat_every_s, self.clock, alive)

    def outlook_runner(self) -> OutlookRunner:
        """The outlook for the watch, not yet started; its thread has a room of its own."""
        from sensord.alarms.outlook_runner import OutlookRunner, days_left

        return OutlookRunner(lambda: days_left(Room(self.config, self.clock).forecast), self.clock)

    def past_outlook(self) -> Outlook:
        """The outlook as it would have been made in the past; it leaves what the station has learned alone."""
        from sensord.alarms.outlook_runner import days_left
        from sensord.keeping.outlook_cache import OutlookMemory

        forecast = self.part("sensord.forecast", "station")
        return days_left(forecast.Forecast(self.history, self.registry, OutlookMemory()))

    def link(self, client_id: str, subscriber: Subscriber | None = None, will: Will | None = None) -> Link:
        """A new link to the configured broker, not yet started.

        Raises:
            ConfigError: there is no [broker], or its password cannot be read.
        """
        broker = self.config.broker
        if broker is None:
            raise ConfigError(f"{self.config.folder}/station.toml: broker: is missing; add [broker]")
        from sensord.link.mqtt import MqttLink

        ca_file = self.config.path(broker.tls_ca_file) if broker.tls_ca_file else None
        username, password = self._broker_login(broker)
        broker = replace(broker, username=username)
        return MqttLink(broker, client_id, subscriber, will, password=password, tls_ca_file=ca_file)

    def embedded_broker(self) -> EmbeddedBroker:
        """The broker that runs inside ``station``, not yet started.

        Raises:
            ConfigError: [broker] does not ask for one.
            MissingPartError: amqtt is not installed.
        """
        broker = self.config.broker
        if broker is None or not broker.embedded:
            raise ConfigError(f"{self.config.folder}/station.toml: broker.embedded: is not true")
        username, password = self._broker_login(broker)
        part = self.part("sensord.link.broker", "station")
        made: EmbeddedBroker = part.EmbeddedBroker(broker.port, username=username, password=password, host=broker.host)
        return made

    def _broker_login(self, broker: BrokerSettings) -> tuple[str, str]:
        """As configured; an embedded broker without a configured login shares one in the data folder."""
        if broker.embedded and not broker.username:
            from sensord.link.login import USERNAME, shared_password

            return USERNAME, shared_password(self.config.data / "broker-password")
        return broker.username, self._secret("broker.password", broker.password_file, broker.password_env)

    @cached_property
    def machine(self) -> Machine:
        """What this process must know of the machine it runs on."""
        from sensord.link.machine import LinuxMachine

        return LinuxMachine()

    def outbox(self, hub: HubSettings) -> Outbox:
        """The outbox of a hub; one process at a time.

        Raises:
            StoreError: another process uses it, or it cannot be written.
        """
        from sensord.link.outbox import Outbox

        path = self.config.data / f"outbox-{hub.name}.db"
        machine = self.machine
        return Outbox(path, boot=machine.boot, most_rows=hub.outbox_rows, machine=machine.serial)

    def _secret(self, key: str, file: str, variable: str) -> str:
        """What the file or the environment variable holds; empty where neither is named. It is never shown."""
        if file:
            try:
                return self.config.path(file).read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                raise ConfigError(f"{key}_file = {file!r}: cannot be read ({error})") from error
        if variable and variable not in os.environ:
            raise ConfigError(f"{key}_env = {variable!r}: that environment variable is not set")
        return os.environ[variable] if variable else ""

    def part(self, module: str, extra: str) -> ModuleType:
        """A module whose packages not every installation has.

        Raises:
            MissingPartError: says which extra to install.
        """
        try:
            return importlib.import_module(module)
        except ModuleNotFoundError as error:
            raise MissingPartError(f"{module} needs the package {error.name!r}: {how_to_install(extra)}") from error
