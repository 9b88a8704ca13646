"""The whole way on a clock that moves when told: probes on a simulated bus, hub, broker, recorder, store, watch, message."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from sensord.alarms.deliveries import Deliveries
from sensord.alarms.engine import tuning_of
from sensord.alarms.log import AlarmLog
from sensord.alarms.teller import Teller
from sensord.alarms.watch import Watch
from sensord.clock import ManualClock
from sensord.db import open_db
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.link.memory import MemoryBroker, MemoryLink
from sensord.link.outbox import Outbox
from sensord.link.sensing import Sense
from sensord.model import Nest, NestKind, Place, Placement
from sensord.probes.scan import Scanner
from sensord.probes.simulated import SimulatedBus
from sensord.settings import AlarmSettings, HubSettings, ProbeSettings, RouteSettings
from sensord.store.inbox import Inbox
from sensord.store.recorder import Recorder
from sensord.store.sqlite import SqliteStore
from sensord.store.status import HubStatuses

NAMES = ("a", "b", "c", "d")


class Trusted:
    """A machine whose clock is right."""

    boot, serial, raspberry_pi = "boot", "serial", False

    def synchronised(self) -> bool:
        return True


class Way:
    """Four nests on one hub behind one multiplexer, scanned once a minute."""

    def __init__(self, folder: Path, clock: ManualClock) -> None:
        self.clock, self.broker = clock, MemoryBroker()
        seats = [ProbeSettings("shelf", name, 0x44, 0x70, channel) for channel, name in enumerate(NAMES)]
        bus = SimulatedBus(clock)
        self.chips = {each.name: bus.add_sht31(0x44, self.air, each.mux, each.channel) for each in seats}
        self.outbox = Outbox(folder / "outbox.db", boot="boot")
        self.sense = Sense(
            replace(HubSettings(), name="shelf"), Scanner(bus, seats, clock, hub="shelf"), self.outbox,
            lambda subscriber, will: MemoryLink(self.broker, "hub", subscriber, will), clock, Trusted(),
        )  # fmt: skip
        self.store, self.connection = SqliteStore(folder / "station.db"), open_db(folder / "station.db")
        self.recorder = Recorder(
            lambda subscriber: MemoryLink(self.broker, "record", subscriber),
            self.store, self.connection, clock, Inbox(),
        )  # fmt: skip
        self.recorder.start()
        registry = Registry(self.connection)
        registry.put_nests([Nest(name.upper(), NestKind.TUBE, "loft", "R1", "Lasius niger") for name in NAMES])
        registry.put_placements([
            Placement(f"shelf/{name}", name.upper(), "loft", Place.WET_END, 0) for name in NAMES
        ])  # fmt: skip
        self.log = AlarmLog(self.connection)
        teller = Teller(self.log, Deliveries(self.connection), [RouteSettings("phone")], UTC, "http://wall.example")
        self.watch = Watch(
            self.store, registry, self.connection, teller, clock, Keeping(load_species(None)),
            tuning_of(AlarmSettings()), hubs=HubStatuses(self.connection).all,
        )  # fmt: skip
        self.sense._publisher.start()

    def air(self, at: object) -> tuple[float, float]:
        """Mild, and never twice the same."""
        return 24.0 + self.clock.monotonic() % 700 / 1000, 80.0

    def minutes(self, count: int, *, hub_is_on: bool = True) -> None:
        for _ in range(count):
            self.clock.advance(60)
            if hub_is_on:
                self.sense.scan_once()
                self.sense._publisher.step()
            while self.recorder.step():
                pass
            self.watch.cycle()

    def titles(self) -> list[str]:
        return [row[0] for row in self.connection.execute("SELECT title FROM messages ORDER BY at_ms, id")]


@pytest.fixture
def way(tmp_path: Path, clock: ManualClock) -> Iterator[Way]:
    found = Way(tmp_path, clock)
    yield found
    found.outbox.close()
    found.store.close()
    found.connection.close()


def test_a_probe_that_is_unplugged_and_plugged_in_again(way: Way) -> None:
    way.minutes(5)
    way.chips["b"].unplugged = True
    way.minutes(30)
    assert way.titles() == ["nest B: probe faulty"]
    (body,) = (row[0] for row in way.connection.execute("SELECT body FROM messages"))
    assert "From the hub: probe shelf/b does not answer at 0x44 behind multiplexer 0x70 channel 1" in body
    way.chips["b"].unplugged = False
    way.minutes(15)
    assert way.titles()[1:] == ["Over: nest B probe faulty"]
    assert way.log.standing() == []


def test_a_hub_that_loses_its_power_is_told_at_once_and_again_when_it_stays_away(way: Way) -> None:
    """The broker gives out its last will; the readings end with it."""
    way.minutes(5)
    way.broker.vanish("hub")
    way.minutes(40, hub_is_on=False)
    assert way.titles() == ["hub shelf: no readings", "URGENT: hub shelf: no readings"]
    body = way.connection.execute("SELECT body FROM messages ORDER BY at_ms").fetchone()[0]
    assert "Hub shelf: it is off or cannot reach the broker; 4 probes are not read" in body
