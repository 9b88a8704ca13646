"""How far a probe stands from its siblings, the probes of the same place in the same room. Pure.

Their median is taken hour by hour, so that the room's own weather falls out; then the median over the hours, so that a door
left open does not count. Vapour pressures are compared, for they do not depend on how warm each probe stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensord.air.moist_air import saturation_pa
from sensord.insight.nest_air import AirHours

Floats = NDArray[np.float64]
LEAST_SIBLINGS, LEAST_HOURS = 3, 12
APART_C, APART_PCT, APART_SPREADS = 1.0, 8.0, 3.0
"""Apart is what no pair of good SHT31 shows (typically ±0.2 °C and ±2 %RH each: its data sheet; the margin is common
practice) and three times what the siblings differ among themselves."""
_SD_OF_MAD = 1.4826
"""A normal distribution's standard deviation over its median absolute deviation."""


@dataclass(frozen=True, slots=True)
class Drift:
    """One probe against its siblings.

    Attributes:
        siblings: how many of them were measured beside it. hours: how many hours could be compared.
        temp_c, rh_pct: own minus siblings, None where too few. Humidity is the difference of vapour pressure in % of
            saturation at the probe's own temperature.
        apart: whether either is out of the ordinary.
    """

    siblings: int
    hours: int
    temp_c: float | None = None
    rh_pct: float | None = None
    apart: bool = False


def drifts(air: Mapping[str, AirHours]) -> dict[str, Drift]:
    """Each probe of a group against all others of it.

    Args:
        air: by probe, all of the same hours; NaN where not measured there.
    """
    names = list(air)
    if not names:
        return {}
    temp = np.array([air[name].temp_c for name in names], float)
    vapour = np.array([air[name].vapour_pa for name in names], float)
    warm = np.array([_middle(row) for row in temp])
    temp_diff, temp_hours, siblings = _against_others(temp)
    vapour_diff, vapour_hours, _ = _against_others(vapour)
    rh_diff = 100 * vapour_diff / np.asarray(saturation_pa(np.where(np.isfinite(warm), warm, np.nan)))
    apart = _apart(temp_diff, APART_C) | _apart(rh_diff, APART_PCT)
    return {
        name: Drift(int(siblings[i]), int(max(temp_hours[i], vapour_hours[i])), _known(temp_diff[i]), _known(rh_diff[i]), bool(apart[i]))
        for i, name in enumerate(names)
    }  # fmt: skip


def _against_others(values: Floats) -> tuple[Floats, Floats, Floats]:
    """Of each row: its median difference from the others' median, the hours that could be compared, and the most others."""
    there = np.isfinite(values)
    diffs = np.full(len(values), np.nan)
    hours, siblings = np.zeros(len(values)), np.zeros(len(values))
    for row in range(len(values)):
        others = np.delete(values, row, axis=0)
        many = np.delete(there, row, axis=0).sum(axis=0)
        siblings[row] = max(many[there[row]], default=0)
        usable = there[row] & (many >= LEAST_SIBLINGS)
        hours[row] = usable.sum()
        if hours[row] >= LEAST_HOURS:
            diffs[row] = np.median(values[row, usable] - np.nanmedian(others[:, usable], axis=0))
    return diffs, hours, siblings


def _apart(diffs: Floats, least: float) -> NDArray[np.bool_]:
    known = diffs[np.isfinite(diffs)]
    spread = _SD_OF_MAD * float(np.median(np.abs(known - np.median(known)))) if len(known) else 0.0
    return np.nan_to_num(np.abs(diffs)) > max(least, APART_SPREADS * spread)


def _middle(row: Floats) -> float:
    known = row[np.isfinite(row)]
    return float(np.median(known)) if len(known) else float("nan")


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
