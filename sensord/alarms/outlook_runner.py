"""The outlook for the watch, worked out in a thread of its own: it may take its time, a hot nest may not wait for it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping

from sensord.alarms.reservoir import DaysLeft
from sensord.clock import Clock, to_ms
from sensord.errors import NestclimateError

log = logging.getLogger(__name__)

EVERY_S = 3600.0

Forecast = Callable[[int], Mapping[str, DaysLeft]]


class OutlookRunner:
    """Works the outlook out once an hour.

    Args:
        begin: called once, in the runner's thread: opens what it needs and returns what makes an outlook.
    """

    def __init__(self, begin: Callable[[], Forecast], clock: Clock) -> None:
        self._begin, self._clock = begin, clock
        self._stop = threading.Event()
        self._latest: Mapping[str, DaysLeft] = {}
        self._thread = threading.Thread(target=self._run, name="outlook", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, within_s: float = 5.0) -> None:
        """End; an outlook half made is given up."""
        self._stop.set()
        self._thread.join(within_s)

    def latest(self, _at_ms: int) -> Mapping[str, DaysLeft]:
        """The last outlook made; empty before the first."""
        return self._latest

    def _run(self) -> None:
        try:
            forecast = self._begin()
        except NestclimateError as error:
            log.warning("outlook: %s; reservoirs raise no alarms", error)
            return
        while not self._stop.is_set():
            try:
                self._latest = forecast(to_ms(self._clock.now()))
            except NestclimateError as error:
                log.warning("outlook: %s", error)
            self._clock.wait(self._stop, EVERY_S)
