"""The outlook for the watch, worked out in a thread of its own: it may take its time, a hot nest may not wait for it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from sensord.alarms.reservoir import DaysLeft, Outlook
from sensord.clock import Clock, to_ms
from sensord.errors import NestclimateError

if TYPE_CHECKING:
    from sensord.forecast import Forecast

log = logging.getLogger(__name__)

EVERY_S = 3600.0


def days_left(forecast: Forecast) -> Outlook:
    """What the reservoirs' alarms need of a forecast."""

    def outlook(at_ms: int) -> Mapping[str, DaysLeft]:
        found = ((each.nest, each.days_left) for each in forecast.at(at_ms))
        return {nest: DaysLeft(left.p10, left.p50) for nest, left in found if left is not None}

    return outlook


class OutlookRunner:
    """Works the outlook out once an hour.

    Args:
        begin: called once, in the runner's thread: opens what it needs and returns what makes an outlook.
    """

    def __init__(self, begin: Callable[[], Outlook], clock: Clock) -> None:
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
