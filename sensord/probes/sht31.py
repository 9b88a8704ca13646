"""The Adafruit SHT31 driver, split in two: trigger, and later collect. The only module that imports the drivers.

The driver's ``temperature`` and ``relative_humidity`` each start a measurement and sleep through it. Here one
measurement gives both, and many chips measure at the same time. Commands, checksums and transfers stay the driver's;
they are private to it, so they are checked when this module is imported.
"""

from __future__ import annotations

from typing import NamedTuple

from sensord.clock import Clock
from sensord.errors import MissingPartError, ProbeError, how_to_install
from sensord.probes.bus import Bus

try:
    import adafruit_sht31d
    from adafruit_sht31d import SHT31D
except (ImportError, NameError) as missing:  # a NameError is what the driver makes of a missing Blinka
    raise MissingPartError(
        f"the packages that read probes are not all there ({missing}): {how_to_install('')}"
    ) from missing

READY_AFTER_S = 0.0155
"""Longest measurement at high repeatability, as the driver waits for it."""
RESET_SEEN = 0x0010

_PRIVATE = ("_unpack", "_crc", "_SINGLE_COMMANDS", "_SHT31_READSTATUS", "_SHT31_CLEARSTATUS", "_SHT31_SOFTRESET")


def _check_driver() -> None:
    """Stop early and clearly where a later driver no longer has the parts used here.

    Raises:
        ProbeError: a private part is missing.
    """
    missing = [name for name in (*_PRIVATE, "_SHT31_PERIODIC_BREAK") if not hasattr(adafruit_sht31d, name)]
    missing += [name for name in ("_command", "_reset") if not hasattr(SHT31D, name)]
    if missing:
        raise ProbeError(
            f"adafruit-circuitpython-sht31d {adafruit_sht31d.__version__} has no {', '.join(missing)}: "
            "install a version from 2.3.27 to below 3 that has"
        )


_check_driver()


class Words(NamedTuple):
    """The chip's two 16-bit words of one measurement, as read, checksums right."""

    temperature: int
    humidity: int

    @property
    def temp_c(self) -> float:
        """°C, -45 to 130 (Sensirion SHT3x-DIS datasheet, conversion of signal output)."""
        return -45 + 175 * (self.temperature / 65535)

    @property
    def rh_pct(self) -> float:
        """Relative humidity over water in %, 0 to 100 (same source)."""
        return 100 * (self.humidity / 65535)


class Sht31(SHT31D):  # type: ignore[misc]
    """One SHT31 in single-shot mode at high repeatability, without clock stretching (which the Pi's bus gets wrong).

    Args:
        soft_reset: reset the chip, for one that failed.

    Raises:
        ValueError: nobody answers at that address (as the driver says it).
        OSError: as ``trigger``.
    """

    def __init__(self, bus: Bus, address: int, clock: Clock, *, soft_reset: bool = False) -> None:
        self._clock, self._soft_reset = clock, soft_reset
        self._ready_s = 0.0
        super().__init__(bus, address)

    def _reset(self) -> None:
        """Called by the driver when it is built: ends a periodic mode; a soft reset only where it was asked for.

        The pauses are the driver's, but taken from our clock, and the last one only when the next command follows.
        """
        self._command(adafruit_sht31d._SHT31_PERIODIC_BREAK)  # noqa: SLF001
        self._ready_s = self._clock.monotonic() + 0.001
        if self._soft_reset:
            self._wait_ready()
            self._command(adafruit_sht31d._SHT31_SOFTRESET)  # noqa: SLF001
            self._ready_s = self._clock.monotonic() + 0.0015

    def _wait_ready(self) -> None:
        self._clock.sleep(self._ready_s - self._clock.monotonic())

    def trigger(self) -> None:
        """Start one measurement; ``collect`` it after ``READY_AFTER_S``.

        Raises:
            OSError: the chip, its multiplexer or the bus does not answer.
        """
        self._wait_ready()
        self._command(self._single_shot())

    def collect(self) -> Words:
        """The measurement that was triggered.

        Raises:
            OSError: not ready, lost, or nobody there.
            RuntimeError: a checksum is wrong.
        """
        temperature, humidity = adafruit_sht31d._unpack(self._bytes(6))  # noqa: SLF001
        return Words(temperature, humidity)

    def read_status(self) -> int:
        """The status register, checksum checked (the driver's ``status`` does not check it).

        Raises:
            OSError, RuntimeError: as ``collect``.
        """
        self._command(adafruit_sht31d._SHT31_READSTATUS)  # noqa: SLF001
        self._clock.sleep(0.001)
        data = self._bytes(3)
        if data[2] != adafruit_sht31d._crc(data[:2]):  # noqa: SLF001
            raise RuntimeError("CRC mismatch")
        return data[0] << 8 | data[1]

    def clear_status(self) -> None:
        """Clear the alert and reset bits, so that the next reset shows.

        Raises:
            OSError: as ``trigger``.
        """
        self._command(adafruit_sht31d._SHT31_CLEARSTATUS)  # noqa: SLF001
        self._clock.sleep(0.001)

    def _single_shot(self) -> int:
        code: int = next(
            code
            for repeatability, stretching, code in adafruit_sht31d._SINGLE_COMMANDS  # noqa: SLF001
            if repeatability == self.repeatability and stretching == self.clock_stretching
        )
        return code

    def _bytes(self, count: int) -> bytearray:
        data = bytearray(count)
        with self.i2c_device as device:
            device.readinto(data)
        return data
