"""The chips on the simulated bus, byte for byte: the Sensirion SHT31 and the TI TCA9548A.

Sources: Sensirion SHT3x-DIS datasheet (commands, CRC, status register, NACK while measuring); TI TCA9548A datasheet
SCPS207 (control byte, channels active after the STOP, all closed at power-up). Fault switches are plain attributes.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from datetime import datetime

from sensord.clock import Clock

Air = Callable[[datetime], tuple[float, float]]

MEASURE_S = {0x00: 0.0125, 0x06: 0.0125, 0x0B: 0.0045, 0x0D: 0.0045, 0x16: 0.0025, 0x10: 0.0025}
RESET_S = 0.0015
COMMANDS_NOTED = 200
HEATER_RISE_K = 3.0
STATUS_AT_POWER_UP = 0x8010
_STATUS_CLEARED = 0x8C10
_HEATER_ON, _COMMAND_REFUSED = 0x2000, 0x0002
_PERIODIC_S = {0x20: 2.0, 0x21: 1.0, 0x22: 0.5, 0x23: 0.25, 0x27: 0.1, 0x2B: 0.25}


def crc8(data: bytes) -> int:
    """CRC-8 of the SHT3x: polynomial 0x31, initial value 0xFF, not reflected, no final XOR."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def raw_words(temp_c: float, rh_pct: float) -> tuple[int, int]:
    """°C and %RH to the chip's two 16-bit words, clipped to what it can say (-45 to 130 °C, 0 to 100 %RH)."""
    temperature = round((temp_c + 45) / 175 * 65535)
    humidity = round(rh_pct / 100 * 65535)
    return min(max(temperature, 0), 65535), min(max(humidity, 0), 65535)


class SimulatedSHT31:
    """One SHT31 in the air that ``air(instant) -> (temp_c, rh_pct)`` tells.

    Fault switches (attributes, changed at any time):
        unplugged: answers nothing. bad_crc: every checksum it sends is wrong. condensed: humidity reads 100 %.
        stuck: repeats its last words. holds_sda: pulls the data line low while its segment is connected.
    """

    def __init__(self, air: Air, clock: Clock, serial: int = 0) -> None:
        self.air, self._clock, self.serial = air, clock, serial
        self.unplugged = self.bad_crc = self.stuck = self.condensed = self.holds_sda = False
        self.conversions = 0
        self.commands: deque[int] = deque(maxlen=COMMANDS_NOTED)
        self.words = (0, 0)
        self._answer: bytes | None = None
        self._period_s: float | None = None
        self._power_up()
        self._busy_until_s = self._clock.monotonic()  # it had its power long before we look

    def brown_out(self) -> None:
        """The supply dips: what was measured is lost, the heater is off, and the status register says so."""
        self._power_up()

    def acknowledges(self, *, read: bool) -> bool:
        """Whether it answers its address now; it does not while it measures or starts, nor to a read without data."""
        if self.unplugged:
            return False
        if self._clock.monotonic() < self._busy_until_s and not (self._stretches and read):
            return False
        return not read or self._answer is not None or self._periodic_due()

    def stretch_s(self) -> float:
        """How long it holds the clock line before it answers a read."""
        return max(0.0, self._busy_until_s - self._clock.monotonic()) if self._stretches else 0.0

    def write(self, data: bytes) -> None:
        """Take a command of two bytes; less is ignored."""
        if len(data) < 2:
            return
        command = data[0] << 8 | data[1]
        self.commands.append(command)
        self._answer = None
        self._obey(command)

    def read(self, count: int) -> bytes:
        """The bytes of the last answer, padded with 0xFF as an idle bus is."""
        if self._answer is None and self._periodic_due():
            self._answer = self._measure()
            self._next_periodic_s = self._clock.monotonic() + (self._period_s or 0.0)
        answer, self._answer = self._answer or b"", None
        return answer[:count].ljust(count, b"\xff")

    def _power_up(self) -> None:
        self._status = STATUS_AT_POWER_UP
        self._answer = self._period_s = None
        self._stretches = False
        self._next_periodic_s = 0.0
        self._busy_until_s = self._clock.monotonic() + RESET_S

    def _obey(self, command: int) -> None:
        high, low = command >> 8, command & 0xFF
        known = True
        if high in {0x24, 0x2C} and low in MEASURE_S and self._period_s is None:
            self._stretches = high == 0x2C
            self._busy_until_s = self._clock.monotonic() + MEASURE_S[low]
            self._answer = self._measure()
        elif high in _PERIODIC_S:
            self._period_s = _PERIODIC_S[high]
            self._next_periodic_s = self._clock.monotonic() + 0.0125
        elif command == 0x3093:
            self._period_s = None
        elif command == 0x30A2 and self._period_s is None:
            self._power_up()
        elif command == 0xF32D:
            self._answer = self._word(self._status)
        elif command == 0x3780:
            self._answer = self._word(self.serial >> 16 & 0xFFFF) + self._word(self.serial & 0xFFFF)
        else:
            known = self._obey_flags(command)
        self._status = self._status & ~_COMMAND_REFUSED | (0 if known else _COMMAND_REFUSED)

    def _obey_flags(self, command: int) -> bool:
        if command == 0x3041:
            self._status &= ~_STATUS_CLEARED
        elif command == 0x306D:
            self._status |= _HEATER_ON
        elif command == 0x3066:
            self._status &= ~_HEATER_ON
        else:
            return command == 0xE000
        return True

    def _periodic_due(self) -> bool:
        return self._period_s is not None and self._clock.monotonic() >= self._next_periodic_s

    def _measure(self) -> bytes:
        """One conversion: the air as it is now, quantised to the chip's words."""
        self.conversions += 1
        if not self.stuck:
            temp_c, rh_pct = self.air(self._clock.now())
            if self._status & _HEATER_ON:  # warmer by the heater, and drier by about 6 % of its value per kelvin
                temp_c, rh_pct = temp_c + HEATER_RISE_K, rh_pct * math.exp(-0.06 * HEATER_RISE_K)
            self.words = raw_words(temp_c, rh_pct)
        temperature, humidity = self.words
        return self._word(temperature) + self._word(0xFFFF if self.condensed else humidity)

    def _word(self, word: int) -> bytes:
        data = word.to_bytes(2, "big")
        return data + bytes([crc8(data) ^ (0x5A if self.bad_crc else 0)])


class SimulatedTCA9548A:
    """One multiplexer: bit n of its control byte connects channel n, from the STOP of the write on.

    Fault switches: ``silent`` makes it answer nothing (its channels stay as they are), ``misses`` only the next so many
    times; ``brown_out`` closes all channels.
    """

    def __init__(self) -> None:
        self.silent = False
        self.misses = 0
        self.control = 0
        self._written = 0
        self.channels: dict[int, dict[int, SimulatedSHT31]] = {channel: {} for channel in range(8)}

    def acknowledges(self) -> bool:
        """Whether it answers its address now."""
        if self.misses:
            self.misses -= 1
            return False
        return not self.silent

    def brown_out(self) -> None:
        """Power-up state: all channels closed."""
        self.control = self._written = 0

    def write(self, data: bytes) -> None:
        """Take the control byte; of several the last one counts."""
        if data:
            self._written = data[-1]

    def read(self, count: int) -> bytes:
        """The control byte, as often as asked."""
        return bytes([self.control]) * count

    def stop(self) -> None:
        """A STOP on the bus: what was written takes effect."""
        self.control = self._written

    def connected(self) -> list[dict[int, SimulatedSHT31]]:
        """The segments that are joined to the trunk now."""
        return [chips for channel, chips in self.channels.items() if self.control >> channel & 1]
