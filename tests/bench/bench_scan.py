"""Scan of 128 probes behind 8 multiplexers at 100 kHz, beside the plain loop over the driver's two properties.

Both run on the same simulated bus and machine clock, one after the other. Run: python tests/bench/bench_scan.py [--smoke]
"""

from __future__ import annotations

import argparse
from datetime import datetime

import adafruit_sht31d
import adafruit_tca9548a

from sensord.clock import SystemClock
from sensord.probes.scan import Scanner
from sensord.probes.simulated import SimulatedBus
from sensord.settings import ProbeSettings

Drivers = list[adafruit_sht31d.SHT31D]


def air(_at: datetime) -> tuple[float, float]:
    return 24.0, 70.0


def seats(muxes: int) -> list[ProbeSettings]:
    return [
        ProbeSettings(
            hub="bench", name=f"m{mux}c{channel}a{address:x}", address=address, mux=0x70 + mux, channel=channel
        )
        for mux in range(muxes)
        for channel in range(8)
        for address in (0x44, 0x45)
    ]


def plain_drivers(bus: SimulatedBus, probes: list[ProbeSettings]) -> Drivers:
    muxes = {probe.mux: adafruit_tca9548a.TCA9548A(bus, probe.mux) for probe in probes}
    return [adafruit_sht31d.SHT31D(muxes[probe.mux][probe.channel], probe.address) for probe in probes]


def plain_loop(drivers: Drivers) -> list[tuple[float, float]]:
    return [(driver.temperature, driver.relative_humidity) for driver in drivers]


def main(arguments: list[str] | None = None) -> int:
    """Print the figures; 1 where the scan takes more than 1.25 times its wire time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="one multiplexer, one round: only to see that it runs")
    smoke = parser.parse_args(arguments).smoke
    clock = SystemClock()
    bus = SimulatedBus(clock)
    probes = seats(1 if smoke else 8)
    for probe in probes:
        bus.add_sht31(probe.address, air, probe.mux, probe.channel)
    scanner = Scanner(bus, probes, clock)
    scanner.scan()
    best = (float("inf"), 1.0)
    for _ in range(1 if smoke else 5):
        wire_s, before_s = bus.wire_s, clock.monotonic()
        scan = scanner.scan()
        if len(scan.samples) != len(probes):
            raise SystemExit(f"{len(scan.samples)} of {len(probes)} probes read")
        best = min(best, (clock.monotonic() - before_s, bus.wire_s - wire_s))
    drivers = plain_drivers(bus, probes)
    before_s = clock.monotonic()
    plain_loop(drivers)
    plain_s = clock.monotonic() - before_s
    scan_s, wire_s = best
    print(f"{len(probes)} probes, 100 kHz, machine clock; best of the rounds")
    print(f"wire time of a scan        {wire_s:8.3f} s   1.00")
    print(
        f"scan                       {scan_s:8.3f} s   {scan_s / wire_s:.2f} x wire time{'' if smoke else ' (allowed 1.25)'}"
    )
    print(
        f"plain loop, two properties {plain_s:8.3f} s   {plain_s / wire_s:.2f} x wire time, {plain_s / scan_s:.1f} x scan"
    )
    return 0 if smoke or scan_s <= 1.25 * wire_s else 1


if __name__ == "__main__":
    raise SystemExit(main())
