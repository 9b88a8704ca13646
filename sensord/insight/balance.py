"""The mass balance of a water reservoir: what the air can take, hour by hour, for each unit of a tube's conductance.

Water lost = conductance x drying power, summed over the real history. The conductance (m³/s, at 25 °C) is the tube's own
and is learned; the drying power (mL a day for each m³/s) is the air's. The water face lies behind wet cotton, so that the
geometry stays as it is while the cotton is wet, unlike a free meniscus, which recedes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensord.air.evaporation import diffusivity_m2_s, evaporation_kg_s
from sensord.air.moist_air import vapour_pa
from sensord.clock import DAY_MS, HOUR_MS
from sensord.model import Nest

Floats = NDArray[np.float64]

REFERENCE_C = 25.0
ML_PER_KG = 1_000.0 / 0.9982  # water at 20 °C
_SECONDS_PER_DAY = 86_400.0
_DAY_HOURS = 24
USUAL_BORE_MM = 14.0  # common practice: a tube of 16 x 150 mm
_USUAL_COLUMN_MM = 75.0  # common practice: filled about half
_USUAL_AIR = (22.0, 45.0)  # common practice: °C and %RH of a lived-in room, where nothing measures it


def drying_power(temp_c: Floats, room_pa: Floats) -> Floats:
    """What the air takes from a wet face at ``temp_c`` through a conductance of 1 m³/s (given at 25 °C), mL/day.

    Args:
        temp_c: at the wet face, 0 to 60 °C. room_pa: vapour pressure in the room; NaN where unknown.

    Never negative: what condenses on a cold face does not run back into the reservoir.
    Source: Stefan diffusion, Geankoplis 6.2B; diffusivity, Massman 1998 (both in air/evaporation.py).
    """
    warmer = diffusivity_m2_s(temp_c) / diffusivity_m2_s(REFERENCE_C)
    kg_s = evaporation_kg_s(1.0, temp_c, 1.0, room_pa) * warmer
    return np.maximum(np.asarray(kg_s, dtype=np.float64), 0.0) * _SECONDS_PER_DAY * ML_PER_KG


def usual_power() -> float:
    """Drying power of usual air, mL/day per m³/s."""
    temp_c, humidity_pct = _USUAL_AIR
    return float(drying_power(np.array([temp_c]), np.array([vapour_pa(temp_c, humidity_pct)]))[0])


@dataclass(frozen=True, slots=True)
class PowerSeries:
    """Hourly drying power without gaps, from ``start_ms`` (a full hour) on, with its running sum.

    Attributes:
        hourly: mL/day per m³/s. measured: which hours were measured, not bridged.
        total: running sum in mL per m³/s, one longer than ``hourly``.
    """

    start_ms: int
    hourly: Floats
    measured: NDArray[np.bool_]
    total: Floats

    @classmethod
    def bridged(cls, start_ms: int, hourly: Floats) -> PowerSeries:
        """From a series with NaN gaps, which are bridged."""
        measured = np.isfinite(hourly)
        full = bridge(hourly)
        total = np.concatenate(([0.0], np.cumsum(full))) / _DAY_HOURS
        return cls(start_ms, full, measured, total)

    @classmethod
    def unmeasured(cls, from_ms: int) -> PowerSeries:
        """Usual air all the time, none of it measured: levels and fills then tell a rate that holds for such air."""
        start_ms = from_ms // HOUR_MS * HOUR_MS
        return cls(start_ms, np.array([usual_power()]), np.array([False]), np.array([0.0, usual_power() / _DAY_HOURS]))

    def unmeasured_days(self, from_ms: int, until_ms: int) -> float:
        """Days of an interval that were bridged, or lie outside of what was measured."""
        first, last = (max(0, (at_ms - self.start_ms) // HOUR_MS) for at_ms in (from_ms, until_ms))
        return max(0.0, days_of(from_ms, until_ms) - int(self.measured[first:last].sum()) / _DAY_HOURS)

    @property
    def end_ms(self) -> int:
        """Where it ends; beyond, and before the start, the mean of the nearest 14 days stands in."""
        return self.start_ms + len(self.hourly) * HOUR_MS

    def between(self, from_ms: int, until_ms: int) -> float:
        """Drying power summed over an interval, mL per m³/s; 0 where it is turned round."""
        return max(0.0, self._at(until_ms) - self._at(from_ms)) if until_ms > from_ms else 0.0

    def _at(self, at_ms: int) -> float:
        hours = (at_ms - self.start_ms) / HOUR_MS
        if hours < 0:
            return hours / _DAY_HOURS * float(self.hourly[: 14 * _DAY_HOURS].mean())
        if hours >= len(self.hourly):
            beyond = (hours - len(self.hourly)) / _DAY_HOURS
            return float(self.total[-1]) + beyond * float(self.hourly[-14 * _DAY_HOURS :].mean())
        whole = int(hours)
        return float(self.total[whole] + (hours - whole) * (self.total[whole + 1] - self.total[whole]))


def bridge(hourly: Floats) -> Floats:
    """Gaps filled: up to 6 h by a straight line, longer ones by the mean of the week on either side.

    Raises:
        ValueError: nothing was measured at all.
    """
    known = np.flatnonzero(np.isfinite(hourly))
    if not len(known):
        raise ValueError("a series without a single measured hour cannot be bridged")
    full = np.interp(np.arange(len(hourly)), known, hourly[known])
    for first, last in _long_gaps(known, len(hourly)):
        around = hourly[max(0, first - 7 * _DAY_HOURS) : last + 7 * _DAY_HOURS]
        full[first:last] = np.nanmean(around)
    return full


def _long_gaps(known: NDArray[np.intp], length: int) -> list[tuple[int, int]]:
    edges = np.concatenate(([-1], known, [length]))
    wide = np.flatnonzero(np.diff(edges) > 7)
    return [(int(edges[i]) + 1, int(edges[i + 1])) for i in wide]


def column_ml(nest: Nest) -> float:
    """Water a nest may hold when full: as told, else a usual tube of that bore filled half (common practice), mL."""
    if nest.reservoir_ml:
        return nest.reservoir_ml
    bore_mm = nest.bore_mm or USUAL_BORE_MM
    return float(np.pi / 4.0 * bore_mm**2 * _USUAL_COLUMN_MM / 1_000.0)


def days_of(from_ms: int, until_ms: int) -> float:
    """Days between two instants, never negative."""
    return max(0, until_ms - from_ms) / DAY_MS
