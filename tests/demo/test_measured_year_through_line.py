"""A measured year through the whole line, from simulated silicon to the store and back.

Source: NREL, Typical Meteorological Year 3 (Wilcox and Marion 2008, Users Manual for TMY3 Data Sets, NREL/TP-581-43156),
station 703165 Sand Point, Alaska, as the pvlib wheel carries it: 8760 hours of dry-bulb temperature and relative humidity.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path

import pvlib.iotools
import pytest
from brokers import Mosquitto, mosquitto  # noqa: F401 - the fixture
from waiting import wait_until

from sensord.clock import HOUR_MS, ManualClock, SystemClock, from_ms, to_ms
from sensord.db import open_db
from sensord.link.mqtt import MqttLink
from sensord.link.outbox import Outbox
from sensord.link.publisher import Publisher
from sensord.link.sensing import Scanned, Sense
from sensord.probes.scan import Scanner
from sensord.probes.simulated import SimulatedBus
from sensord.probes.simulated_air import series_air
from sensord.settings import HubSettings, ProbeSettings
from sensord.store.recorder import Recorder
from sensord.store.sqlite import SqliteStore

HOURS = 8760
YEAR = 2025  # its months come from several years; all are dated as of this one, since a hub does not believe a clock before 2024
STATION = "703165TY.csv"
PROBE = ProbeSettings("sand-point", "mast", 0x44, 0x70, 3)
STEP_C, STEP_PCT = 175 / 65535, 100 / 65535  # SHT31: 16-bit words over 175 K and 100 % (Sensirion data sheet, 4.13)
LATE_MS = 100  # a scan is dated when it is triggered, some milliseconds of wire time after the hour

pytestmark = [pytest.mark.slow, pytest.mark.mosquitto]

Row = tuple[int, float, float]


def measured_year() -> list[Row]:
    data, _ = pvlib.iotools.read_tmy3(str(files("pvlib") / "data" / STATION), coerce_year=YEAR, map_variables=True)
    first_ms = to_ms(datetime(YEAR, 1, 1, 10, tzinfo=UTC))  # 01:00 at UTC-9, the end of its first hour
    temps, humidities = data["temp_air"].tolist(), data["relative_humidity"].tolist()
    return [(first_ms + hour * HOUR_MS, temps[hour], humidities[hour]) for hour in range(HOURS)]


@dataclass
class OneYear:
    """A scanner that ends the year after its last hour."""

    scanner: Scanner
    stop: threading.Event
    left: int = HOURS

    def scan(self) -> Scanned:
        self.left -= 1
        if self.left == 0:
            self.stop.set()
        return self.scanner.scan()


def record(folder: Path, broker: Mosquitto, stop: threading.Event) -> None:
    store, connection = SqliteStore(folder / "station.db"), open_db(folder / "station.db")
    Recorder(lambda hearing: MqttLink(broker.settings, "recorder", hearing), store, connection, SystemClock()).run(stop)
    store.close()
    connection.close()


def sense_a_year(folder: Path, broker: Mosquitto, rows: list[Row], machine: TestMachine) -> None:
    """Scan every hour of the year, then publish on until the recorder has told that it has all."""
    clock, stop = ManualClock(from_ms(rows[0][0])), threading.Event()
    bus = SimulatedBus(clock)
    bus.add_sht31(PROBE.address, series_air(rows), PROBE.mux, PROBE.channel)
    hub = HubSettings(PROBE.hub, bus="simulated", clock="trusted", every_s=3600)
    outbox = Outbox(folder / "outbox.db", boot=machine.boot)
    year = OneYear(Scanner(bus, [PROBE], clock), stop)

    def connect(hearing, will):
        return MqttLink(broker.settings, "hub", hearing, will)

    Sense(hub, year, outbox, connect, clock, machine).run(stop)
    drain = threading.Event()
    publisher = Publisher(hub.name, outbox, connect, boot=machine.boot)
    publishing = threading.Thread(target=publisher.run, args=(drain,))
    publishing.start()
    wait_until(lambda: outbox.fill().rows == 0, within_s=60, what="the recorder has told that it has all")
    drain.set()
    publishing.join()
    outbox.close()


class TestMachine:
    """A machine whose clock is trusted; it never rebooted."""

    __test__ = False
    boot, serial, raspberry_pi = "one-boot", "", False

    def synchronised(self) -> bool:
        return True


def test_a_measured_year_comes_back_in_order_once_and_at_the_right_time(tmp_path: Path, mosquitto: Mosquitto) -> None:  # noqa: F811
    """8760 hours of NREL TMY3 station 703165 come back within the sensor's own steps."""
    rows, recording = measured_year(), threading.Event()
    recorder = threading.Thread(target=record, args=(tmp_path, mosquitto, recording))
    recorder.start()
    try:
        sense_a_year(tmp_path, mosquitto, rows, TestMachine())
    finally:
        recording.set()
        recorder.join()
    store = SqliteStore(tmp_path / "station.db")
    name = f"{PROBE.hub}/{PROBE.name}"
    kept = store.raw(name, 0, to_ms(datetime(YEAR + 2, 1, 1, tzinfo=UTC)))
    assert (store.probes(), store.count(), len(kept)) == ([name], HOURS, HOURS)
    store.close()
    wrong_time = [at for at, row in zip(kept.at_ms, rows, strict=True) if not 0 <= at - row[0] <= LATE_MS]
    wrong_temp = [(row, got) for got, row in zip(kept.temp_c, rows, strict=True) if abs(got - row[1]) > STEP_C]
    wrong_rh = [(row, got) for got, row in zip(kept.rh_pct, rows, strict=True) if abs(got - row[2]) > STEP_PCT]
    assert (wrong_time, wrong_temp, wrong_rh) == ([], [], [])
    assert len(set(kept.temp_c)) > 50  # the year is no constant
