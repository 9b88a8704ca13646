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
from sensord.insight.exposures import AIR_FACTORS, SWING_C, Factor, PlaceAir
from sensord.insight.harm import Measure, measure, quantile
from sensord.insight.water import Water
from sensord.model import Place

CAUSE = {Factor.HOT: "heat"} | {f: str(f) for f in Factor if f is not Factor.HOT}
NAMED_FROM = 0.5  # less support than that names no cause
_LEAST_COVERAGE, _LEAST_RECENT, _LEAST_HOURS = 0.25, 0.4, 48
_LEAST_FOR_CAUSE = 0.2
_REVERSALS = 4
_THERMAL = ("heat", "cold", "swing")
_EXPLAINED = 0.6  # what another cause brings with it counts that much


@dataclass(frozen=True, slots=True)
class Finding:
    """How well a cause is supported, 0..1, and why."""

    cause: str
    support: float
    because: str


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of the hours that the nest's own probes measured and that are trusted.

    Attributes:
        window, recent: both quantities, in the window and in its last seven days. hours: of both.
        temp_recent, rh_recent: of each quantity in the last seven days. room: share of the window that the room's
            probe measured, which says little of one nest.
    """

    window: float
    recent: float
    hours: int
    temp_recent: float = 0.0
    rh_recent: float = 0.0
    room: float = 0.0


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
        float(humid[week].mean()), room,
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
) -> tuple[list[Measure], dict[str, float]]:
    """The best measure of each factor over the places, and the support of each cause.

    Args:
        peers: for each factor and place, the air of siblings that lived.
    """
    best: list[Measure] = []
    support = {CAUSE[factor]: 0.0 for factor in Factor}
    for factor in AIR_FACTORS:
        found = [measure(air, peers[factor].get(air.place, ()), factor) for air in places]
        if found:
            top = max(found, key=lambda one: _place_weight(one.place) * support_of(one))
            best.append(top)
            known = coverage.rh_recent if factor in (Factor.DRY, Factor.WET) else coverage.temp_recent
            sure = 0.5 + 0.5 * min(1.0, known / 0.5)
            support[CAUSE[factor]] = sure * _place_weight(top.place) * support_of(top)
    _tell_swing(places, peers[Factor.SWING], support)
    _tell_consequences(support, {one.factor: one.ended_days_before for one in best})
    dry = next((one for one in best if one.factor is Factor.DRY and one.began_hour is not None), None)
    _tell_reservoir(
        water, coverage, support, None if dry is None else _spell(dry, places[0].start_ms, until_ms), until_ms
    )
    return best, support


def _place_weight(place: Place) -> float:
    """Ants in a nest can leave the outworld."""
    return 0.4 if place is Place.OUTWORLD else 1.0


def _tell_consequences(support: dict[str, float], ended: Mapping[Factor, float]) -> None:
    """Heat dries and cold dampens: where the temperature alone could do harm, the humidity comes after it.

    A nest that dried after it was wet, or got wet after it was dry, is judged by the later.
    """
    if support["heat"] >= NAMED_FROM or support["swing"] >= NAMED_FROM:
        support["dry"] *= _EXPLAINED
    if support["cold"] >= NAMED_FROM or support["swing"] >= NAMED_FROM:
        support["wet"] *= _EXPLAINED
    if min(support["dry"], support["wet"]) >= NAMED_FROM:
        earlier = "wet" if ended[Factor.WET] > ended[Factor.DRY] else "dry"
        support[earlier] *= _EXPLAINED


def _tell_swing(
    places: Sequence[PlaceAir], peers: Mapping[Place, Sequence[PlaceAir]], support: dict[str, float]
) -> None:
    """A swing is one that comes again and goes both ways; a single warm or cold spell is heat or cold."""
    seen = [both_ways(air, peers.get(air.place, ())) for air in places]
    turns, both = max(seen, default=(0, False))
    if turns < _REVERSALS:
        support["swing"] *= 0.25 if max(support["heat"], support["cold"]) > 0.2 else 0.45
    elif both:
        support["heat"] *= 0.6 * (1.0 - 0.5 * support["swing"])
        support["cold"] *= 0.6 * (1.0 - 0.5 * support["swing"])
    elif max(support["heat"], support["cold"]) >= NAMED_FROM:
        support["swing"] *= 0.8 * max(support["heat"], support["cold"])


def both_ways(air: PlaceAir, peers: Sequence[PlaceAir]) -> tuple[int, bool]:
    """How often the temperature turned by a swing within the last ten days, and whether it went below siblings too."""
    temp = air.temp_c[-10 * 24 :]
    turns = _turns(temp[np.isfinite(temp)])
    usual = quantile([peer.temp_c for peer in peers], 0.5)[-10 * 24 :] if peers else np.full(len(temp), np.nan)
    gap = temp - np.where(np.isfinite(usual), usual, np.nanmedian(temp) if np.isfinite(temp).any() else 0.0)
    gap = gap[np.isfinite(gap)]
    both = len(gap) > 0 and np.quantile(gap, 0.97) > 3.0 and np.quantile(gap, 0.03) < -3.0
    return turns, bool(both)


def _turns(temp_c: Floats) -> int:
    """Turning points at least three quarters of a swing apart."""
    turns, going, extreme, least = 0, 0, temp_c[0] if len(temp_c) else 0.0, 0.75 * SWING_C
    for value in temp_c.tolist():
        if going >= 0 and value < extreme - least:
            turns, going, extreme = turns + 1, -1, value
        elif going <= 0 and value > extreme + least:
            turns, going, extreme = turns + 1, 1, value
        elif (going > 0 and value > extreme) or (going < 0 and value < extreme):
            extreme = value
    return turns


def _spell(dry: Measure, start_ms: int, until_ms: int) -> tuple[int, int]:
    """From when till when it was dry."""
    return start_ms + (dry.began_hour or 0) * HOUR_MS, until_ms - round(dry.ended_days_before * 24) * HOUR_MS


def _tell_reservoir(
    water: Water, coverage: Coverage, support: dict[str, float], spell: tuple[int, int] | None, until_ms: int
) -> None:
    """Dry air over an empty reservoir is the reservoir's doing; over water it is the cotton's."""
    dry = support["dry"]
    if coverage.rh_recent < _LEAST_RECENT and dry < NAMED_FROM:
        seen_h, surely_h = water.seen_empty_h(until_ms), water.surely_empty_h(until_ms)
        support["reservoir_empty"] = max(_parched(seen_h + 48.0) if seen_h else 0.0, 0.8 * _parched(surely_h))
        return
    empty = water.empty_when_dried(*spell) if spell is not None else 0.0
    if empty >= 0.5:
        support["reservoir_empty"], support["dry"] = dry, 0.7 * dry
    else:
        support["reservoir_empty"] = 0.9 * dry * empty


def _parched(empty_h: float) -> float:
    """Harm of so many hours over an empty reservoir where nothing measured the air: the cotton lasts four days first."""
    return 0.8 * (1.0 - float(np.exp(-max(0.0, empty_h - 96.0) / 72.0)))


def decide(support: Mapping[str, float], coverage: Coverage) -> tuple[str, float]:
    """The cause best supported, else that it was not the climate, else that too little was recorded."""
    cause = max(support, key=lambda one: support[one])
    known = coverage.temp_recent if cause in _THERMAL else coverage.rh_recent
    if support[cause] >= NAMED_FROM and (known >= _LEAST_FOR_CAUSE or cause == "reservoir_empty"):
        return cause, support[cause]
    if coverage.window < _LEAST_COVERAGE or coverage.recent < _LEAST_RECENT or coverage.hours < _LEAST_HOURS:
        return "cannot_tell", round(1.0 - min(coverage.window, coverage.recent), 3)
    return "not_climate", (1.0 - support[cause]) * min(1.0, coverage.window / 0.8)
