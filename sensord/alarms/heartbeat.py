"""A sign of life to an address the keeper chooses, so that somebody else notices when the whole station falls silent."""

from __future__ import annotations

import http.client
import logging
import threading
import urllib.error
import urllib.request
from collections.abc import Callable

from sensord.clock import Clock
from sensord.errors import PushError

log = logging.getLogger(__name__)

TIMEOUT_S = 10.0


class Heartbeat:
    """Asks an address (HTTP GET) every so often, from a thread of its own. The address is a secret and never logged.

    Raises:
        PushError: the address is not http or https.
    """

    def __init__(self, address: str, every_s: float, clock: Clock, alive: Callable[[], bool]) -> None:
        """``alive``: whether what it vouches for still works; no sign is given while it does not."""
        if not address.startswith(("http://", "https://")):
            raise PushError("push.heartbeat: its address must begin with http:// or https:// (address not shown)")
        self._address, self._every_s, self._clock, self._alive = address, every_s, clock, alive
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, within_s: float = 5.0) -> None:
        """End."""
        self._stop.set()
        self._thread.join(within_s)

    def beat(self) -> bool:
        """One sign of life; whether it was given and taken."""
        if not self._alive():
            return False
        try:
            with urllib.request.urlopen(self._address, timeout=TIMEOUT_S) as answer:  # noqa: S310  checked above
                return bool(200 <= answer.status < 300)
        except (http.client.HTTPException, urllib.error.URLError, OSError, ValueError) as error:
            log.warning("heartbeat: not taken (%s)", type(error).__name__)
            return False

    def _run(self) -> None:
        while not self._stop.is_set():
            self.beat()
            self._clock.wait(self._stop, self._every_s)
