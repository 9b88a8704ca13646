"""Simulated buses for the tests of the probes' room."""

from __future__ import annotations

from datetime import datetime

from sensord.clock import Clock
from sensord.probes.scan import Scanner
from sensord.probes.simulated import SimulatedBus
from sensord.probes.simulated_chips import SimulatedSHT31
from sensord.settings import ProbeSettings

MILD = (25.0, 40.0)


def mild(_at: datetime) -> tuple[float, float]:
    """Air that never changes: the words 0x6666, 0x6666."""
    return MILD


def seat(name: str, address: int = 0x44, mux: int | None = None, channel: int | None = None) -> ProbeSettings:
    return ProbeSettings(hub="loft", name=name, address=address, mux=mux, channel=channel)


class Bench:
    """A bus, its chips by probe name, and a scanner."""

    def __init__(self, clock: Clock, *seats: ProbeSettings, reset_line: bool = False) -> None:
        self.clock = clock
        self.bus = SimulatedBus(clock, reset_line=reset_line)
        self.chips: dict[str, SimulatedSHT31] = {
            each.name: self.bus.add_sht31(each.address, mild, each.mux, each.channel) for each in seats
        }
        self.scanner = Scanner(self.bus, seats, clock, hub="loft")

    def scan(self) -> tuple[dict[str, tuple[float, float]], dict[str, str]]:
        """Readings and fault kinds by probe name."""
        scan = self.scanner.scan()
        readings = {each.probe_full_name.split("/")[1]: (each.temp_c, each.rh_pct) for each in scan.samples}
        return readings, {each.probe_full_name.split("/")[1]: each.kind.value for each in scan.faults}


def full_bench(clock: Clock) -> Bench:
    """128 probes behind 8 multiplexers."""
    return Bench(
        clock,
        *(
            seat(f"m{mux}c{channel}a{address:x}", address, 0x70 + mux, channel)
            for mux in range(8)
            for channel in range(8)
            for address in (0x44, 0x45)
        ),
    )
