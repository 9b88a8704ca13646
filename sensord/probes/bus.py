"""The I2C bus as the drivers see it, its multiplexers, and the rule that each bus has one owner.

``Trunk`` is what owns a bus: it holds the lock for a whole session, knows which channel is open, and closes it again
whatever happens. A driver gets a ``Segment``: the trunk itself, or one channel of one multiplexer.
"""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

from sensord.clock import Clock
from sensord.errors import ProbeError

LOCK_WITHIN_S = 2.0
_LOCK_PAUSE_S = 0.001
HELD_ERRORS = frozenset({errno.ETIMEDOUT, errno.EAGAIN, errno.EBUSY})
"""What Linux reports when the bus itself is stuck, in contrast to a device that does not answer."""


class Bus(Protocol):
    """An I2C bus with 7-bit addresses. A device that does not answer is ``OSError`` 121 (EREMOTEIO)."""

    def try_lock(self) -> bool:
        """Take the bus; whether it was free."""

    def unlock(self) -> None:
        """Give the bus back."""

    def scan(self) -> list[int]:
        """Every address that answers."""

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """START, address, the bytes, STOP. No bytes at all: only whether somebody answers."""

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """START, address, read that many bytes, STOP."""

    def writeto_then_readfrom(self, address: int, buffer_out: Any, buffer_in: Any, **slices: int | None) -> None:
        """Write, repeated START, read, STOP (``out_start``, ``out_end``, ``in_start``, ``in_end``)."""


class OwnedBus(Bus, Protocol):
    """A bus as its owner sees it."""

    def recover(self) -> bool:
        """Free a stuck bus by the multiplexers' RESET line, which closes all channels; False where there is none."""


class MuxSilentError(ProbeError):
    """A multiplexer does not answer."""


class BusInUseError(ProbeError):
    """Another program of ours reads the bus; nothing ails it."""


class BusHeldError(ProbeError):
    """Something holds the bus: nobody on it can talk."""


def own_device(path: Path) -> int:
    """Take sole ownership of a bus for the life of this process (an advisory lock, freed however the process ends).

    Two programs that share a multiplexer read each other's channels with valid checksums, so the second must not start.

    Returns:
        the file descriptor that holds the lock; closing it gives the bus back.

    Raises:
        ProbeError: another owner has it (BusInUseError), or it cannot be opened.
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        raise ProbeError(
            f"bus {path}: there is no such bus; enable I2C with 'sudo raspi-config' (Interface Options, I2C) and reboot, "
            "or correct bus_number of the [[hub]]"
        ) from None
    except PermissionError:
        raise ProbeError(
            f"bus {path}: this user may not open it; 'sudo usermod -aG i2c USER', then log in again"
        ) from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise BusInUseError(
            f"bus {path}: another program of ours owns it, most likely 'nestclimate sense'; stop that first"
        ) from None
    return descriptor


class Trunk:
    """One bus and its multiplexers, held for one session at a time: ``with trunk: ...``.

    On first entering, and after any trouble, every multiplexer is told to close all channels, since a crash may have
    left one open. On leaving, the open channel is closed and the lock given back, even where the multiplexer does not
    answer any more.

    Args:
        muxes: addresses of the multiplexers, 0x70 to 0x77.
    """

    def __init__(self, bus: OwnedBus, muxes: Iterable[int], clock: Clock) -> None:
        self.bus, self._clock = bus, clock
        self.muxes = tuple(sorted(set(muxes)))
        self._open: tuple[int, int] | None = None
        self._silent: set[int] = set()
        self._inside = False
        self._surely_closed = False

    def __enter__(self) -> Trunk:
        deadline_s = self._clock.monotonic() + LOCK_WITHIN_S
        while not self.bus.try_lock():
            if self._clock.monotonic() >= deadline_s:
                raise BusHeldError(f"the bus was not free within {LOCK_WITHIN_S:g} s: another thread holds its lock")
            self._clock.sleep(_LOCK_PAUSE_S)
        self._inside = True
        self._silent.clear()
        try:
            if not self._surely_closed:
                self._close_all()
        except BusHeldError:
            if not self.recover():
                self.__exit__(None, None, None)
                raise
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if self._open:
                self._write(self._open[0], 0)
        except OSError:
            self._surely_closed = False  # the next session closes all channels before anything else
        finally:
            self._open, self._inside = None, False
            self.bus.unlock()

    def segment(self, mux: int | None, channel: int | None) -> Segment:
        """What a driver talks to: the trunk itself for None, else that channel of that multiplexer."""
        return Segment(self, None if mux is None or channel is None else (mux, channel))

    def switch_to(self, where: tuple[int, int] | None) -> None:
        """Open that channel and no other; writes only what is not so already.

        Raises:
            MuxSilentError: its multiplexer does not answer.
            BusHeldError: the bus is stuck.
        """
        if not self._inside:
            raise ProbeError("the bus is not held: a driver is used outside its session")
        if where == self._open:
            return
        if self._open and (where is None or where[0] != self._open[0]):
            mux, self._open = self._open[0], None
            self._close(mux)
        if where:
            self._open = None
            self._open_channel(*where)

    @staticmethod
    def is_held(error: OSError) -> bool:
        """Whether that error of a transfer means a stuck bus, not a device that does not answer."""
        return isinstance(error, BusHeldError) or error.errno in HELD_ERRORS

    def ask_again(self) -> None:
        """Give multiplexers that did not answer in this session another chance."""
        self._silent.clear()

    def recover(self) -> bool:
        """Free a stuck bus where the hub can, which closes all channels; whether the bus is free now."""
        self._open = None
        if not self.bus.recover():
            return False
        try:
            self._close_all()
        except BusHeldError:
            return False
        return True

    def _open_channel(self, mux: int, channel: int) -> None:
        if mux in self._silent:
            raise MuxSilentError(f"multiplexer {mux:#x} does not answer")
        try:
            self._write(mux, 1 << channel)
        except OSError as error:
            raise self._mux_error(mux, error) from error
        self._open = (mux, channel)

    def _close(self, mux: int) -> None:
        """Asked twice, since a channel left open joins its probes to those of other multiplexers."""
        try:
            self._write(mux, 0)
        except OSError:
            try:
                self._write(mux, 0)
            except OSError as error:
                held = self._mux_error(mux, error)
                if isinstance(held, BusHeldError):
                    raise held from error

    def _close_all(self) -> None:
        """A silent multiplexer is remembered, so that its probes cost nothing more in this session."""
        self._surely_closed = True
        for mux in self.muxes:
            self._close(mux)

    def _mux_error(self, mux: int, error: OSError) -> ProbeError:
        self._surely_closed = False
        if self.is_held(error):
            return BusHeldError("the bus is held: SDA or SCL is stuck low")
        self._silent.add(mux)
        return MuxSilentError(f"multiplexer {mux:#x} does not answer")

    def _write(self, mux: int, control: int) -> None:
        self.bus.writeto(mux, bytes([control]))


class Segment:
    """A ``Bus`` for a driver, inside a session of its trunk: each transfer first opens the right channel."""

    def __init__(self, trunk: Trunk, where: tuple[int, int] | None) -> None:
        self._trunk, self.where = trunk, where

    def try_lock(self) -> bool:
        """True at once, since the trunk holds the lock for the session; opens the channel.

        Raises:
            MuxSilentError, BusHeldError: the channel cannot be opened; nothing is left locked.
        """
        self._trunk.switch_to(self.where)
        return True

    def unlock(self) -> None:
        """Nothing: the trunk closes the channel when the session ends or another is wanted."""

    def scan(self) -> list[int]:
        """Every address that answers here, the trunk's own devices included."""
        self._trunk.switch_to(self.where)
        return self._trunk.bus.scan()

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """As the bus."""
        self._trunk.bus.writeto(address, buffer, start=start, end=end)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        """As the bus."""
        self._trunk.bus.readfrom_into(address, buffer, start=start, end=end)

    def writeto_then_readfrom(self, address: int, buffer_out: Any, buffer_in: Any, **slices: int | None) -> None:
        """As the bus."""
        self._trunk.bus.writeto_then_readfrom(address, buffer_out, buffer_in, **slices)
