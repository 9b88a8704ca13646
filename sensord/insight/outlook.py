"""When each reservoir will run dry, with its uncertainty: what every nest knows of itself, and the room of all of them.

Pure: the instant and everything known up to it are arguments. ``History`` (history.py) reads, ``Forecast`` (forecast.py)
keeps what was learned.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sensord.clock import DAY_MS, iso
from sensord.insight.balance import Floats
from sensord.insight.belief import Belief, mixed
from sensord.insight.gradients import Gradient, with_gradients
from sensord.insight.hands import hand_weights
from sensord.insight.ledger import Ledger, Question
from sensord.insight.lookahead import HORIZON_DAYS, Quantiles, days_quantiles, power_paths, water_quantiles
from sensord.insight.pooling import Learned, pooled_priors
from sensord.model import Nest

_ALONE = 0.1  # share of the belief that stays with geometry alone, should this tube be unlike all others


@dataclass(frozen=True, slots=True)
class Cotton:
    """What the probe in the tube says of the cotton; ``state`` is wet, drying, dry or unknown."""

    wetness: float | None = None
    wetness_sd: float | None = None
    state: str = "unknown"


@dataclass(frozen=True, slots=True)
class Known:
    """All that is known of one nest at an instant.

    Attributes:
        ledger: None where no water was ever written down. basis: own probe, room probe or none.
        recent_daily: drying power of the last days, usual air's where nothing ever measured it; empty without a ledger.
        gradient: ln conductance by the humidity gradient at its probe, and the spread of that, where there is one.
    """

    nest: Nest
    ledger: Ledger | None
    basis: str
    cotton: Cotton = Cotton()
    recent_daily: Floats = field(default_factory=lambda: np.empty(0))
    gradient: Gradient | None = None


@dataclass(frozen=True, slots=True)
class NestOutlook:
    """The outlook of one nest. None where nothing can honestly be said."""

    nest: str
    species: str
    filled_at_ms: int | None
    water_left_ml: Quantiles | None
    days_left: Quantiles | None
    cotton: Cotton
    basis: str
    cycles_learned: int
    questions: tuple[Question, ...] = ()

    def runs_dry_ms(self, at_ms: int) -> tuple[int, int, int] | None:
        """When, by 10, 50 and 90 %."""
        days = self.days_left
        if days is None:
            return None
        return (_later(at_ms, days.p10), _later(at_ms, days.p50), _later(at_ms, days.p90))


def outlooks(known: Sequence[Known], at_ms: int) -> list[NestOutlook]:
    """The outlook of all nests of a station; they teach each other, so give all of them and pick afterwards."""
    ledgers = {place: one.ledger for place, one in enumerate(known) if one.ledger is not None}
    weights = hand_weights([ledger.ln_evidence for ledger in ledgers.values()])
    alone = [mixed(ledger.beliefs, mine) for ledger, mine in zip(ledgers.values(), weights, strict=True)]
    beliefs = with_gradients(alone, [known[place].gradient for place in ledgers])
    learned = [_learned(known[place], belief) for place, belief in zip(ledgers, beliefs, strict=True)]
    means, sds = pooled_priors(learned) if learned else (np.zeros(0), np.zeros(0))
    water = {
        place: with_pooled(ledgers[place], belief, float(mean), float(sd))
        for place, belief, mean, sd in zip(ledgers, beliefs, means, sds, strict=True)
    }
    futures: dict[tuple[bool, bytes], Floats] = {}
    return [_outlook(one, water.get(place), futures, at_ms) for place, one in enumerate(known)]


def _learned(known: Known, belief: Belief) -> Learned:
    ledger, nest = known.ledger, known.nest
    assert ledger is not None
    ln_factor = belief.ln_conductance - ledger.ln_prior
    rows = belief.rows
    mean = float(rows @ ln_factor)
    variance = max(float(rows @ (ln_factor - mean) ** 2), 1e-5)
    precision = 1.0 / variance - 1.0 / ledger.ln_prior_sd**2
    kind: Hashable = (nest.kind, nest.plug, nest.bore_mm)
    rack: Hashable = (nest.room, nest.rack)
    if precision < 0.5 / ledger.ln_prior_sd**2:
        return Learned(0.0, float("inf"), kind, rack, known.basis, ledger.ln_prior_sd)
    return Learned(mean / variance / precision, precision**-0.5, kind, rack, known.basis, ledger.ln_prior_sd)


def _outlook(known: Known, belief: Belief | None, futures: dict[tuple[bool, bytes], Floats], at_ms: int) -> NestOutlook:
    ledger, nest = known.ledger, known.nest
    water = days = None
    if belief is not None:
        measured = known.basis != "none"
        key = measured, known.recent_daily.tobytes()
        if key not in futures:  # all nests that share a room probe share its futures
            futures[key] = power_paths(known.recent_daily, measured=measured)
        water = water_quantiles(belief)
        days = days_quantiles(belief, futures[key])
    return NestOutlook(
        nest.name,
        nest.species,
        ledger.filled_at_ms if ledger else None,
        water,
        days,
        known.cotton,
        known.basis,
        ledger.cycles_learned if ledger else 0,
        _open_questions(ledger, at_ms),
    )


def _open_questions(ledger: Ledger | None, at_ms: int) -> tuple[Question, ...]:
    """Those since the last fill that was written down, a season old at most."""
    if ledger is None:
        return ()
    since = max(ledger.filled_at_ms or 0, at_ms - 120 * DAY_MS)
    return tuple(question for question in ledger.questions if question.until_ms >= since)


def with_pooled(ledger: Ledger, belief: Belief, mean: float, sd: float) -> Belief:
    """The belief with the room's word in place of geometry's."""
    factor = belief.ln_conductance - ledger.ln_prior
    alone_sd = ledger.ln_prior_sd
    ln_ratio = 0.5 * (factor / alone_sd) ** 2 - 0.5 * ((factor - mean) / sd) ** 2 + np.log(alone_sd / sd)
    ratio = (1.0 - _ALONE) * np.exp(np.minimum(ln_ratio, 50.0)) + _ALONE
    p = belief.p * ratio[:, None]
    return replace(belief, p=p / p.sum())


def _later(at_ms: int, days: float) -> int:
    return at_ms + round(min(days, HORIZON_DAYS) * 86_400) * 1_000


def as_json(found: Iterable[NestOutlook], at_ms: int) -> dict[str, Any]:
    """The document that ``outlook --json`` prints."""
    return {"at": iso(at_ms), "nests": [_nest_json(one, at_ms) for one in found]}


def _nest_json(one: NestOutlook, at_ms: int) -> dict[str, Any]:
    dry = one.runs_dry_ms(at_ms)
    return {
        "nest": one.nest,
        "species": one.species,
        "filled_at": None if one.filled_at_ms is None else iso(one.filled_at_ms),
        "water_left_ml": _quantiles_json(one.water_left_ml, 3),
        "days_left": _quantiles_json(one.days_left, 2),
        "runs_dry_at": None if dry is None else dict(zip(("p10", "p50", "p90"), map(iso, dry), strict=True)),
        "wetness": _rounded(one.cotton.wetness),
        "wetness_sd": _rounded(one.cotton.wetness_sd),
        "cotton": one.cotton.state,
        "basis": one.basis,
        "cycles_learned": one.cycles_learned,
    }


def _quantiles_json(quantiles: Quantiles | None, digits: int) -> dict[str, float] | None:
    if quantiles is None:
        return None
    return {name: round(getattr(quantiles, name), digits) for name in ("p10", "p50", "p90")}


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
