"""A simulated I2C bus that the real drivers cannot tell from the Pi's: for the demo, for tests, and to try a room first.

It obeys the ``Bus`` protocol, takes the wire time of each transfer from the clock it is given, joins what answers at
once (open-drain lines are a wired AND), and fails as a bus fails.
"""

from __future__ import annotations

import errno
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sensord.clock import Clock, ManualClock
from sensord.errors import InputError, ProbeError
from sensord.probes.simulated_air import invented_air, read_air_file, series_air
from sensord.probes.simulated_chips import Air, SimulatedSHT31, SimulatedTCA9548A
from sensord.settings import HubSettings, ProbeSettings

Chip = SimulatedSHT31 | SimulatedTCA9548A

HELD_TIMEOUT_S = 1.0
"""How long a transfer on a stuck bus takes to fail; the Linux I2C core waits a second."""
_SETTLE_REAL_S = 0.002


class SimulatedBus:
    """An I2C bus at ``hz`` with SHT31s on it, directly or behind TCA9548As.

    Args:
        hz: bus clock, 100 000 as the Pi has it.
        reset_line: whether the multiplexers' RESET pins are wired to the hub.

    Attributes:
        wire_s: seconds of wire time so far: 9 bits a byte, one each for START and STOP.
    """

    def __init__(self, clock: Clock, hz: int = 100_000, *, reset_line: bool = False) -> None:
        self._clock, self._hz, self.reset_line = clock, hz, reset_line
        self._lock = threading.Lock()
        self._trunk: dict[int, SimulatedSHT31] = {}
        self.muxes: dict[int, SimulatedTCA9548A] = {}
        self.wire_s = 0.0
        self.transfers = 0
        # Short sleeps overshoot: in real time the debt is slept off in bits of 2 ms; by hand every transfer is exact.
        speed = getattr(clock, "speed", 1.0)
        self._settle_s = 0.0 if isinstance(clock, ManualClock) else _SETTLE_REAL_S * speed
        self._debt_s = 0.0

    def add_sht31(self, address: int, air: Air, mux: int | None = None, channel: int | None = None) -> SimulatedSHT31:
        """Put an SHT31 on the bus, or behind a multiplexer, which is put there where it is missing.

        Raises:
            ProbeError: an address that the chip cannot have, or that is taken there.
        """
        if address not in {0x44, 0x45}:
            raise ProbeError(f"simulated SHT31 at {address:#x}: allowed is 0x44 or 0x45")
        seats = self._trunk if mux is None else self.add_mux(mux).channels[channel or 0]
        if address in seats:
            raise ProbeError(f"simulated SHT31 at {address:#x}: the address is taken there")
        serial = ((mux or 0) << 16) | ((channel or 0) << 8) | address
        seats[address] = SimulatedSHT31(air, self._clock, serial)
        return seats[address]

    def add_mux(self, address: int) -> SimulatedTCA9548A:
        """Put a multiplexer on the bus, once.

        Raises:
            ProbeError: not 0x70 to 0x77.
        """
        if not 0x70 <= address <= 0x77:
            raise ProbeError(f"simulated TCA9548A at {address:#x}: allowed is 0x70 to 0x77")
        return self.muxes.setdefault(address, SimulatedTCA9548A())

    def try_lock(self) -> bool:
        """Take the bus; whether it was free."""
        return self._lock.acquire(blocking=False)

    def unlock(self) -> None:
        """Give the bus back."""
        if self._lock.locked():
            self._lock.release()

    def scan(self) -> list[int]:
        """Every address that answers an empty write."""
        found = []
        for address in range(0x08, 0x78):
            try:
                self.writeto(address, b"")
            except OSError as error:
                if error.errno == errno.ETIMEDOUT:
                    raise
            else:
                found.append(address)
        return found

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None, stop: bool = True) -> None:
        """START, address, bytes, STOP; ``OSError`` 121 where nobody answers, 110 where the bus is held."""
        data = bytes(memoryview(buffer)[start:end])
        chips = self._answering(address, read=False)
        self._pass_bits(9 * (1 + len(data)) + 2)
        for chip in chips:
            chip.write(data)
        if stop:
            self._stop()

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None, stop: bool = True
    ) -> None:
        """START, address, read, STOP; where several answer, a 0 bit of one wins."""
        view = memoryview(buffer)[start:end]
        chips = self._answering(address, read=True)
        self._clock.sleep(max((chip.stretch_s() for chip in chips if isinstance(chip, SimulatedSHT31)), default=0.0))
        answers = [chip.read(len(view)) for chip in chips]
        self._pass_bits(9 * (1 + len(view)) + 2)
        joined = answers[0]
        for other in answers[1:]:
            joined = bytes(a & b for a, b in zip(joined, other, strict=True))
        view[:] = joined
        if stop:
            self._stop()

    def writeto_then_readfrom(self, address: int, buffer_out: Any, buffer_in: Any, **slices: int | None) -> None:
        """Write, repeated START, read, STOP (``out_start``, ``out_end``, ``in_start``, ``in_end``)."""
        out_start, in_start = slices.get("out_start") or 0, slices.get("in_start") or 0
        self.writeto(address, buffer_out, start=out_start, end=slices.get("out_end"), stop=False)
        self.readfrom_into(address, buffer_in, start=in_start, end=slices.get("in_end"))

    def recover(self) -> bool:
        """Pull the multiplexers' RESET line, where it is wired: all channels closed."""
        if self.reset_line:
            for mux in self.muxes.values():
                mux.brown_out()
        return self.reset_line

    def _segments(self) -> list[dict[int, SimulatedSHT31]]:
        return [self._trunk, *(chips for mux in self.muxes.values() for chips in mux.connected())]

    def _answering(self, address: int, *, read: bool) -> list[Chip]:
        """Every chip that acknowledges that address now."""
        self.transfers += 1
        segments = self._segments()
        if any(chip.holds_sda and not chip.unplugged for chips in segments for chip in chips.values()):
            self._clock.sleep(HELD_TIMEOUT_S)
            raise OSError(errno.ETIMEDOUT, "Connection timed out")
        chips: list[Chip] = [
            chips[address] for chips in segments if address in chips and chips[address].acknowledges(read=read)
        ]
        if address in self.muxes and self.muxes[address].acknowledges():
            chips.append(self.muxes[address])
        if not chips:
            self._pass_bits(9 + 2)
            self._stop()
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        return chips

    def _stop(self) -> None:
        for mux in self.muxes.values():
            mux.stop()

    def _pass_bits(self, bits: int) -> None:
        """Let the wire time pass; oversleep is credited, so that the sum is right."""
        seconds = bits / self._hz
        self.wire_s += seconds
        self._debt_s += seconds
        if self._debt_s > self._settle_s:
            before_s = self._clock.monotonic()
            self._clock.sleep(self._debt_s)
            self._debt_s -= self._clock.monotonic() - before_s
            if not self._settle_s:
                self._debt_s = 0.0  # no rounding is carried along


def simulated_hub_bus(hub: HubSettings, probes: Iterable[ProbeSettings], clock: Clock, folder: Path) -> SimulatedBus:
    """The bus of a hub with ``bus = "simulated"``: its configured probes, in the air of its ``air_file``.

    Args:
        folder: the configuration folder; a relative ``air_file`` starts there. Without one the air is invented.

    Raises:
        InputError: the air file is bad, or says nothing of a probe.
    """
    bus = SimulatedBus(clock)
    path = folder / Path(hub.air_file).expanduser() if hub.air_file else None
    rows = read_air_file(path) if path else {}
    problems = []
    for probe in probes:
        if probe.hub != hub.name:
            continue
        full_name = f"{probe.hub}/{probe.name}"
        series = rows.get(full_name) or rows.get(probe.name)
        if path and not series:
            problems.append(f"{path}: has no complete row of probe {full_name}; add some, or take the probe out")
        air = series_air(series) if series else invented_air(full_name)
        bus.add_sht31(probe.address, air, probe.mux, probe.channel)
    if problems:
        raise InputError(*problems)
    return bus
