"""Doses: how much heat, dryness, cold, winter rest or empty reservoir a nest had. Pure; nothing is asserted of a species.

A series is a list of ``(at_ms, value)``, ascending; a gap longer than ``gap_ms`` counts for nothing rather than for a guess.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from sensord.clock import HOUR_MS, MINUTE_MS
from sensord.errors import InputError

GAP_MS = 2 * HOUR_MS

Series = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class DeathLine:
    """The thermal-death-time line: log10(minutes to failure) = (ctmax_1min_c - T) / z_c.

    Rezende, Castaneda & Santos 2014, Funct. Ecol. 28:799-809. No line for any ant is known to this program: whoever
    gives one gives its source.

    Attributes:
        ctmax_1min_c: temperature that kills in one minute. z_c: degrees for a factor of ten in time, > 0.
        harmless_below_c: no injury adds up below it.
    """

    ctmax_1min_c: float
    z_c: float
    source: str
    harmless_below_c: float

    def __post_init__(self) -> None:
        if not self.z_c > 0:
            raise InputError(f"z_c = {self.z_c}: allowed is above 0")
        if not self.source.strip():
            raise InputError("a death line without a source: name where its numbers were published")

    def minutes_to_failure(self, temp_c: float) -> float:
        """How long that temperature is survived."""
        return float(10.0 ** ((self.ctmax_1min_c - temp_c) / self.z_c))


def heat_injury_pct(temps_c: Series, line: DeathLine, gap_ms: int = GAP_MS) -> float:
    """Additive heat injury in %, 100 is failure: each interval at the warmer of its two ends.

    Jorgensen, Malte, Orsted, Klahn & Overgaard 2021, Sci. Rep. 11:12840. No repair is assumed. Worked: at CTmax(1 min)
    50 and z 4, 30 min at 42 °C and 20 min at 44 °C make 93.246 %.
    """
    return 100.0 * sum(
        minutes / line.minutes_to_failure(warmer)
        for minutes, warmer in _intervals(temps_c, gap_ms, max)
        if warmer >= line.harmless_below_c
    )


def ramp_failure_c(start_c: float, rate_c_min: float, line: DeathLine) -> float:
    """Temperature of failure when it rises steadily from ``start_c``: the same injury, summed without steps.

    Raises:
        InputError: a rate that is not above 0.
    """
    if not rate_c_min > 0:
        raise InputError(f"rate {rate_c_min} °C/min: allowed is above 0")
    per_degree = math.log(10.0) / line.z_c
    from_c = max(start_c, line.harmless_below_c)
    return from_c + math.log(per_degree * rate_c_min * line.minutes_to_failure(from_c) + 1.0) / per_degree


def desiccation_kpa_h(deficits_pa: Series, threshold_pa: float = 0.0, gap_ms: int = GAP_MS) -> float:
    """Vapour-pressure-deficit hours above a threshold, kPa h."""
    minutes = _intervals(deficits_pa, gap_ms, _mean)
    return sum(length / 60.0 * max(0.0, deficit - threshold_pa) / 1000.0 for length, deficit in minutes)


def cold_h(temps_c: Series, limit_c: float, gap_ms: int = GAP_MS) -> float:
    """Hours below a limit."""
    return _hours(temps_c, lambda value: value < limit_c, gap_ms)


def winter_rest_h(temps_c: Series, low_c: float, high_c: float, gap_ms: int = GAP_MS) -> float:
    """Hours inside the band of the winter rest, so that a fridge that warmed up is seen.

    Raises:
        InputError: a band upside down.
    """
    if low_c > high_c:
        raise InputError(f"winter rest from {low_c:g} to {high_c:g} °C: the first must not be above the second")
    return _hours(temps_c, lambda value: low_c <= value <= high_c, gap_ms)


def reservoir_empty_h(water_ml: Series, gap_ms: int = 48 * HOUR_MS) -> float:
    """Hours without water in the reservoir."""
    return _hours(water_ml, lambda value: value <= 0.0, gap_ms)


def covered_h(series: Series, gap_ms: int = GAP_MS) -> float:
    """Hours that the series tells anything about: a dose without it means little."""
    return sum(minutes for minutes, _ in _intervals(series, gap_ms, max)) / 60.0


def _hours(series: Series, counts: Callable[[float], bool], gap_ms: int) -> float:
    """Hours of the intervals whose mean counts."""
    return sum(minutes for minutes, value in _intervals(series, gap_ms, _mean) if counts(value)) / 60.0


def _mean(first: float, second: float) -> float:
    return 0.5 * (first + second)


def _intervals(series: Series, gap_ms: int, of_ends: Callable[[float, float], float]) -> Iterable[tuple[float, float]]:
    """(minutes, value) between neighbours; missing values (NaN) are left out, gaps too."""
    known = [(at_ms, value) for at_ms, value in series if value == value]  # noqa: PLR0124
    for (start, first), (end, second) in pairwise(known):
        if 0 < end - start <= gap_ms:
            yield (end - start) / MINUTE_MS, of_ends(first, second)
