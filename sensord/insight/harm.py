"""How much harm one factor can have done at one place, beyond what siblings that lived felt in the same hours. Pure.

Air counts as harmful only beyond the limit *and* beyond what living siblings felt in the same hour: what they survived is
no cause. What ended long before the death counts little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sensord.air.moist_air import saturation_pa, vapour_pa
from sensord.insight.balance import Floats
from sensord.insight.exposures import PROBE_PCT, SATURATED_PCT, Factor, Limits, PlaceAir, beyond, runs, swing_c
from sensord.model import Place

_BLOCK_H, _FRESH_DAYS, _HALVED_DAYS = 5 * 24, 7, 2.5  # common practice: a colony is found days after what harmed it
_COMPARED_H = 14 * 24
_APART = {Factor.DRY: 4.0, Factor.HOT: 1.0, Factor.COLD: 1.0}  # less apart from siblings is no difference
_LIKE = 0.6  # a sibling with that share of the dose had as much
_NEARLY_WET_PCT = 93.5  # a probe that reads low says that little in saturated air
_RISE_FROM_PCT, _RISE_OVER_PCT = 2.0, 3.5  # more than usual by that is wetter
_COOLER_C = 2.0
_GAP_H = 12
_HEAT_AT_C, _HEAT_Z_C = 8.0, 6.0


@dataclass(frozen=True, slots=True)
class Dose:
    """A dose that does harm with probability 1 - 1/e within five days, and what that rests on.

    Attributes:
        amount: in ``unit``, of what lies beyond the limit.
    """

    amount: float
    unit: str
    source: str


# No dose is published for ant colonies in nests. These are working values; what they rest on is said wherever they count.
HARM_DOSE = {
    Factor.DRY: Dose(
        500.0, "% h",
        "workers of 82 species lived 0.7 to 97.9 h in dry air (Bujan, Yanoviak and Kaspari 2016, Ecol. Evol. 6:6282); "
        "25 points below the limit for 20 h: common practice",
    ),
    Factor.WET: Dose(48.0, "h", "two days of standing water: common practice"),
    Factor.HOT: Dose(
        1.0, "h at 8 °C above the limit",
        "an hour at 40 °C kills fire ant workers in number, at 45 °C all (four Solenopsis species, Texas Tech thesis "
        "1982); ten times as long for every 6 °C less, in the manner of a thermal-death-time line (Rezende, Castañeda and "
        "Santos 2014, Funct. Ecol. 28:799), no line of any ant being known: common practice",
    ),
    Factor.COLD: Dose(24.0, "°C h", "one degree below the limit for a day: common practice"),
    Factor.SWING: Dose(50.0, "°C h", "swings of more than 7 °C in twelve hours, day after day: common practice"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Measure:
    """What was found about one factor at one place.

    Attributes:
        harm: 0..1, of the dose that counts most, less for what ended long before the end.
        alike, compared: siblings that lived and had as much; all that lived and were measured.
        percentile: 0..100, share of those that had less. effect: Cliff's delta, -1..1. p: exact permutation of the one
            nest among its siblings, one-sided. All None without siblings to compare with.
        median_apart: from the siblings' median in the hours that count, %RH or °C.
    """

    factor: Factor
    place: Place
    harm: float
    alike: int
    compared: int
    percentile: float | None
    effect: float | None
    p: float | None
    median_apart: float | None
    ended_days_before: float
    began_hour: int | None = None


def measure(air: PlaceAir, peers: Sequence[PlaceAir], factor: Factor) -> Measure:
    """How much harm one factor can have done at one place.

    Args:
        peers: the same place of siblings that lived, on the same hours.
    """
    peers = [peer for peer in peers if told(peer, factor)]
    strains = strains_of([air, *peers], peers, factor)
    strain, dose = strains[0], _worst_block(strains[0])
    harm, ended = timed_harm(strain, factor)
    others = [_worst_block(one) for one in strains[1:]]
    began = runs(strain > 0, 48)
    alike = sum(other >= _LIKE * dose for other in others) if dose > 0 else len(others)
    return Measure(
        factor, air.place, harm, alike, len(others), *ranked(dose, others), _median_apart(air, peers, strain, factor),
        ended, began[-1][0] if began else None,
    )  # fmt: skip


def ranked(own: float, others: Sequence[float]) -> tuple[float | None, float | None, float | None]:
    """Percentile of one among others (ties half), Cliff's delta, and the exact one-sided permutation p.

    Cliff 1993, Psychol. Bull. 114:494-509. With one nest against n, the test has n + 1 arrangements, so that p is never
    below 1 / (n + 1). None without others.
    """
    if not others:
        return None, None, None
    less, more = sum(other < own for other in others), sum(other > own for other in others)
    same = len(others) - less - more
    return (
        100.0 * (less + 0.5 * same) / len(others),
        (less - more) / len(others),
        (1 + same + more) / (len(others) + 1),
    )


def told(air: PlaceAir, factor: Factor) -> bool:
    """Whether that place was measured at all in the factor's own quantity."""
    values = air.rh_pct if factor in (Factor.DRY, Factor.WET) else air.temp_c
    return bool(np.isfinite(values).any())


def strains_of(airs: Sequence[PlaceAir], peers: Sequence[PlaceAir], factor: Factor) -> list[Floats]:
    """How far each is beyond its limits and beyond what living siblings felt in the same hour; 0 where not measured."""
    if factor is Factor.WET:
        return _wet_strains(airs, peers)
    shared = _shared(peers, factor)
    found = []
    for air in airs:
        amount = beyond(air, factor, _survivable(air.limits, factor, shared), slack=1.0)
        if factor is Factor.SWING and shared is not None:
            amount = np.minimum(amount, np.maximum(0.0, swing_c(air) - 1.5 * np.nan_to_num(shared)))
        found.append(np.nan_to_num(_as_dose(amount) if factor is Factor.HOT else amount))
    return found


def _as_dose(above_c: Floats) -> Floats:
    """Hours at 8 °C above the limit that an hour at so much above it is worth."""
    return np.asarray(np.where(above_c > 0, 10.0 ** ((above_c - _HEAT_AT_C) / _HEAT_Z_C), 0.0))


def _shared(peers: Sequence[PlaceAir], factor: Factor) -> Floats | None:
    """What living siblings felt hour by hour, in the factor's own quantity; None without siblings."""
    if not peers:
        return None
    if factor is Factor.DRY:
        felt = quantile([peer.rh_pct for peer in peers], 0.25) - _APART[factor]
    elif factor is Factor.HOT:
        felt = quantile([peer.temp_c for peer in peers], 0.75) + _APART[factor]
    elif factor is Factor.COLD:
        felt = quantile([peer.temp_c for peer in peers], 0.25) - _APART[factor]
    else:
        felt = quantile([swing_c(peer) for peer in peers], 0.75)
    return _over_gaps(felt)


def _over_gaps(felt: Floats) -> Floats:
    """Straight lines over gaps of up to a day: an hour in which no sibling was measured is no hour that none lived through."""
    known = np.flatnonzero(np.isfinite(felt))
    if not len(known):
        return felt
    hours = np.arange(len(felt))
    last = known[np.maximum(0, np.searchsorted(known, hours, side="right") - 1)]
    following = known[np.minimum(len(known) - 1, np.searchsorted(known, hours))]
    near = (np.abs(hours - last) <= _GAP_H) | (np.abs(following - hours) <= _GAP_H)
    return np.asarray(np.where(near, np.interp(hours, known, felt[known]), np.nan))


def _survivable(lim: Limits, factor: Factor, shared: Floats | None) -> Limits:
    """The limits, widened to what living siblings felt in the same hour."""
    if shared is None or factor not in _APART:
        return lim
    if factor is Factor.DRY:
        return replace(lim, rh_low_pct=_least(lim.rh_low_pct, shared))
    if factor is Factor.HOT:
        return replace(lim, temp_high_c=-_least(-lim.temp_high_c, -shared))
    return replace(lim, temp_low_c=_least(lim.temp_low_c, shared))


def _least(one: Floats, other: Floats) -> Floats:
    return np.where(np.isfinite(other), np.minimum(one, other), one)


def _wet_strains(airs: Sequence[PlaceAir], peers: Sequence[PlaceAir]) -> list[Floats]:
    """Saturated, and wetter than this nest usually was until then, by more than its siblings became wetter meanwhile: 0..1 an hour.

    One that is as wet at most times is no flooded nest. A nest that is colder than its siblings is judged by what its air
    would be at their temperature: cold air is damp without a drop more water in it.
    """
    usual_c = quantile([peer.temp_c for peer in peers], 0.5) if peers else None
    humid = [_at_temperature(air, usual_c) for air in airs]
    rises = [rh - _usual(rh) for rh in humid]
    peer_rises = rises[len(airs) - len(peers) :] if len(airs) > len(peers) else rises
    common = np.maximum(0.0, np.nan_to_num(quantile(peer_rises, 0.5))) if peers else 0.0
    found = []
    for air, rh, rise in zip(airs, humid, rises, strict=True):
        top = np.nanquantile(rh, 0.99) if np.isfinite(rh).any() else SATURATED_PCT
        saturated = min(SATURATED_PCT, max(_NEARLY_WET_PCT, float(top) - 1.5))
        with np.errstate(invalid="ignore"):
            wet = rh >= np.minimum(air.limits.rh_high_pct + PROBE_PCT, saturated)
            more = np.clip((rise - common - _RISE_FROM_PCT) / _RISE_OVER_PCT, 0.0, 1.0)
        found.append(np.nan_to_num(np.where(wet, more, 0.0)))
    return found


def _usual(rh: Floats) -> Floats:
    """The drier quarter of the hours until then, day by day: a nest that dries later was not wet before."""
    found = np.full(len(rh), np.nan)
    for first in range(0, len(rh), 24):
        until_then = rh[: first + 24]
        known = until_then[np.isfinite(until_then)]
        if len(known):
            found[first : first + 24] = np.partition(known, len(known) // 4)[len(known) // 4]
    return found


def _at_temperature(air: PlaceAir, siblings_c: Floats | None) -> Floats:
    """Relative humidity; of hours colder than usual, as it would be at the usual temperature.

    Usual is as far from the siblings as at most times, without siblings the median.
    """
    beside_c = np.zeros(len(air.temp_c)) if siblings_c is None else siblings_c
    apart = (air.temp_c - beside_c)[np.isfinite(air.temp_c - beside_c)]
    usual_c = beside_c + (float(np.median(apart)) if len(apart) else np.nan)
    with np.errstate(invalid="ignore"):
        colder = air.temp_c < usual_c - _COOLER_C
        there = 100.0 * vapour_pa(air.temp_c, air.rh_pct) / saturation_pa(np.where(colder, usual_c, air.temp_c))
    return np.asarray(np.where(colder, there, air.rh_pct))


def quantile(series: Sequence[Floats], share: float) -> Floats:
    """Hour by hour over those measured; NaN where none was."""
    table = np.sort(np.stack(series), axis=0)  # NaN sorts last
    known = np.isfinite(table).sum(axis=0)
    place = np.rint(share * np.maximum(0, known - 1)).astype(np.intp)
    return np.asarray(np.take_along_axis(table, place[None, :], axis=0)[0])


def _worst_block(strain: Floats) -> float:
    """The most within any two weeks: what lasts twice as long is twice the dose."""
    return float(_blocks(strain, _COMPARED_H).max(initial=0.0))


def _blocks(strain: Floats, length_h: int) -> Floats:
    """Sums over so many hours ending so many whole days before the end: [0] ends with the window."""
    total = np.concatenate(([0.0], np.cumsum(strain)))
    ends = np.arange(len(strain), 0, -24)
    return total[ends] - total[np.maximum(0, ends - length_h)]


def timed_harm(strain: Floats, factor: Factor) -> tuple[float, float]:
    """Harm of the block that counts most, and days from the last strain to the end."""
    blocks = _blocks(strain, _BLOCK_H)
    before = np.arange(len(blocks))
    weight = 0.5 ** (np.maximum(0, before - _FRESH_DAYS) / _HALVED_DAYS)
    harm = (1.0 - np.exp(-blocks / HARM_DOSE[factor].amount)) * weight
    hit = np.flatnonzero(strain > 0)
    ended = (len(strain) - 1 - hit[-1]) / 24.0 if len(hit) else float("inf")
    return float(harm.max(initial=0.0)), float(ended)


def _median_apart(air: PlaceAir, peers: Sequence[PlaceAir], strain: Floats, factor: Factor) -> float | None:
    """How far from the siblings' median during the hours that count, in the factor's unit."""
    hit = strain > 0
    if not peers or not hit.any() or factor not in _APART:
        return None
    name = "rh_pct" if factor is Factor.DRY else "temp_c"
    usual = quantile([getattr(peer, name) for peer in peers], 0.5)
    gap = (getattr(air, name) - usual)[hit]
    gap = gap[np.isfinite(gap)]
    return float(np.median(gap)) if len(gap) else None
