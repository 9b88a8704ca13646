"""How often somebody may try: so many times within a while, counted in memory on the clock that never steps."""

from __future__ import annotations

import threading
from collections import OrderedDict, deque
from collections.abc import Hashable

from sensord.clock import Clock

MOST_KEPT = 10_000


class Pace:
    """At most ``most`` counts of a key within ``within_s``; of the most recent 10,000 keys."""

    def __init__(self, clock: Clock, most: int, within_s: float) -> None:
        self._clock, self._most, self._within_s = clock, most, within_s
        self._counts: OrderedDict[Hashable, deque[float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: Hashable) -> int:
        """Whole seconds until the key may count again; 0 for now."""
        with self._lock:
            counts = self._fresh(key)
            if counts is None or len(counts) < self._most:
                return 0
            return max(1, round(counts[0] + self._within_s - self._clock.monotonic() + 0.5))

    def count(self, key: Hashable) -> None:
        """It happened once more."""
        with self._lock:
            counts = self._fresh(key)
            if counts is None:
                counts = self._counts[key] = deque(maxlen=self._most)
            counts.append(self._clock.monotonic())
            self._counts.move_to_end(key)
            while len(self._counts) > MOST_KEPT:
                self._counts.popitem(last=False)

    def forget(self, key: Hashable) -> None:
        """Begin anew."""
        with self._lock:
            self._counts.pop(key, None)

    def _fresh(self, key: Hashable) -> deque[float] | None:
        counts = self._counts.get(key)
        since_s = self._clock.monotonic() - self._within_s
        while counts and counts[0] <= since_s:
            counts.popleft()
        return counts
