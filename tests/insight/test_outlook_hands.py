"""How exact a keeper reads and pours is learned from all the tubes together, and intervals become as wide as they must be."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sensord.clock import DAY_MS
from sensord.insight.balance import PowerSeries
from sensord.insight.belief import level_likelihood, mixed
from sensord.insight.hands import HANDS, Hand, hand_weights
from sensord.insight.ledger import Event, Happening, Ledger
from sensord.insight.lookahead import days_quantiles, power_paths
from sensord.model import Nest, NestKind, Plug

NEST = Nest("A 1", NestKind.TUBE, "room", bore_mm=14, chamber_mm=75, reservoir_ml=11.5, plug=Plug.COTTON)
POWER = PowerSeries.bridged(0, np.full(24 * 400, 1e6))
RATE_ML_DAY, FULL_ML, UNTIL_DAY = 0.1, 11.0, 96


def keeper(level_sd_ml: float, tubes: int = 12) -> list[Ledger]:
    """Twelve tubes of one rate, whose levels are read every twelve days with that error."""
    random = np.random.default_rng(8)
    return [told(random.normal(0.0, level_sd_ml, 7)) for _ in range(tubes)]


def told(errors_ml: np.ndarray) -> Ledger:
    days = 12.0 * np.arange(1, 8)
    levels = [
        Event(int(day * DAY_MS), Happening.LEVEL, round(max(0.2, FULL_ML - RATE_ML_DAY * day + off), 1))
        for day, off in zip(days, errors_ml, strict=True)
    ]
    ledger = Ledger.begin(NEST, -1)
    ledger.advance([Event(0, Happening.FILL, FULL_ML), *levels], POWER, UNTIL_DAY * DAY_MS)
    return ledger


def half_widths(ledgers: list[Ledger]) -> float:
    """Mean of the 10-90 % intervals' half widths in days, the room's word about the keeper taken in."""
    paths = power_paths(np.full(21, 1e6))
    weights = hand_weights([one.ln_evidence for one in ledgers])
    found = [days_quantiles(mixed(one.beliefs, mine), paths) for one, mine in zip(ledgers, weights, strict=True)]
    return float(np.mean([(one.p90 - one.p10) / 2 for one in found]))


def test_an_exact_keeper_and_a_rough_one_are_told_apart():
    """Errors of 0.15 mL and of 0.45 mL: the room's tubes together point to the hand that is nearest."""
    exact, rough = keeper(0.15), keeper(0.45)
    assert int(hand_weights([one.ln_evidence for one in exact]).mean(axis=0).argmax()) == 0
    assert int(hand_weights([one.ln_evidence for one in rough]).mean(axis=0).argmax()) == len(HANDS) - 1
    assert half_widths(exact) < 0.8 * half_widths(rough)


def test_a_level_between_two_marks_may_be_anywhere_between_them():
    """Marks 0.6 mL apart: 0.2 mL off is as probable as none, 0.6 mL hardly; all of it together is certain."""
    water_ml = np.arange(0.0, 60.0, 0.01)
    seen = level_likelihood(30.0, water_ml, Hand(0.2, 0.06, marks_ml=0.6))
    at = dict(zip(np.round(water_ml, 2).tolist(), seen.tolist(), strict=True))
    assert at[30.2] == pytest.approx(at[30.0], rel=0.1)
    assert at[30.6] < 0.1 * at[30.0]
    assert float(seen.sum()) * 0.01 == pytest.approx(1.0, abs=0.02)


def test_one_tube_alone_claims_little_about_its_keeper():
    """Seven levels cannot tell hands apart for sure."""
    weights = hand_weights([keeper(0.28, tubes=1)[0].ln_evidence])[0]
    assert weights.sum() == pytest.approx(1.0)
    assert weights.max() < 0.95


def test_nothing_seen_is_nothing_known():
    """Without evidence all hands are alike; without tubes there is nothing to weigh."""
    assert hand_weights([[0.0] * len(HANDS)]) == pytest.approx(np.full((1, len(HANDS)), 1 / len(HANDS)))
    assert hand_weights([]).shape == (0, len(HANDS))


def test_evidence_of_years_does_not_overflow():
    """Logarithms far below what a float can hold still give weights."""
    far = [-5e4, -5e4 - math.log(2.0), -9e4]
    assert hand_weights([far])[0] == pytest.approx([2 / 3, 1 / 3, 0.0])
