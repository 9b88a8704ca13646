"""What a hub of former days has not sent yet: published under its old name until the station has it all."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Collection
from pathlib import Path

from sensord.clock import Clock, SystemClock
from sensord.link.base import Link, Subscriber, Will
from sensord.link.outbox import Outbox
from sensord.link.publisher import Pace, Publisher
from sensord.model import HUB_OR_PROBE

_LOOK_EVERY_S = 0.5

_log = logging.getLogger(__name__)


def former_hubs(data: Path, named: Collection[str]) -> list[str]:
    """Hubs that have an outbox in the data folder and are not named any more: renamed, or given up."""
    found = sorted(file.stem.removeprefix("outbox-") for file in data.glob("outbox-*.db"))
    return [hub for hub in found if hub not in named and HUB_OR_PROBE.fullmatch(hub)]


class Leftover:
    """The outbox of a hub that was renamed or given up. Its status is left alone: nobody scans under that name.

    Args:
        connect: makes the link; the will may be passed over. clock: real time, for the waits.
        offset_ms: UTC minus monotonic time of this boot, as those who scan know it; it dates what this boot left undated.
    """

    def __init__(
        self,
        hub: str,
        outbox: Outbox,
        connect: Callable[[Subscriber, Will], Link],
        *,
        boot: str,
        offset_ms: Callable[[], int | None] = lambda: None,
        pace: Pace | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._hub, self._outbox, self._clock = hub, outbox, clock or SystemClock()
        self._offset_ms = offset_ms
        self._publisher = Publisher(hub, outbox, connect, boot=boot, pace=pace, clock=self._clock, tells=False)

    def run(self, stop: threading.Event) -> None:
        """Publish until all is stored, or until told to stop."""
        waiting = self._outbox.fill().rows
        _log.warning(
            "hub %s is no longer in station.toml: the %d readings that still wait go out under that name",
            self._hub,
            waiting,
        )
        done = threading.Event()
        publishing = threading.Thread(target=self._publisher.run, args=(done,), name=f"publish {self._hub}")
        publishing.start()
        try:
            while self._outbox.fill().rows and not stop.is_set():
                self._learn_the_time()
                self._clock.wait(stop, _LOOK_EVERY_S)
        finally:
            done.set()
            publishing.join()
        if not self._outbox.fill().rows:
            _log.info("hub %s: the station has all its readings", self._hub)

    def _learn_the_time(self) -> None:
        known_ms = self._offset_ms()
        if known_ms is not None and self._outbox.offset_ms is None:
            self._outbox.learn_offset(known_ms)
            self._publisher.nudge()
