"""What a review says of a reservoir, worked by hand: from the mass balance, the journal, and the journals of siblings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import PowerSeries
from sensord.insight.ledger import Event, Happening
from sensord.insight.water import (
    BY_BALANCE,
    FOUND_EMPTY,
    NOTHING_TELLS,
    POURED_IN_VAIN,
    Water,
    conductances,
    siblings_say,
)

BEGAN_MS, ENDED_MS = 100 * DAY_MS, 110 * DAY_MS


def balance(before: float, then: float) -> Water:
    """Empty with one probability ten days before the air dried, with another twelve hours after."""
    return Water(((BEGAN_MS - 10 * DAY_MS, before), (BEGAN_MS + DAY_MS // 2, then)))


@pytest.mark.parametrize(
    ("before", "then", "empty"),
    [
        (0.0, 0.5, 0.5 / 0.56),
        (0.0, 0.06, 0.5),
        (0.0, 0.0, 0.0),
        (0.5, 0.75, 0.5 / 0.56),
        (0.9, 0.9, 0.0),
        (0.9, 0.8, 0.0),
    ],
)
def test_running_empty_is_held_against_cotton_that_fails(before: float, then: float, empty: float) -> None:
    """By Bayes: what ran out in the ten days before, of those not empty then, against 0.6 % a day that fails with water."""
    found, why = balance(before, then).empty_when_dried(BEGAN_MS, ENDED_MS)
    assert found == pytest.approx(empty)
    assert why == f"by the mass balance the reservoir was then empty with a probability of {found:.2f}"


def test_before_the_balance_begins_the_reservoir_was_not_empty() -> None:
    late = Water(((BEGAN_MS - DAY_MS, 0.5), (BEGAN_MS + DAY_MS // 2, 0.5)))
    assert late.empty_when_dried(BEGAN_MS, ENDED_MS)[0] == pytest.approx(0.5 / 0.56)


@pytest.mark.parametrize(
    ("water", "why"),
    [
        (Water(), NOTHING_TELLS),
        (Water(levels=((BEGAN_MS - 4 * DAY_MS, 0.3),)), FOUND_EMPTY),
        (Water(levels=((BEGAN_MS - 4 * DAY_MS - 1, 0.0),)), NOTHING_TELLS),
        (Water(levels=((BEGAN_MS - 2 * DAY_MS, 0.0),), poured=(BEGAN_MS - DAY_MS,)), NOTHING_TELLS),
        (Water(levels=((BEGAN_MS - 2 * DAY_MS, 0.31),)), NOTHING_TELLS),
        (Water(levels=((ENDED_MS + DAY_MS, 0.0),)), FOUND_EMPTY),
        (Water(levels=((ENDED_MS + DAY_MS + 1, 0.0),)), NOTHING_TELLS),
        (Water(levels=((BEGAN_MS + DAY_MS, 0.5),)), NOTHING_TELLS),
        (Water(poured=(BEGAN_MS + HOUR_MS,)), POURED_IN_VAIN),
        (Water(poured=(ENDED_MS - 2 * DAY_MS,)), NOTHING_TELLS),
    ],
    ids=[
        "no journal", "found empty four days before", "too long before", "poured since", "hardly empty", "a day after",
        "later", "a column too low to tell", "poured in vain", "poured at the end",
    ],
)  # fmt: skip
def test_what_the_journal_says_of_it(water: Water, why: str) -> None:
    """A column is read to 0.3 mL; cotton that water reaches is wet again within two days (common practice)."""
    assert water.empty_when_dried(BEGAN_MS, ENDED_MS)[1] == why


def test_hours_without_water_are_counted_from_when_it_was_first_seen_or_sure() -> None:
    seen = Water(levels=((BEGAN_MS, 0.2), (BEGAN_MS + DAY_MS, 0.0)))
    assert seen.seen_empty_h(BEGAN_MS + 2 * DAY_MS) == 48.0
    again = Water(levels=((BEGAN_MS, 0.2), (BEGAN_MS + DAY_MS, 2.0), (BEGAN_MS + 2 * DAY_MS, 0.0)))
    assert again.seen_empty_h(BEGAN_MS + 3 * DAY_MS) == 24.0
    sure = Water(((BEGAN_MS, 0.9), (BEGAN_MS + DAY_MS, 0.89), (BEGAN_MS + 2 * DAY_MS, 0.95)))
    assert sure.surely_empty_h(BEGAN_MS + 4 * DAY_MS) == 48.0
    assert Water().surely_empty_h(ENDED_MS) == Water().seen_empty_h(ENDED_MS) == 0.0
    assert "mass balance" in BY_BALANCE


POWER = PowerSeries.bridged(0, np.full(60 * 24, 2.0e8))  # mL/day per m³/s


def at(day: float, kind: Happening, ml: float | None = None) -> Event:
    return Event(round(day * DAY_MS), kind, ml)


@pytest.mark.parametrize(
    ("journal", "rates_ml_day"),
    [
        ([at(1, Happening.FILL, 8.0), at(11, Happening.LEVEL, 6.0)], [0.2]),
        ([at(1, Happening.FILL, 8.0), at(11, Happening.FILL, 8.0)], [0.64]),
        ([at(1, Happening.FILL, 8.0), at(2.9, Happening.LEVEL, 7.0)], []),
        ([at(1, Happening.FILL, 8.0), at(3, Happening.LEVEL, 7.0)], [0.5]),
        ([at(1, Happening.FILL, 8.0), at(11, Happening.LEVEL, 7.9)], []),
        ([at(1, Happening.FILL, 8.0), at(11, Happening.LEVEL, 0.0)], []),
        ([at(1, Happening.FILL, 8.0), at(6, Happening.TOP_UP, 3.0), at(16, Happening.LEVEL, 6.0)], [1.28]),
        ([at(1, Happening.FILL, 8.0), at(6, Happening.LEVEL, 6.0), at(16, Happening.LEVEL, 4.0)], [0.4, 0.2]),
        ([at(1, Happening.LEVEL), at(11, Happening.LEVEL, 4.0)], []),
    ],
    ids=[
        "level",
        "filled anew",
        "too soon",
        "two days",
        "too little",
        "found empty",
        "after a top-up",
        "two",
        "no amount",
    ],
)
def test_a_journal_tells_how_fast_water_leaves(journal: list[Event], rates_ml_day: list[float]) -> None:
    """Four fifths are gone where it was filled anew (common practice); found empty it may have been so for long."""
    found = [math.exp(one) * 2.0e8 for one in conductances(journal, POWER)]
    assert found == pytest.approx(rates_ml_day)


def test_siblings_tell_by_their_middle_and_their_spread() -> None:
    """Median and 1.4826 times the median deviation, at least a tenth; tubes of one make differ by 0.3 (common practice)."""
    assert siblings_say([[0.0], [1.0, 1.0], [5.0, 2.0, 2.0]]) == pytest.approx((1.0, math.hypot(1.4826, 0.3)))
    assert siblings_say([[1.0], [1.0], []]) == pytest.approx((1.0, math.hypot(0.1, 0.3)))
    assert siblings_say([[1.0], []]) is None
