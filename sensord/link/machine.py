"""What the hub must know of the machine it runs on: which boot, which board, and whether a time server keeps the clock."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from uuid import uuid4

_TIME_ERROR = 5
_TIMEX_BYTES = 512
"""More than any kernel's struct timex."""
_UNKNOWN_BOOT = uuid4().hex


class Machine(Protocol):
    """The facts of one machine."""

    @property
    def boot(self) -> str:
        """Differs from boot to boot."""

    @property
    def serial(self) -> str:
        """Differs from machine to machine; empty where unknown."""

    @property
    def raspberry_pi(self) -> bool:
        """Whether this is a Raspberry Pi, which has no clock battery."""

    def synchronised(self) -> bool:
        """Whether the kernel says that a time server keeps the clock, right now."""


@dataclass(frozen=True, slots=True)
class LinuxMachine:
    """As the kernel tells it. ``root`` is where /proc and /etc are looked for."""

    root: Path = Path("/")

    @property
    def boot(self) -> str:
        """The kernel's boot id; where there is none, one of this process."""
        return self._text("proc/sys/kernel/random/boot_id") or _UNKNOWN_BOOT

    @property
    def serial(self) -> str:
        """The board's serial number, else the machine id."""
        return self._text("proc/device-tree/serial-number") or self._text("etc/machine-id")

    @property
    def raspberry_pi(self) -> bool:
        """By the name of the board."""
        return self._text("proc/device-tree/model").startswith("Raspberry Pi")

    def synchronised(self) -> bool:
        """By adjtimex(2), which answers TIME_ERROR while no time server has set the clock; False where it is not there."""
        try:
            library = ctypes.CDLL(None, use_errno=True)
            state: int = library.adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
        except (OSError, AttributeError):
            return False
        return 0 <= state < _TIME_ERROR

    def _text(self, path: str) -> str:
        try:
            return (self.root / path).read_text(errors="replace").strip("\0\n ")
        except OSError:
            return ""
