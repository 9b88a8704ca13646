"""The Pi's own I2C bus through Blinka. The only module that imports Blinka, and only when a bus is opened.

Blinka's part that opens a bus by its number is used, since its pin-based part cannot reach every ``/dev/i2c-N``.
"""

from __future__ import annotations

import os
import threading
from pathlib import Path
from typing import Any

from sensord.errors import MissingPartError, ProbeError, how_to_install
from sensord.probes.bus import own_device


class PiBus:
    """One ``/dev/i2c-N``, owned by this process until ``close`` or its end.

    Args:
        device: Blinka's I2C object. descriptor: holds the ownership.
    """

    def __init__(self, device: Any, descriptor: int) -> None:
        self._device, self._descriptor = device, descriptor
        self._lock = threading.Lock()

    def try_lock(self) -> bool:
        """Take the bus; whether it was free."""
        return self._lock.acquire(blocking=False)

    def unlock(self) -> None:
        """Give the bus back."""
        if self._lock.locked():
            self._lock.release()

    def scan(self) -> list[int]:
        """Every address that answers."""
        found: list[int] = self._device.scan()
        return found

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """START, address, the bytes, STOP.

        Raises:
            OSError: nobody answers, or the bus is stuck.
        """
        self._device.writeto(address, buffer, start=start, end=end)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """START, address, read, STOP.

        Raises:
            OSError: as ``writeto``.
        """
        self._device.readfrom_into(address, buffer, start=start, end=end)

    def writeto_then_readfrom(self, address: int, buffer_out: Any, buffer_in: Any, **slices: int | None) -> None:
        """Write, repeated START, read, STOP.

        Raises:
            OSError: as ``writeto``.
        """
        self._device.writeto_then_readfrom(address, buffer_out, buffer_in, **slices)

    def recover(self) -> bool:
        """False: the Pi has no line to the multiplexers' RESET pins; the kernel has tried its clock pulses already."""
        return False

    def close(self) -> None:
        """Give up the ownership; harmless the second time."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def open_pi_bus(bus_number: int, devices: Path = Path("/dev")) -> PiBus:
    """Open ``/dev/i2c-N`` as its only owner.

    Args:
        bus_number: N; 1 on the Pi's header.
        devices: where device files live.

    Raises:
        ProbeError: there is no such bus, no permission, or another owner.
        MissingPartError: Blinka is not installed.
    """
    path = devices / f"i2c-{bus_number}"
    descriptor = own_device(path)
    os.environ.setdefault("BLINKA_SKIP_DEPENDENCY_CHECK", "1")  # a service must not ask whether to install packages
    try:
        from adafruit_blinka.microcontroller.generic_linux.i2c import I2C

        return PiBus(I2C(bus_number), descriptor)
    except ModuleNotFoundError as error:
        os.close(descriptor)
        raise MissingPartError(
            f"bus {path}: the package {error.name!r} is not installed: {how_to_install('')}"
        ) from error
    except (OSError, RuntimeError) as error:
        os.close(descriptor)
        raise ProbeError(f"bus {path}: cannot be opened ({error}); check it with 'ls -l {path}'") from error
