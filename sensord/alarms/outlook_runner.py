"""The outlook for the watch, worked out in a thread of its own: it may take its time, a hot nest may not wait for it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from sensord.alarms.reservoir import DaysLeft, Outlook
from sensord.clock import Clock, to_ms
from sensord.errors import MissingPartError, NestclimateError

if TYPE_CHECKING:
    from sensord.forecast import Forecast

log = logging.getLogger(__name__)

EVERY_S, AGAIN_S = 3600.0, 300.0


def days_left(forecast: Forecast) -> Outlook:
    """What the reservoirs' alarms need of a forecast."""

    def outlook(at_ms: int) -> Mapping[str, DaysLeft]:
        found = ((each.nest, each.days_left) for each in forecast.at(at_ms))
        return {nest: DaysLeft(left.p10, left.p50) for nest, left in found if left is not None}

    return outlook


class OutlookRunner:
    """Works the outlook out once an hour; after a failure, of the store or of ours, again in five minutes.

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
        outlook: Outlook | None = None
        while not self._stop.is_set():
            wait_s = AGAIN_S
            try:
                outlook = outlook or self._begin()
                self._latest = outlook(to_ms(self._clock.now()))
                wait_s = EVERY_S
            except MissingPartError as error:
                log.warning("outlook: %s; reservoirs raise no alarms", error)
                return
            except NestclimateError as error:
                log.warning("outlook: %s; trying again in %g min", error, AGAIN_S / 60)
            except Exception:
                log.exception("outlook: could not be made; trying again in %g min", AGAIN_S / 60)
            self._clock.wait(self._stop, wait_s)
