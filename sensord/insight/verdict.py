"""Which climate cause is consistent with a death: a dose that can do harm, and more of it than siblings that lived. Pure.

Untrusted hours count for nothing and make the review less sure. A cause that explains another goes before it: a nest too
hot is dry as well, one too cold is damp, and a reservoir run empty dries the air.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.exposures import AIR_FACTORS, SWING_C, Factor, PlaceAir, extremes_c
from sensord.insight.harm import Measure, measure, quantile
from sensord.insight.water import BY_BALANCE, FOUND_EMPTY, Water
from sensord.model import Place

CAUSE = {Factor.HOT: "heat"} | {f: str(f) for f in Factor if f is not Factor.HOT}
NOT_CLIMATE, CANNOT_TELL = "not_climate", "cannot_tell"
NAMED_FROM = 0.5  # less support than that names no cause
_LEAST_COVERAGE, _LEAST_RECENT, _LEAST_LAST, _LEAST_HOURS = 0.25, 0.4, 0.5, 48
_LEAST_FOR_CAUSE = 0.2
_REVERSALS, _SWING_DAYS = 4, 16
_THERMAL = (Factor.HOT, Factor.COLD, Factor.SWING)
_EXPLAINED = 0.6  # what another cause brings with it counts that much


@dataclass(frozen=True, slots=True)
class Finding:
    """How well a cause is supported, 0..1, and why."""

    cause: str
    support: float
    because: str


@dataclass(frozen=True, slots=True)
class Weighed:
    """The measure of each factor, its support as the cause, and why reservoir or cotton."""

    measures: Mapping[Factor, Measure]
    support: Mapping[Factor, float]
    water: str


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of the hours that the nest's own probes measured and that are trusted.

    Attributes:
        window, recent, last: both quantities, in the window, in its last seven days and in its last two. hours: of both.
        temp_recent, rh_recent: of each quantity in the last seven days. room: share of the window that the room's
            probe measured, which says little of one nest.
    """

    window: float
    recent: float
    hours: int
    temp_recent: float = 0.0
    rh_recent: float = 0.0
    room: float = 0.0
    last: float = 0.0


def coverage_of(places: Sequence[PlaceAir], from_hour: int = 0, room: float = 0.0) -> Coverage:
    """Hours with trusted readings at any place of the nest, from an hour of the window on."""
    if not places or from_hour >= len(places[0].temp_c):
        return Coverage(0.0, 0.0, 0, room=room)
    temp = np.any([np.isfinite(air.temp_c) for air in places], axis=0)[from_hour:]
    humid = np.any([np.isfinite(air.rh_pct) for air in places], axis=0)[from_hour:]
    both = np.any([air.measured for air in places], axis=0)[from_hour:]
    week = slice(-7 * 24, None)
    return Coverage(
        float(both.mean()), float(both[week].mean()), int(both.sum()), float(temp[week].mean()),
        float(humid[week].mean()), room, float(both[-2 * 24 :].mean()),
    )  # fmt: skip


def support_of(found: Measure) -> float:
    """Harm, less the share of living siblings that had as much; without siblings to compare with, never sure."""
    if found.compared == 0:
        return 0.65 * found.harm
    different = 1.0 - found.alike / found.compared
    return found.harm * min(1.0, max(0.0, (different - 0.6) / 0.3))


def weigh(
    places: Sequence[PlaceAir],
    peers: Mapping[Factor, Mapping[Place, Sequence[PlaceAir]]],
    water: Water,
    coverage: Coverage,
    until_ms: int,
) -> Weighed:
    """The best measure of each factor over the places, and how well each is supported as the cause.

    Args:
        peers: for each factor and place, the air of siblings that lived.
    """
    best: dict[Factor, Measure] = {}
    support = dict.fromkeys(Factor, 0.0)
    for factor in AIR_FACTORS if places else ():
        found = [measure(air, peers[factor].get(air.place, ()), factor) for air in places]
        top = best[factor] = max(found, key=lambda one: _place_weight(one.place) * support_of(one))
        known = coverage.temp_recent if factor in _THERMAL else coverage.rh_recent
        sure = 0.5 + 0.5 * min(1.0, known / 0.5)
        support[factor] = sure * _place_weight(top.place) * support_of(top)
    _tell_swing(places, peers[Factor.SWING], support)
    _tell_consequences(support, {factor: one.ended_days_before for factor, one in best.items()})
    dry = best.get(Factor.DRY)
    spell = _spell(dry, places[0].start_ms, until_ms) if dry is not None and dry.began_hour is not None else None
    return Weighed(best, support, _tell_reservoir(water, coverage, support, spell, until_ms))


def _place_weight(place: Place) -> float:
    """Ants in a nest can leave the outworld."""
    return 0.4 if place is Place.OUTWORLD else 1.0


def _tell_consequences(support: dict[Factor, float], ended: Mapping[Factor, float]) -> None:
    """Heat dries and cold dampens: where the temperature alone could do harm, the humidity comes after it.

    A nest that dried after it was wet, or got wet after it was dry, is judged by the later.
    """
    if support[Factor.HOT] >= NAMED_FROM or support[Factor.SWING] >= NAMED_FROM:
        support[Factor.DRY] *= _EXPLAINED
    if support[Factor.COLD] >= NAMED_FROM or support[Factor.SWING] >= NAMED_FROM:
        support[Factor.WET] *= _EXPLAINED
    if min(support[Factor.DRY], support[Factor.WET]) >= NAMED_FROM:
        earlier = Factor.WET if ended[Factor.WET] > ended[Factor.DRY] else Factor.DRY
        support[earlier] *= _EXPLAINED


def _tell_swing(
    places: Sequence[PlaceAir], peers: Mapping[Place, Sequence[PlaceAir]], support: dict[Factor, float]
) -> None:
    """A swing is one that comes again and goes both ways; a single warm or cold spell is heat or cold."""
    seen = [both_ways(air, peers.get(air.place, ())) for air in places]
    turns, both = max(seen, default=(0, False))
    if turns < _REVERSALS:
        support[Factor.SWING] *= 0.25 if max(support[Factor.HOT], support[Factor.COLD]) > 0.2 else 0.45
    elif both:
        support[Factor.HOT] *= 0.6 * (1.0 - 0.5 * support[Factor.SWING])
        support[Factor.COLD] *= 0.6 * (1.0 - 0.5 * support[Factor.SWING])
    elif max(support[Factor.HOT], support[Factor.COLD]) >= NAMED_FROM:
        support[Factor.SWING] *= 0.8 * max(support[Factor.HOT], support[Factor.COLD])


def both_ways(air: PlaceAir, peers: Sequence[PlaceAir]) -> tuple[int, bool]:
    """How often, within the last days, the temperature turned by a swing against the siblings', and whether both ways.

    Without siblings: against its own median.
    """
    last = air.since(max(0, len(air.temp_c) - _SWING_DAYS * 24))
    own = np.stack(extremes_c(last))
    hours = len(last.temp_c)
    felt = [np.stack(extremes_c(peer.since(len(peer.temp_c) - hours))) for peer in peers]
    usual = quantile(felt, 0.5) if felt else np.full((2, hours), np.nan)
    middle = np.nanmedian(last.temp_c) if np.isfinite(last.temp_c).any() else 0.0
    gap = _as_it_went(last.temp_c, own - np.where(np.isfinite(usual), usual, middle))
    gap = gap[np.isfinite(gap)]
    both = len(gap) > 0 and np.quantile(gap, 0.97) > 3.0 and np.quantile(gap, 0.03) < -3.0
    return _turns(gap), bool(both)


def _as_it_went(temp_c: Floats, extremes: Floats) -> Floats:
    """Coldest and warmest of each hour in the order in which it went through them."""
    before, after = np.concatenate((temp_c[:1], temp_c[:-1])), np.concatenate((temp_c[1:], temp_c[-1:]))
    return np.where((after < before)[None, :], extremes[::-1], extremes).T.ravel()


def _turns(gap_c: Floats) -> int:
    """Turning points at least three quarters of a swing apart; the first such rise or fall counts as one."""
    turns, going, least = 0, 0, 0.75 * SWING_C
    low = high = gap_c[0] if len(gap_c) else 0.0  # since the last turn
    for value in gap_c.tolist():
        low, high = min(low, value), max(high, value)
        falls, rises = going >= 0 and value < high - least, going <= 0 and value > low + least
        if falls or rises:
            turns, going = turns + 1, -1 if falls else 1
            low = high = value
    return turns


def _spell(dry: Measure, start_ms: int, until_ms: int) -> tuple[int, int]:
    """From when till when it was dry."""
    return start_ms + (dry.began_hour or 0) * HOUR_MS, until_ms - round(dry.ended_days_before * 24) * HOUR_MS


def _tell_reservoir(
    water: Water, coverage: Coverage, support: dict[Factor, float], spell: tuple[int, int] | None, until_ms: int
) -> str:
    """Dry air over an empty reservoir is the reservoir's doing; over water it is the cotton's. Why which, in words."""
    dry = support[Factor.DRY]
    if coverage.rh_recent < _LEAST_RECENT and dry < NAMED_FROM:
        seen_h, surely_h = water.seen_empty_h(until_ms), water.surely_empty_h(until_ms)
        support[Factor.RESERVOIR_EMPTY] = max(_parched(seen_h + 48.0) if seen_h else 0.0, 0.8 * _parched(surely_h))
        return FOUND_EMPTY if seen_h else BY_BALANCE
    if spell is None:
        return ""
    empty, why = water.empty_when_dried(*spell)
    if empty >= 0.5:
        support[Factor.RESERVOIR_EMPTY], support[Factor.DRY] = dry, 0.7 * dry
    else:
        support[Factor.RESERVOIR_EMPTY] = 0.9 * dry * empty
    return why


def _parched(empty_h: float) -> float:
    """Harm of so many hours over an empty reservoir where nothing measured the air: the cotton lasts four days first."""
    return 0.8 * (1.0 - float(np.exp(-max(0.0, empty_h - 96.0) / 72.0)))


def decide(support: Mapping[Factor, float], coverage: Coverage) -> tuple[str, float]:
    """The cause best supported, else that it was not the climate, else that too little was recorded; and how sure.

    What nobody measured in the last two days may have been what killed: then the climate is not cleared.
    """
    best = max(support, key=lambda one: support[one])
    known = coverage.temp_recent if best in _THERMAL else coverage.rh_recent
    if support[best] >= NAMED_FROM and (known >= _LEAST_FOR_CAUSE or best is Factor.RESERVOIR_EMPTY):
        return CAUSE[best], support[best]
    least = (coverage.window, _LEAST_COVERAGE), (coverage.recent, _LEAST_RECENT), (coverage.last, _LEAST_LAST)
    if coverage.hours < _LEAST_HOURS or any(known < needed for known, needed in least):
        return CANNOT_TELL, 1.0 - min(known for known, _ in least)
    return NOT_CLIMATE, (1.0 - support[best]) * min(1.0, coverage.window / 0.8)
