"""The review of one death as plain values: coverage, exposures, siblings, findings and a verdict in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sensord.clock import iso
from sensord.insight import review_words as words
from sensord.insight.exposures import AIR_FACTORS, Distrust, Exposure, Factor, PlaceAir, beyond, exposures_of
from sensord.insight.harm import Measure, ranked, told
from sensord.insight.verdict import (
    CANNOT_TELL,
    CAUSE,
    NOT_CLIMATE,
    Coverage,
    Finding,
    coverage_of,
    decide,
    weigh,
)
from sensord.insight.water import Water
from sensord.model import Place

Peers = Mapping[Factor, Mapping[Place, Sequence[PlaceAir]]]
_FEW = 3
_OF_WATER = (Factor.DRY, Factor.WET)
_NOTHING = 0.005  # so little support is not worth a line


@dataclass(frozen=True, slots=True)
class Sibling:
    """A nest to compare with: its places on the same hours, and whether its colony died within the window."""

    nest: str
    places: tuple[PlaceAir, ...]
    died: bool

    @property
    def probed(self) -> bool:
        """Whether it was measured itself, not only its room."""
        return any(air.place is not Place.ROOM for air in self.places)


@dataclass(frozen=True, slots=True)
class Siblings:
    """Who the dead nest is compared with, in words as ``of the same species and stage in this room``."""

    all: tuple[Sibling, ...]
    who: str

    @property
    def died(self) -> int:
        """How many of them died within the window."""
        return sum(one.died for one in self.all)

    def lived_at(self, place: Place) -> list[PlaceAir]:
        """That place of each sibling that lived and was measured there."""
        return [air for one in self.all if not one.died for air in one.places if air.place == place]

    def felt_near(self, place: Place) -> list[PlaceAir]:
        """Whose temperature compares with that place's: the same place, else where too few were measured any other.

        A sibling without a probe counts with its room's temperature (``Place.ROOM``).
        """
        same = self.lived_at(place)
        has = {id(air) for air in same}
        far = {Place.OUTWORLD} if place is not Place.OUTWORLD else {Place.WET_END, Place.DRY_END}
        others = [
            next((air for air in one.places if air.place not in far), None)
            for one in self.all
            if not one.died and not any(id(air) in has for air in one.places)
        ]
        stand_ins = [air for air in others if air is not None and (air.place is Place.ROOM or len(same) < _FEW)]
        return same + stand_ins


@dataclass(frozen=True, slots=True)
class Case:
    """All that a review is made from.

    Attributes:
        died_at_ms: None where the colony lives. places: trusted air of the nest; distrusted: what was left out of it.
        from_hour: first hour of the window in which the nest stood.
    """

    nest: str
    at_ms: int
    from_ms: int
    until_ms: int
    died_at_ms: int | None
    places: tuple[PlaceAir, ...]
    distrusted: tuple[Distrust, ...]
    siblings: Siblings
    water: Water
    reservoir: tuple[Exposure, ...]
    from_hour: int = 0
    room_cover: float = 0.0  # share of the window that the room's probe measured
    compared_hour: int = 0  # siblings are compared from that hour of the window on

    @property
    def compared(self) -> tuple[PlaceAir, ...]:
        """The part of the nest's places that siblings are compared over."""
        return tuple(air.since(self.compared_hour) for air in self.places)


@dataclass(frozen=True, slots=True)
class Review:
    """What the climate did, and whether it is consistent with the death."""

    case: Case
    coverage: Coverage
    exposures: tuple[Exposure, ...]
    findings: tuple[Finding, ...]
    verdict: Finding
    check_next: str
    measures: tuple[Measure, ...] = ()


def review_of(case: Case) -> Review:
    """Weigh the evidence."""
    coverage = coverage_of(case.places, case.from_hour, case.room_cover)
    peers = _peers(case)
    found = weigh(case.compared, peers, case.water, coverage, case.until_ms)
    measures, support = found.measures, found.support
    exposures = [
        one
        for air, compared in zip(case.places, case.compared, strict=True)
        for one in exposures_of(air, _percentiles(compared, peers))
    ] + list(case.reservoir)
    said = {factor: words.facts(factor, measures.get(factor), exposures, case) for factor in Factor}
    ranking = sorted((factor for factor in Factor if support[factor] > _NOTHING), key=lambda one: -support[one])
    findings = [
        Finding(CAUSE[one], round(support[one], 3), words.because(one, measures.get(one), said[one], found.water))
        for one in ranking
    ]
    verdict = _verdict(decide(support, coverage), ranking, said, (coverage, exposures, case))
    order = sorted(exposures, key=lambda one: (one.from_ms, one.factor))
    return Review(
        case, coverage, tuple(order), tuple(findings), verdict, words.CHECK[verdict.cause], tuple(measures.values())
    )


def _verdict(
    decided: tuple[str, float],
    ranking: Sequence[Factor],
    said: Mapping[Factor, str],
    rest: tuple[Coverage, Sequence[Exposure], Case],
) -> Finding:
    cause, sure = decided
    coverage, exposures, case = rest
    if cause == CANNOT_TELL:
        text = words.cannot_tell(coverage, case)
    elif cause == NOT_CLIMATE:
        text = words.not_climate(said[ranking[0]] if ranking else None, exposures, case)
    else:
        factor = next(factor for factor, name in CAUSE.items() if name == cause)
        harmful = Factor.DRY if factor is Factor.RESERVOIR_EMPTY and Factor.DRY in ranking else factor
        text = words.named(cause, said[harmful], case)
    return Finding(cause, round(min(1.0, max(0.0, sure)), 3), text)


def _peers(case: Case) -> dict[Factor, dict[Place, list[PlaceAir]]]:
    """Whom each factor is compared with at each place."""
    of = case.siblings
    return {
        factor: {
            air.place: of.lived_at(air.place) if factor in _OF_WATER else of.felt_near(air.place) for air in case.places
        }
        for factor in AIR_FACTORS
    }


def _percentiles(air: PlaceAir, peers: Peers) -> dict[Factor, float | None]:
    """Share of siblings that lived with less of it over the compared time; ties count half."""
    found: dict[Factor, float | None] = {}
    for factor in AIR_FACTORS:
        own = float(np.nansum(beyond(air, factor)))
        others = [float(np.nansum(beyond(peer, factor))) for peer in peers[factor][air.place] if told(peer, factor)]
        percentile = ranked(own, others)[0]
        found[factor] = None if percentile is None else round(percentile, 1)
    return found


def as_json(review: Review) -> dict[str, Any]:
    """The document that ``review --json`` prints."""
    case = review.case
    return {
        "nest": case.nest,
        "at": iso(case.at_ms),
        "window": {"from": iso(case.from_ms), "to": iso(case.until_ms)},
        "coverage": round(review.coverage.window, 4),
        "exposures": [_exposure_json(one) for one in review.exposures],
        "siblings": {"nests": len(case.siblings.all), "died": case.siblings.died},
        "findings": [_finding_json(one) for one in review.findings],
        "verdict": _finding_json(review.verdict),
    }


def _exposure_json(one: Exposure) -> dict[str, Any]:
    return {
        "factor": str(one.factor),
        "from": iso(one.from_ms),
        "to": iso(one.until_ms),
        "hours": round(one.hours, 2),
        "worst": round(one.worst, 3),
        "limit": round(one.limit, 3),
        "dose": None if one.dose is None else round(one.dose, 3),
        "sibling_percentile": one.sibling_percentile,
    }


def _finding_json(one: Finding) -> dict[str, Any]:
    return {"cause": one.cause, "support": one.support, "because": one.because}
