"""Signs of life to systemd, after sd_notify(3): ready, and alive where its unit asks for a watchdog. Else they do nothing."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


class Lifeline:
    """The line to whoever started this process.

    Args:
        environment: ``NOTIFY_SOCKET`` names the line, ``WATCHDOG_USEC`` how long it may be silent, ``WATCHDOG_PID`` for whom.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        longest_us = environment.get("WATCHDOG_USEC", "")
        ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.every_s = int(longest_us) / 2e6 if ours and self._address and longest_us.isdecimal() else None
        """Seconds between signs of life, half of what is allowed; None where nobody waits for them."""

    def ready(self) -> None:
        """The work has begun."""
        self._say(b"READY=1")

    def alive(self) -> None:
        """The work goes on."""
        self._say(b"WATCHDOG=1")

    def _say(self, what: bytes) -> None:
        if not self._address:
            return
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.sendto(what, address)
