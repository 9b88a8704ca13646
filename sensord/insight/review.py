"""The review of one death as plain values: coverage, exposures, siblings, findings and a verdict in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS, iso
from sensord.insight.exposures import AIR_FACTORS, Distrust, Exposure, Factor, PlaceAir, beyond, exposures_of
from sensord.insight.harm import Measure, ranked, told
from sensord.insight.verdict import (
    CAUSE,
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

_TOO = {
    "dry": "too dry", "wet": "too wet", "hot": "too hot", "cold": "too cold", "swing": "swinging in temperature",
    "reservoir_empty": "without water in the reservoir",
}  # fmt: skip
_CHECK = {
    "dry": "Look at the cotton: is it pale, or is there an air bubble between it and the water? Touch it.",
    "wet": "Look for standing water in the chamber and for a leaking plug; tilt the nest and see whether water runs.",
    "heat": "Feel the mat or cable under this nest and look at its thermostat before you put anything living there. "
    "Mains heat near water: pull the plug first, and leave repairs to somebody licensed.",
    "cold": "Look for a window, door or fridge near this nest, and whether its heating still works.",
    "swing": "Look what switches near this nest: a lamp, a mat on a timer, sun on the glass.",
    "reservoir_empty": "Look at the reservoir, and at the journal: when was it filled last?",
    "not_climate": "Look elsewhere: food and when it was last given, mites or mould, a queen that never laid, a disturbance.",
    "cannot_tell": "Check the probe of this nest: is it plugged in, where does it sit, what did it say last?",
}


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


def review_of(case: Case) -> Review:
    """Weigh the evidence."""
    coverage = coverage_of(case.places, case.from_hour, case.room_cover)
    peers = _peers(case)
    measures, support = weigh(case.compared, peers, case.water, coverage, case.until_ms)
    exposures = [
        one
        for air, compared in zip(case.places, case.compared, strict=True)
        for one in exposures_of(air, _percentiles(compared, peers))
    ] + list(case.reservoir)
    by_cause = {CAUSE[one.factor]: one for one in measures}
    findings = [
        Finding(cause, round(amount, 3), _because(cause, by_cause.get(cause), exposures, case))
        for cause, amount in sorted(support.items(), key=lambda item: -item[1])
        if amount > 0.005
    ]
    cause, sure = decide(support, coverage)
    text = _verdict_text(cause, findings, coverage, case, exposures)
    order = sorted(exposures, key=lambda one: (one.from_ms, one.factor))
    verdict = Finding(cause, round(min(1.0, max(0.0, sure)), 3), text)
    return Review(case, coverage, tuple(order), tuple(findings), verdict, _CHECK[cause])


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


def _because(cause: str, found: Measure | None, exposures: Sequence[Exposure], case: Case) -> str:
    factor = next(factor for factor, name in CAUSE.items() if name == cause)
    stretches = [one for one in exposures if one.factor is factor]
    hours = sum(one.hours for one in stretches)
    words = []
    if stretches:
        worst = (min if factor in (Factor.DRY, Factor.COLD) else max)(stretches, key=lambda one: one.worst)
        unit = {Factor.DRY: "%", Factor.WET: "%", Factor.RESERVOIR_EMPTY: "mL"}.get(factor, "°C")
        words.append(
            f"{_span(hours)} {_TOO[factor]}, worst {worst.worst:.3g} {unit} (limit {worst.limit:.3g}), "
            + _ended(case.until_ms - max(one.until_ms for one in stretches))
        )
    if found is not None and found.compared:
        words.append(f"{found.alike} of {found.compared} siblings that lived, {case.siblings.who}, had as much")
    elif found is not None:
        words.append("no sibling that lived was measured at that place")
    if found is not None and found.median_apart is not None:
        unit = "points of humidity" if factor is Factor.DRY else "°C"
        words.append(f"it stood {abs(found.median_apart):.1f} {unit} away from their median meanwhile")
    return "; ".join(words) + "." if words else "little of it was measured."


def _verdict_text(
    cause: str, findings: Sequence[Finding], coverage: Coverage, case: Case, exposures: Sequence[Exposure]
) -> str:
    what = "death" if case.died_at_ms is not None else "state of this nest, whose colony lives"
    if cause == "cannot_tell":
        return (
            f"Too little was recorded to tell: trusted readings cover {coverage.window:.0%} of the window and "
            f"{coverage.recent:.0%} of its last seven days.{_distrust_text(case.distrusted)} "
            f"What there is neither blames the climate nor clears it."
        )
    if cause == "not_climate":
        seen = "Nothing in the nest's air went beyond its limits" if not exposures else (
            "What went beyond its limits was too little, too long before, or no more than siblings that lived went through"
        )  # fmt: skip
        best = f" ({findings[0].because})" if findings and exposures else ""
        text = f"The climate does not explain the {what}. {seen}{best.rstrip('.)') + ')' if best else ''}."
        return text + _distrust_text(case.distrusted)
    finding = next(one for one in findings if one.cause == cause)
    factor = next(factor for factor, name in CAUSE.items() if name == cause)
    if cause == "reservoir_empty":  # what harms is the dry air that follows
        dry = next((one.because for one in findings if one.cause == "dry"), "")
        return f"The {what} is consistent with an empty reservoir and cotton that dried. {(dry or finding.because).capitalize()}"
    return f"The {what} is consistent with the nest having been {_TOO[factor]}. {finding.because[0].upper()}{finding.because[1:]}"


def _distrust_text(distrusted: Sequence[Distrust]) -> str:
    words = {
        "stuck": "stood still to the last digit",
        "out of range": "were out of range",
        "noisy": "jumped as no air does",
        "below the room": "were drier than the room, which a nest over wet cotton cannot be",
        "moved": "changed within an hour and then stayed, as when a probe is moved or a plug pulled",
    }
    whys = list(dict.fromkeys(one.why for one in distrusted))
    return f" Some readings were left out: they {' or '.join(words[why] for why in whys)}." if whys else ""


def _span(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"


def _ended(before_ms: int) -> str:
    if before_ms < 2 * HOUR_MS:
        return "until the end"
    span = f"{before_ms / HOUR_MS:.0f} h" if before_ms < 3 * DAY_MS else f"{before_ms / DAY_MS:.0f} days"
    return f"until {span} before the end"


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
