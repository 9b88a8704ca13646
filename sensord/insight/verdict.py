"""Which climate cause is consistent with a death: a dose that can do harm, and more of it than siblings that lived. Pure.

Air counts as harmful only beyond the limit *and* beyond what living siblings felt in the same hour: what they survived is
no cause. What ended long before the death counts little. Untrusted hours count for nothing and make the review less sure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.exposures import AIR_FACTORS, PROBE_PCT, Factor, Limits, PlaceAir, beyond, runs, swing_c
from sensord.model import Place

CAUSE = {Factor.HOT: "heat"} | {f: str(f) for f in Factor if f is not Factor.HOT}
NAMED_FROM = 0.5  # less support than that names no cause
# A dose that does harm with probability 1 - 1/e, in (unit beyond the limit) x hours within five days. No such number is
# published for ants in nests; these are wide working values, and never shown as facts about a species. The order of
# magnitude for dryness: workers of 82 species lived 0.7 to 97.9 h in dry air (Bujan, Yanoviak & Kaspari 2016).
HARM_DOSE = {Factor.DRY: 500.0, Factor.WET: 48.0, Factor.HOT: 8.0, Factor.COLD: 24.0, Factor.SWING: 80.0}
_BLOCK_H, _FRESH_DAYS, _HALVED_DAYS = 5 * 24, 3, 3.0
_COMPARED_H = 14 * 24
_APART = {Factor.DRY: 4.0, Factor.HOT: 1.0, Factor.COLD: 1.0}  # less apart from siblings is no difference
_LIKE = 0.6  # a sibling with that share of the dose had as much
_LEAST_COVERAGE, _LEAST_RECENT, _LEAST_HOURS = 0.25, 0.4, 48
_REVERSALS = 4
_EMPTY_SURE = 0.4
EMPTY_ML = 0.3  # a column is read to about that


@dataclass(frozen=True, slots=True)
class Water:
    """The reservoir through the window.

    Attributes:
        empty_by_day: (instant, probability that it was empty then), by mass balance alone, ascending.
        seen: (instant, mL) as the keeper read or poured it, ascending.
    """

    empty_by_day: tuple[tuple[int, float], ...] = ()
    seen: tuple[tuple[int, float], ...] = ()

    def empty_about(self, at_ms: int) -> float:
        """How probably it was empty when the cotton began to dry, or ran empty within two days of it."""
        near = [share for at, share in self.empty_by_day if at <= at_ms + 2 * DAY_MS]
        return near[-1] if near else 0.0

    def found_empty(self, began_ms: int) -> bool:
        """Whether the keeper's reading nearest to an instant, a few days before it or the first after, was of nothing."""
        before = [ml for at, ml in self.seen if began_ms - 4 * DAY_MS <= at <= began_ms]
        after = [ml for at, ml in self.seen if at > began_ms]
        return bool(before and before[-1] <= EMPTY_ML) or bool(after and after[0] <= EMPTY_ML)

    def found_water(self, began_ms: int) -> bool:
        """Whether the keeper's first reading after an instant was of water."""
        after = [ml for at, ml in self.seen if at > began_ms]
        return bool(after) and after[0] > 2 * EMPTY_ML

    def seen_empty_h(self, until_ms: int) -> float:
        """Hours since the keeper first found it empty without pouring since; 0 where not."""
        since = None
        for at, ml in self.seen:
            if ml > EMPTY_ML:
                since = None
            elif since is None:
                since = at
        return 0.0 if since is None else (until_ms - since) / HOUR_MS


@dataclass(frozen=True, slots=True)
class Finding:
    """How well a cause is supported, 0..1, and why."""

    cause: str
    support: float
    because: str


@dataclass(frozen=True, slots=True)
class Measure:
    """What was found about one factor at one place."""

    factor: Factor
    place: Place
    harm: float
    alike: int
    compared: int
    median_apart: float | None
    ended_days_before: float
    began_hour: int | None = None


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of the hours that were measured and trusted: in the window, and in its last seven days."""

    window: float
    recent: float
    hours: int


def coverage_of(places: Sequence[PlaceAir], from_hour: int = 0) -> Coverage:
    """Hours with a trusted reading of both quantities at any place of the nest, from an hour of the window on."""
    if not places:
        return Coverage(0.0, 0.0, 0)
    known = np.any([air.measured for air in places], axis=0)[from_hour:]
    if not len(known):
        return Coverage(0.0, 0.0, 0)
    return Coverage(float(known.mean()), float(known[-7 * 24 :].mean()), int(known.sum()))


def measure(air: PlaceAir, peers: Sequence[PlaceAir], factor: Factor) -> Measure:
    """How much harm one factor can have done at one place, beyond what living siblings felt.

    Args:
        peers: the same place of siblings that lived, on the same hours.
    """
    peers = [peer for peer in peers if peer.measured.any()]
    shared = _shared(peers, factor)
    strain = _strain(air, factor, shared)
    harm, ended = _timed_harm(strain, factor)
    dose = _worst_block(strain)
    others = [_worst_block(_strain(peer, factor, shared)) for peer in peers]
    began = runs(strain > 0, 48)
    alike = sum(other >= _LIKE * dose for other in others) if dose > 0 else len(others)
    return Measure(
        factor,
        air.place,
        harm,
        alike,
        len(others),
        _median_apart(air, peers, strain, factor),
        ended,
        began[-1][0] if began else None,
    )


def _shared(peers: Sequence[PlaceAir], factor: Factor) -> Floats | None:
    """What living siblings felt hour by hour, in the factor's own quantity; None without siblings."""
    if not peers:
        return None
    if factor is Factor.DRY:
        return _quantile([peer.rh_pct for peer in peers], 0.25) - _APART[factor]
    if factor is Factor.HOT:
        return _quantile([peer.temp_c for peer in peers], 0.75) + _APART[factor]
    if factor is Factor.COLD:
        return _quantile([peer.temp_c for peer in peers], 0.25) - _APART[factor]
    if factor is Factor.WET:
        return _quantile([beyond(peer, factor) for peer in peers], 0.7)
    return _quantile([swing_c(peer) for peer in peers], 0.75)


def _strain(air: PlaceAir, factor: Factor, shared: Floats | None) -> Floats:
    """How far beyond its limits and beyond what living siblings felt in the same hour; 0 where not measured."""
    amount = beyond(air, factor, _survivable(air.limits, factor, shared), slack=1.0)
    if factor is Factor.SWING and shared is not None:
        amount = np.minimum(amount, np.maximum(0.0, swing_c(air) - 1.5 * np.nan_to_num(shared)))
    if factor is Factor.WET:
        if shared is not None:
            amount = amount * (np.nan_to_num(shared) < 1.0)
        known = np.sort(air.rh_pct[np.isfinite(air.rh_pct)])  # one that is as wet at most times is no flooded nest
        usual = known[len(known) // 4] if len(known) else 0.0
        amount = amount * np.clip((air.rh_pct - usual - PROBE_PCT) / PROBE_PCT, 0.0, 1.0)
    return np.nan_to_num(amount)


def _survivable(lim: Limits, factor: Factor, shared: Floats | None) -> Limits:
    """The limits, widened to what living siblings felt in the same hour."""
    if shared is None or factor not in _APART:
        return lim
    if factor is Factor.DRY:
        return Limits(lim.temp_low_c, lim.temp_high_c, _least(lim.rh_low_pct, shared), lim.rh_high_pct)
    if factor is Factor.HOT:
        return Limits(lim.temp_low_c, -_least(-lim.temp_high_c, -shared), lim.rh_low_pct, lim.rh_high_pct)
    return Limits(_least(lim.temp_low_c, shared), lim.temp_high_c, lim.rh_low_pct, lim.rh_high_pct)


def _least(one: Floats, other: Floats) -> Floats:
    return np.where(np.isfinite(other), np.minimum(one, other), one)


def _quantile(series: Sequence[Floats], share: float) -> Floats:
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


def _timed_harm(strain: Floats, factor: Factor) -> tuple[float, float]:
    """Harm of the block that counts most, and days from the last strain to the end."""
    blocks = _blocks(strain, _BLOCK_H)
    before = np.arange(len(blocks))
    weight = 0.5 ** (np.maximum(0, before - _FRESH_DAYS) / _HALVED_DAYS)
    harm = (1.0 - np.exp(-blocks / HARM_DOSE[factor])) * weight
    hit = np.flatnonzero(strain > 0)
    ended = (len(strain) - 1 - hit[-1]) / 24.0 if len(hit) else float("inf")
    return float(harm.max(initial=0.0)), float(ended)


def _median_apart(air: PlaceAir, peers: Sequence[PlaceAir], strain: Floats, factor: Factor) -> float | None:
    """How far from the siblings' median during the hours that count, in the factor's unit."""
    hit = strain > 0
    if not peers or not hit.any() or factor not in (Factor.DRY, Factor.HOT, Factor.COLD):
        return None
    name = "rh_pct" if factor is Factor.DRY else "temp_c"
    usual = _quantile([getattr(peer, name) for peer in peers], 0.5)
    gap = (getattr(air, name) - usual)[hit]
    gap = gap[np.isfinite(gap)]
    return float(np.median(gap)) if len(gap) else None


def support_of(found: Measure) -> float:
    """Harm, less the share of living siblings that had as much; without siblings to compare with, never sure."""
    if found.compared == 0:
        return 0.65 * found.harm
    different = 1.0 - found.alike / found.compared
    return found.harm * min(1.0, max(0.0, (different - 0.6) / 0.3))


def both_ways(air: PlaceAir, peers: Sequence[PlaceAir]) -> tuple[int, bool]:
    """How often the temperature turned by a swing within the last ten days, and whether it went below siblings too."""
    temp = air.temp_c[-10 * 24 :]
    turns = _turns(temp[np.isfinite(temp)])
    usual = _quantile([peer.temp_c for peer in peers], 0.5)[-10 * 24 :] if peers else np.full(len(temp), np.nan)
    gap = temp - np.where(np.isfinite(usual), usual, np.nanmedian(temp) if np.isfinite(temp).any() else 0.0)
    gap = gap[np.isfinite(gap)]
    both = len(gap) > 0 and np.quantile(gap, 0.97) > 3.0 and np.quantile(gap, 0.03) < -3.0
    return turns, bool(both)


def _turns(temp_c: Floats) -> int:
    """Turning points at least a swing apart."""
    turns, going, extreme = 0, 0, temp_c[0] if len(temp_c) else 0.0
    for value in temp_c.tolist():
        if going >= 0 and value < extreme - 0.75 * 8.0:
            turns, going, extreme = turns + 1, -1, value
        elif going <= 0 and value > extreme + 0.75 * 8.0:
            turns, going, extreme = turns + 1, 1, value
        elif (going > 0 and value > extreme) or (going < 0 and value < extreme):
            extreme = value
        elif going == 0:
            extreme = extreme if abs(value - extreme) < 6.0 else value
    return turns


def weigh(
    places: Sequence[PlaceAir],
    peers: Mapping[Place, Sequence[PlaceAir]],
    water: Water,
    coverage: Coverage,
    until_ms: int,
) -> tuple[list[Measure], dict[str, float]]:
    """The best measure of each factor over the places, and the support of each cause."""
    best: list[Measure] = []
    support = {CAUSE[factor]: 0.0 for factor in Factor}
    sure = 0.5 + 0.5 * min(1.0, coverage.recent / 0.5)
    for factor in AIR_FACTORS:
        found = [measure(air, peers.get(air.place, ()), factor) for air in places]
        if found:
            top = max(found, key=lambda one: _place_weight(one.place) * support_of(one))
            best.append(top)
            support[CAUSE[factor]] = sure * _place_weight(top.place) * support_of(top)
    _tell_swing(places, peers, support)
    dry = next((one for one in best if one.factor is Factor.DRY), None)
    began = None if dry is None or dry.began_hour is None else places[0].start_ms + dry.began_hour * HOUR_MS
    _tell_reservoir(water, coverage, support, began, until_ms)
    return best, support


def _place_weight(place: Place) -> float:
    """Ants in a nest can leave the outworld."""
    return 0.4 if place is Place.OUTWORLD else 1.0


def _tell_swing(
    places: Sequence[PlaceAir], peers: Mapping[Place, Sequence[PlaceAir]], support: dict[str, float]
) -> None:
    """A swing is one that comes again and goes both ways; a single warm or cold spell is heat or cold."""
    seen = [both_ways(air, peers.get(air.place, ())) for air in places]
    turns, both = max(seen, default=(0, False))
    if turns < _REVERSALS:
        support["swing"] *= 0.25 if max(support["heat"], support["cold"]) > 0.2 else 0.6
    elif both:
        support["heat"] *= 0.6 * (1.0 - 0.5 * support["swing"])
        support["cold"] *= 0.6 * (1.0 - 0.5 * support["swing"])
    elif max(support["heat"], support["cold"]) >= NAMED_FROM:
        support["swing"] *= 0.8 * max(support["heat"], support["cold"])


def _tell_reservoir(
    water: Water, coverage: Coverage, support: dict[str, float], began_ms: int | None, until_ms: int
) -> None:
    """Dry air over an empty reservoir is the reservoir's doing; over water it is the cotton's."""
    dry, seen_h = support["dry"], water.seen_empty_h(until_ms)
    empty = water.empty_about(began_ms) if began_ms is not None else 0.0
    if began_ms is not None and water.found_empty(began_ms):
        empty = 1.0
    elif began_ms is not None and water.found_water(began_ms):
        empty = 0.0
    if coverage.recent < _LEAST_RECENT and seen_h > 0:
        support["reservoir_empty"] = 0.8 * (1.0 - float(np.exp(-max(0.0, seen_h - 48.0) / 96.0)))
    elif empty >= _EMPTY_SURE:
        support["reservoir_empty"], support["dry"] = dry, 0.7 * dry
    else:
        support["reservoir_empty"] = 0.9 * dry * empty


def decide(support: Mapping[str, float], coverage: Coverage) -> tuple[str, float]:
    """The cause best supported, else that it was not the climate, else that too little was recorded."""
    cause = max(support, key=lambda one: support[one])
    enough = coverage.recent >= 0.2 or cause == "reservoir_empty"
    if support[cause] >= NAMED_FROM and enough:
        return cause, support[cause]
    if coverage.window < _LEAST_COVERAGE or coverage.recent < _LEAST_RECENT or coverage.hours < _LEAST_HOURS:
        return "cannot_tell", round(1.0 - min(coverage.window, coverage.recent), 3)
    return "not_climate", (1.0 - support[cause]) * min(1.0, coverage.window / 0.8)
