"""What a nest was exposed to, hour by hour: how far beyond its limits, how much more than its siblings that lived. Pure.

One factor is one way in which air can harm: ``dry``, ``wet``, ``hot``, ``cold``, ``swing``. Series are hourly, NaN where
nothing trustworthy was measured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from sensord.air.moist_air import deficit_pa, saturation_pa, vapour_pa
from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.dose import desiccation_kpa_h
from sensord.model import Place

SATURATED_PCT = 97.0  # 100 less what a good probe may read low: no humidity limit lies higher
SWING_C = 7.0  # common practice: more than that between warmest and coldest of twelve hours is a swing
SWING_H = 12
PROBE_C, PROBE_PCT = 0.5, 3.0  # what two good probes may differ by; less than that beyond a limit says nothing
_BRIDGED_H = 6  # exposures that far apart are one
_USUAL_ROOM_PCT = 45.0  # common practice: rooms that people live in
_BASELINE_H, _FEELS_COTTON, _LEAST_LACK_PA = 72, 0.25, 200.0


class Factor(StrEnum):
    """One way in which the climate can harm."""

    DRY = "dry"
    WET = "wet"
    HOT = "hot"
    COLD = "cold"
    SWING = "swing"
    RESERVOIR_EMPTY = "reservoir_empty"


AIR_FACTORS = (Factor.DRY, Factor.WET, Factor.HOT, Factor.COLD, Factor.SWING)


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits in force hour by hour, °C and %RH."""

    temp_low_c: Floats
    temp_high_c: Floats
    rh_low_pct: Floats
    rh_high_pct: Floats


@dataclass(frozen=True, slots=True)
class PlaceAir:
    """One place of a nest over the window, hour by hour.

    Attributes:
        start_ms: a full hour. temp_c, rh_pct: hourly means. low_c, high_c: coldest and warmest reading of the hour.
        band_rh_low_pct: the band's own lower limit of humidity where ``limits`` follow the cotton, else None.
    """

    place: Place
    start_ms: int
    temp_c: Floats
    rh_pct: Floats
    low_c: Floats
    high_c: Floats
    limits: Limits
    band_rh_low_pct: Floats | None = None

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Hours with both temperature and humidity."""
        return np.isfinite(self.temp_c) & np.isfinite(self.rh_pct)

    def since(self, hour: int) -> PlaceAir:
        """The part from an hour of it on."""
        lim, band = self.limits, self.band_rh_low_pct
        cut = Limits(lim.temp_low_c[hour:], lim.temp_high_c[hour:], lim.rh_low_pct[hour:], lim.rh_high_pct[hour:])
        return PlaceAir(
            self.place, self.start_ms + hour * HOUR_MS, self.temp_c[hour:], self.rh_pct[hour:], self.low_c[hour:],
            self.high_c[hour:], cut, None if band is None else band[hour:],
        )  # fmt: skip

    @property
    def under_band(self) -> PlaceAir:
        """The same under the band's own limits."""
        if self.band_rh_low_pct is None:
            return self
        return replace(self, limits=replace(self.limits, rh_low_pct=self.band_rh_low_pct), band_rh_low_pct=None)


@dataclass(frozen=True, slots=True)
class Distrust:
    """Hours of a place that do not count, and why.

    Attributes:
        why: ``stuck``, ``out of range``, ``noisy``, ``below the room`` or ``moved``.
    """

    why: str
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Exposure:
    """A stretch of time beyond a limit.

    Attributes:
        hours: measured hours beyond it. worst, limit: %RH, °C, °C within twelve hours, or mL. dose: kPa h of vapour
            pressure deficit for ``dry``, None where no sourced dose is known. sibling_percentile: 0..100, share of the
            siblings that lived and had less of it over the window. of_cotton: whether ``limit`` is no limit of the band but
        follows the nest's own cotton (``with_cotton_limit``).
    """

    factor: Factor
    place: Place | None
    from_ms: int
    until_ms: int
    hours: float
    worst: float
    limit: float
    dose: float | None
    sibling_percentile: float | None = None
    of_cotton: bool = False


def with_cotton_limit(air: PlaceAir, room_pa: Floats | None) -> PlaceAir:
    """The place with a humidity limit that follows its cotton: half of its own wet baseline between room and cotton.

    In a humid room the air over dry cotton stays within the band, yet the ants have no water; the quotient of wetness.py
    falls all the same. Only where the probe feels the cotton, and the room leaves it something to feel.

    Args:
        room_pa: vapour pressure of the room on the same hours; None: a usual room stands in for it.
    """
    if air.place is Place.OUTWORLD:
        return air
    saturated = saturation_pa(air.temp_c)
    if room_pa is None:
        room_pa = _USUAL_ROOM_PCT / 100.0 * saturated
    with np.errstate(invalid="ignore", divide="ignore"):
        lack = saturated - room_pa
        wet = (vapour_pa(air.temp_c, air.rh_pct) - room_pa) / np.where(lack > _LEAST_LACK_PA, lack, np.nan)
        known = np.sort(wet[np.isfinite(wet)])
        if len(known) < _BASELINE_H:
            return air
        baseline = min(1.0, float(known[int(0.8 * len(known))]))
        if baseline < _FEELS_COTTON:
            return air
        half_pct = 100.0 * (room_pa + 0.5 * baseline * lack) / saturated
        half_pct = np.where(np.isfinite(half_pct) & (room_pa < 0.85 * saturated), half_pct, 0.0)
    band_pct = air.limits.rh_low_pct
    limits = replace(air.limits, rh_low_pct=np.maximum(band_pct, half_pct))
    return replace(air, limits=limits, band_rh_low_pct=band_pct)


def beyond(air: PlaceAir, factor: Factor, limits: Limits | None = None, slack: float = 0.0) -> Floats:
    """How far beyond its limit, hour by hour; NaN where not measured. For ``wet`` 1 while saturated."""
    lim = limits or air.limits
    if factor is Factor.DRY:
        return np.maximum(0.0, lim.rh_low_pct - slack * PROBE_PCT - air.rh_pct)
    if factor is Factor.HOT:
        return np.maximum(0.0, air.temp_c - lim.temp_high_c - slack * PROBE_C)
    if factor is Factor.COLD:
        return np.maximum(0.0, lim.temp_low_c - slack * PROBE_C - air.temp_c)
    if factor is Factor.WET:
        over = (air.rh_pct >= np.minimum(lim.rh_high_pct, SATURATED_PCT)).astype(float)
        return np.where(np.isfinite(air.rh_pct), over, np.nan)
    return np.maximum(0.0, swing_c(air) - SWING_C)


def swing_c(air: PlaceAir) -> Floats:
    """Warmest less coldest of the last twelve hours, °C; NaN where less than half of them was measured."""
    coldest, warmest = extremes_c(air)
    known = _last_hours(air.temp_c, np.nan)
    enough = np.isfinite(known).sum(axis=1) >= SWING_H // 2
    most, least = _last_hours(warmest, -np.inf).max(axis=1), _last_hours(coldest, np.inf).min(axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(enough, most - least, np.nan))


def extremes_c(air: PlaceAir) -> tuple[Floats, Floats]:
    """Coldest and warmest of each hour that count for a swing, °C.

    Those of its readings where the hours beside it went as far too: a thermostat that switches within the hour is a
    swing, though the mean of the hour stands still; a nest held open once is none.
    """
    with np.errstate(invalid="ignore"):
        return np.minimum(air.temp_c, _middle_of_three(air.low_c)), np.maximum(air.temp_c, _middle_of_three(air.high_c))


def _middle_of_three(values: Floats) -> Floats:
    """Running median over three hours; an hour that is missing stands as the one in the middle."""
    if not len(values):
        return values
    before, after = np.concatenate((values[:1], values[:-1])), np.concatenate((values[1:], values[-1:]))
    before, after = (np.where(np.isfinite(one), one, values) for one in (before, after))
    return np.maximum(np.minimum(before, after), np.minimum(np.maximum(before, after), values))


def _last_hours(values: Floats, missing: float) -> Floats:
    """A row an hour: it and the eleven before."""
    known = np.where(np.isnan(values), missing, values)
    padded = np.concatenate((np.full(SWING_H - 1, missing), known))
    return np.lib.stride_tricks.sliding_window_view(padded, SWING_H)[: len(values)]


def exposures_of(air: PlaceAir, percentile: dict[Factor, float | None]) -> list[Exposure]:
    """Every stretch of a place beyond its limits, in order of factor, then time."""
    return [
        _exposure(told, factor, span, percentile.get(factor))
        for factor in AIR_FACTORS
        for told, span in _stretches(air, factor)
    ]


def _stretches(air: PlaceAir, factor: Factor) -> Iterator[tuple[PlaceAir, tuple[int, int]]]:
    """Each with the limits it is told under: those of the band, or of the cotton where most of it keeps within the band."""
    hit = beyond(air, factor) > 0.0
    under_band = air.under_band
    beyond_band = beyond(under_band, factor) > 0.0
    inside = runs(beyond_band, _BRIDGED_H)
    for first, last in runs(hit, _BRIDGED_H):
        if 2 * beyond_band[first:last].sum() < hit[first:last].sum():
            yield air, (first, last)
        else:
            yield from ((under_band, span) for span in inside if first <= span[0] and span[1] <= last)


def at_one_place(exposures: Sequence[Exposure], factor: Factor, place: Place | None = None) -> list[Exposure]:
    """The stretches of a factor at a place, by default the one that had most hours of it: hours of two places add up to no time."""
    found = [one for one in exposures if one.factor is factor]
    hours: dict[Place | None, float] = {}
    for one in found:
        hours[one.place] = hours.get(one.place, 0.0) + one.hours
    if place not in hours:
        place = max(hours, key=lambda each: hours[each], default=None)
    return [one for one in found if one.place == place]


def _exposure(air: PlaceAir, factor: Factor, span: tuple[int, int], percentile: float | None) -> Exposure:
    first, last = span
    hit = first + np.flatnonzero(beyond(air, factor)[first:last] > 0.0)
    values = _values(air, factor)[hit]
    worst = int(hit[np.argmin(values) if factor in (Factor.DRY, Factor.COLD) else np.argmax(values)])
    dose = _dry_dose(air, first, last) if factor is Factor.DRY else None
    return Exposure(
        factor, air.place, air.start_ms + first * HOUR_MS, air.start_ms + last * HOUR_MS, float(len(hit)),
        float(_values(air, factor)[worst]), _limit(air, factor, worst), dose, percentile,
        factor is Factor.DRY and air.band_rh_low_pct is not None,
    )  # fmt: skip


def _values(air: PlaceAir, factor: Factor) -> Floats:
    if factor in (Factor.DRY, Factor.WET):
        return air.rh_pct
    return swing_c(air) if factor is Factor.SWING else air.temp_c


def _limit(air: PlaceAir, factor: Factor, hour: int) -> float:
    lim = air.limits
    return {
        Factor.DRY: float(lim.rh_low_pct[hour]),
        Factor.WET: min(float(lim.rh_high_pct[hour]), SATURATED_PCT),
        Factor.HOT: float(lim.temp_high_c[hour]),
        Factor.COLD: float(lim.temp_low_c[hour]),
    }.get(factor, SWING_C)


def _dry_dose(air: PlaceAir, first: int, last: int) -> float:
    deficits = deficit_pa(air.temp_c[first:last], air.rh_pct[first:last])
    at_ms = air.start_ms + np.arange(first, last) * HOUR_MS
    return desiccation_kpa_h(list(zip(at_ms.tolist(), deficits.tolist(), strict=True)))


def runs(hours: NDArray[np.bool_], bridged: int = 0) -> list[tuple[int, int]]:
    """Stretches of true hours as (first, one past the last); those at most ``bridged`` apart are one."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], hours.astype(np.int8), [0]))))
    found: list[tuple[int, int]] = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if found and first - found[-1][1] <= bridged:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found
