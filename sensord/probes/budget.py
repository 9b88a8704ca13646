"""What a bus can carry: addresses, electrical budget, scan time. Pure.

Electrical formulas and limits: NXP UM10204, I2C-bus specification and user manual, section 7.1 (pull-up resistor
sizing) and its table of bus-line characteristics.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sensord.settings import ProbeSettings

SEATS_PER_MUX = 16
MUXES = 8
C_MAX_F = 400e-12
RISE_MAX_S = 1000e-9
V_OL_MAX, I_OL_A = 0.4, 3e-3
_RISE_FACTOR = math.log(0.7 / 0.3)

PI_PULL_UP_OHM = 1800.0
"""The Pi's own pull-up on SDA and SCL of bus 1, as its published schematics have it."""
BREAKOUT_PULL_UP_OHM = 10_000.0
"""Common practice on SHT31 and TCA9548A breakout boards; look at yours."""
PIN_F = 10e-12
"""Largest capacitance of one device's pin (UM10204)."""
CABLE_F_PER_M = 60e-12
"""Common practice for thin ribbon or network cable, each line against ground: 50 to 100 pF/m."""


def pull_up_min_ohm(supply_v: float) -> float:
    """Least pull-up that a 3 mA driver can still pull down to 0.4 V (UM10204 section 7.1), for a supply above 0.4 V."""
    return (supply_v - V_OL_MAX) / I_OL_A


def pull_up_max_ohm(capacitance_f: float, rise_max_s: float = RISE_MAX_S) -> float:
    """Largest pull-up that still rises in time from 0.3 to 0.7 of the supply (UM10204 section 7.1).

    Args:
        capacitance_f: of the line, farads, above 0. rise_max_s: 1000 ns at 100 kHz, 300 ns at 400 kHz.
    """
    return rise_max_s / (_RISE_FACTOR * capacitance_f)


def parallel_ohm(resistors: Iterable[float]) -> float:
    """Resistors side by side; infinite for none."""
    conductance = sum(1 / resistor for resistor in resistors)
    return 1 / conductance if conductance else math.inf


@dataclass(frozen=True, slots=True)
class Section:
    """One electrically separate piece: the trunk, or one channel behind a multiplexer.

    Attributes:
        boards: breakout boards on it that bring a pull-up each. chips: devices on the line. on_pi: the Pi's pull-up too.
        cable_m: length of cable, metres.
    """

    name: str
    boards: int
    chips: int
    on_pi: bool
    cable_m: float

    @property
    def capacitance_f(self) -> float:
        """Cable and pins, farads."""
        return self.cable_m * CABLE_F_PER_M + (self.chips + 1) * PIN_F

    @property
    def pull_up_ohm(self) -> float:
        """All pull-ups of the section side by side."""
        return parallel_ohm([BREAKOUT_PULL_UP_OHM] * self.boards + [PI_PULL_UP_OHM] * self.on_pi)

    def problems(self, supply_v: float = 3.3) -> list[str]:
        """What is beyond the limits at 100 kHz, one line each; empty where it is sound."""
        found = []
        low, high = pull_up_min_ohm(supply_v), pull_up_max_ohm(self.capacitance_f)
        if self.capacitance_f > C_MAX_F:
            found.append(
                f"{self.name}: {self.capacitance_f * 1e12:.0f} pF; allowed is 400 pF: shorten the cable or split it "
                "behind multiplexers"
            )
        if self.pull_up_ohm < low:
            found.append(
                f"{self.name}: pull-ups come to {self.pull_up_ohm:.0f} ohm; allowed is {low:.0f} or more: cut the "
                "pull-up jumpers on some boards"
            )
        if self.pull_up_ohm > high:
            found.append(
                f"{self.name}: pull-ups come to {self.pull_up_ohm:.0f} ohm; allowed is {high:.0f} or less: shorten the "
                "cable or add a pull-up"
            )
        return found


def sections(probes: Sequence[ProbeSettings], cable_m: float) -> list[Section]:
    """The electrically separate pieces of one hub's bus: the trunk with the Pi first, then each channel in use.

    Args:
        cable_m: of each section, metres. The open channel and the trunk are joined while a probe is read, so a channel
            is counted together with the trunk it hangs on.
    """
    muxes = len({probe.mux for probe in probes if probe.mux is not None})
    direct = sum(probe.mux is None for probe in probes)
    trunk = Section("trunk", direct + muxes, direct + muxes, on_pi=True, cable_m=cable_m)
    found = [trunk]
    channels = sorted({(p.mux, p.channel) for p in probes if p.mux is not None and p.channel is not None})
    for mux, channel in channels:
        count = sum((p.mux, p.channel) == (mux, channel) for p in probes)
        found.append(
            Section(
                f"multiplexer {mux:#x} channel {channel}, joined with the trunk",
                boards=trunk.boards + count,
                chips=trunk.chips + count,
                on_pi=True,
                cable_m=2 * cable_m,
            )
        )
    return found


def scan_s(probes: Sequence[ProbeSettings], hz: int = 100_000) -> float:
    """Wire time of one scan in seconds: 9 bits a byte, one each for START and STOP; at least one measurement, 15.5 ms.

    Each probe takes a 3-byte trigger and a 7-byte answer; each channel is opened twice, each multiplexer closed twice.
    """
    channels = {(p.mux, p.channel) for p in probes if p.mux is not None}
    muxes = {mux for mux, _ in channels}
    bits = len(probes) * ((9 * 3 + 2) + (9 * 7 + 2)) + (len(channels) + len(muxes)) * 2 * (9 * 2 + 2)
    return max(bits / hz, 0.0155) if probes else 0.0


def lay_out(count: int, hub: str) -> list[ProbeSettings]:
    """Seats for that many probes: two on the bus itself, from three on all behind multiplexers, two a channel.

    Args:
        count: 1 to 128, which is all that one bus can address.
    """
    if count <= 2:
        return [ProbeSettings(hub=hub, name=f"p{n + 1:03}", address=0x44 + n) for n in range(count)]
    return [
        ProbeSettings(
            hub=hub,
            name=f"p{n + 1:03}",
            address=0x44 + n % 2,
            mux=0x70 + n // SEATS_PER_MUX,
            channel=n % SEATS_PER_MUX // 2,
        )
        for n in range(count)
    ]
