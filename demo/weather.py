"""The weather outside and the air of the three zones. A pure function of seed and instant: nothing is remembered."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from sensord.air.moist_air import saturation_pa
from sensord.clock import DAY_MS, HOUR_MS, from_ms

YEAR_DAYS = 365.25
SOURCES_PA = 480.0  # people, plants and tubes in the warm room lift its vapour pressure above the street's


class Weather:
    """The street, invented: a year, a day, fronts that last days, and gusts that last hours."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._normal = lru_cache(maxsize=1024)(self._draw)

    def outside(self, at_ms: int) -> tuple[float, float]:
        """(temp_c, vapour_pa) in the street."""
        at = from_ms(at_ms)
        season = math.cos(2 * math.pi * ((at - datetime(at.year, 7, 20, tzinfo=UTC)).days / YEAR_DAYS))
        hour = math.cos(2 * math.pi * (at_ms % DAY_MS / DAY_MS - 0.6))
        front = self._smooth(at_ms, 3 * DAY_MS, 1)
        temp_c = 9.5 + 10.5 * season + 2.5 * hour + 3.5 * front + 0.5 * self._smooth(at_ms, HOUR_MS, 2)
        rh_pct = min(98.0, max(35.0, 76.0 - 9.0 * hour + 8.0 * self._smooth(at_ms, DAY_MS, 3)))
        return temp_c, float(saturation_pa(temp_c)) * rh_pct / 100.0

    def warm_room(self, at_ms: int) -> tuple[float, float]:
        """(temp_c, vapour_pa) of the heated room: the heating holds it, the street leans on it."""
        out_c, out_pa = self.outside(at_ms)
        busy = math.cos(2 * math.pi * (at_ms % DAY_MS / DAY_MS - 0.6))
        temp_c = 21.3 + 0.05 * (out_c - 5.0) + 0.6 * busy + 0.15 * self._smooth(at_ms, HOUR_MS, 4)
        vapour_pa = out_pa + SOURCES_PA + 60.0 * busy + 25.0 * self._smooth(at_ms, HOUR_MS, 5)
        return temp_c, min(vapour_pa, 0.9 * float(saturation_pa(temp_c)))

    def _smooth(self, at_ms: int, every_ms: int, stream: int) -> float:
        """Noise of unit size that changes over about ``every_ms``."""
        index, part = divmod(at_ms, every_ms)
        share = part / every_ms
        weight = share * share * (3 - 2 * share)
        return (1 - weight) * self._normal(index, stream) + weight * self._normal(index + 1, stream)

    def _draw(self, index: int, stream: int) -> float:
        return float(np.random.default_rng([self._seed, stream, index]).standard_normal())
