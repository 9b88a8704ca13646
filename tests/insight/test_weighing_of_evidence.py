"""How evidence is weighed, number by number: harm of a dose, its age, siblings, coverage, and what is decided from it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sensord.clock import HOUR_MS
from sensord.insight.exposures import AIR_FACTORS, Factor, Limits, PlaceAir
from sensord.insight.harm import HARM_DOSE, Measure, quantile, strains_of, timed_harm
from sensord.insight.harm import measure as measured
from sensord.insight.review import Sibling, Siblings
from sensord.insight.verdict import Coverage, both_ways, coverage_of, decide, support_of, weigh
from sensord.insight.water import FOUND_EMPTY, FOUND_WATER, NOTHING_TELLS, Water
from sensord.model import Place


def strain(dose: float, days_before_end: int, days: int = 40) -> np.ndarray:
    """A whole dose within one hour, so many days before the end."""
    hours = np.zeros(days * 24)
    hours[-1 - days_before_end * 24] = dose
    return hours


@pytest.mark.parametrize("factor", AIR_FACTORS)
def test_a_whole_dose_does_harm_with_probability_one_less_one_in_e(factor: Factor) -> None:
    """As ``Dose`` defines it; twice the dose 1 - 1/e², none no harm."""
    amount = HARM_DOSE[factor].amount
    assert timed_harm(strain(amount, 1), factor)[0] == pytest.approx(1 - 1 / math.e)
    assert timed_harm(strain(2 * amount, 1), factor)[0] == pytest.approx(1 - 1 / math.e**2)
    assert timed_harm(np.zeros(240), factor) == (0.0, math.inf)


@pytest.mark.parametrize(
    ("days_before", "share"), [(0, 1.0), (7, 1.0), (11, 1.0), (14, 0.5 ** (3 / 2.5)), (21, 0.5**4)]
)
def test_what_ended_long_ago_counts_little(days_before: int, share: float) -> None:
    """In full for a week, then half for every two and a half days: counted from the end of the five days that hold it.

    A dose in the first hour of a block of five days counts as of that block's end, four days later.
    """
    harm, ended_days = timed_harm(strain(HARM_DOSE[Factor.DRY].amount, days_before), Factor.DRY)
    assert ended_days == days_before
    weight = 1.0 if days_before <= 11 else 0.5 ** ((days_before - 4 - 7) / 2.5)
    assert weight == pytest.approx(share)
    assert harm == pytest.approx((1 - 1 / math.e) * weight, rel=1e-6)


def test_doses_further_apart_than_five_days_do_not_add_up() -> None:
    """Half a dose twice: within five days a whole one, five days or a week apart the half that counts most."""
    half = 0.5 * HARM_DOSE[Factor.COLD].amount
    together, apart = strain(half, 1) + strain(half, 4), strain(half, 1) + strain(half, 8)
    assert timed_harm(together, Factor.COLD)[0] == pytest.approx(1 - 1 / math.e)
    just_apart = strain(half, 0) + strain(half, 5)
    assert timed_harm(just_apart, Factor.COLD)[0] == pytest.approx(1 - 1 / math.sqrt(math.e))
    assert timed_harm(apart, Factor.COLD)[0] == pytest.approx(1 - 1 / math.sqrt(math.e))


def measure(harm: float, alike: int, compared: int) -> Measure:
    return Measure(Factor.HOT, Place.WET_END, harm, alike, compared, None, None, None, None, 0.0)


@pytest.mark.parametrize(
    ("alike", "compared", "share"),
    [(0, 10, 1.0), (1, 10, 1.0), (2, 10, 2 / 3), (3, 10, 1 / 3), (4, 10, 0.0), (10, 10, 0.0), (0, 0, 0.65)],
)
def test_support_falls_with_every_sibling_that_lived_through_as_much(alike: int, compared: int, share: float) -> None:
    """In full up to one in ten, none from four in ten on; without siblings never sure."""
    assert support_of(measure(0.8, alike, compared)) == pytest.approx(0.8 * share)


def place(temp_c: list[float], rh_pct: list[float]) -> PlaceAir:
    temp, humid = np.array(temp_c, float), np.array(rh_pct, float)
    edge = np.zeros(len(temp))
    return PlaceAir(Place.WET_END, 0, temp, humid, temp, temp, Limits(edge, edge, edge, edge))


def test_coverage_counts_hours_with_both_quantities_at_one_place() -> None:
    """Ten days: one end measured in full for the first nine, without humidity on the last; the other end that day half."""
    nan = math.nan
    one = place([24.0] * 240, [80.0] * 216 + [nan] * 24)
    other = place([nan] * 216 + [24.0] * 12 + [nan] * 12, [nan] * 216 + [80.0] * 24)
    found = coverage_of([one, other], room=0.3)
    assert (found.hours, found.window, found.room) == (228, pytest.approx(228 / 240), 0.3)
    assert (found.recent, found.temp_recent, found.rh_recent) == (pytest.approx(156 / 168), 1.0, 1.0)
    assert coverage_of([one], 216) == Coverage(0.0, 0.0, 0, 1.0, 0.0)
    assert coverage_of([one], 240) == coverage_of([]) == Coverage(0.0, 0.0, 0)


def test_a_quantile_of_siblings_is_of_those_measured_in_that_hour() -> None:
    series = [np.array([1.0, np.nan, np.nan]), np.array([3.0, 5.0, np.nan]), np.array([2.0, 7.0, np.nan])]
    assert quantile(series, 0.0)[:2].tolist() == [1.0, 5.0]
    assert quantile(series, 0.5)[0] == 2.0
    assert quantile(series, 1.0)[:2].tolist() == [3.0, 7.0]
    assert math.isnan(quantile(series, 0.5)[2])


def kept(temp_c: float, rh_pct: float, last_h: int = 0) -> PlaceAir:
    """Thirty days at 24 °C and 85 % under limits of 10 to 34 °C and 55 to 100 %, otherwise in the last hours."""
    temp, humid = np.full(720, 24.0), np.full(720, 85.0)
    temp[720 - last_h :], humid[720 - last_h :] = temp_c, rh_pct
    limits = Limits(*(np.full(720, edge) for edge in (10.0, 34.0, 55.0, 100.0)))
    return PlaceAir(Place.WET_END, 0, temp, humid, temp, temp, limits)


@pytest.mark.parametrize(
    ("factor", "odd", "apart"),
    [
        (Factor.HOT, (40.0, 85.0), 16.0),
        (Factor.COLD, (4.0, 85.0), -20.0),
        (Factor.DRY, (24.0, 40.0), -45.0),
        (Factor.WET, (24.0, 100.0), None),
    ],
)
def test_how_far_from_its_siblings_is_told_of_the_hours_that_count(factor, odd, apart) -> None:
    """By the middle of those hours, in °C or %RH; of wetness nothing, which is judged by its own rise."""
    usual = [kept(24.0, 85.0) for _ in range(3)]
    found = measured(kept(*odd, 24), usual, factor)
    assert found.median_apart == (None if apart is None else pytest.approx(apart))
    assert (found.alike, found.compared, found.percentile, found.effect) == (0, 3, 100.0, 1.0)
    assert (found.ended_days_before, found.began_hour) == (0.0, 696)
    assert found.p == pytest.approx(1 / 4)


def test_without_siblings_nothing_is_told_of_them() -> None:
    found = measured(kept(40.0, 85.0, 24), [], Factor.HOT)
    assert (found.median_apart, found.percentile, found.effect, found.p, found.compared) == (None, None, None, None, 0)


def test_siblings_that_had_as_much_are_counted() -> None:
    """Six tenths of the dose is as much: of two among eight cool ones, 15 of 24 hours are, 14 are not."""
    others = [kept(37.0, 85.0, hours) for hours in (14, 15)]
    found = measured(kept(37.0, 85.0, 24), [*others, *(kept(24.0, 85.0) for _ in range(8))], Factor.HOT)
    assert (found.alike, found.compared) == (1, 10)


@pytest.mark.parametrize(
    ("factor", "siblings", "alike", "worse"),
    [
        (Factor.HOT, (39.0, 85.0), (40.4, 85.0), (42.0, 85.0)),
        (Factor.COLD, (5.0, 85.0), (3.6, 85.0), (2.0, 85.0)),
        (Factor.DRY, (24.0, 45.0), (24.0, 38.5), (24.0, 30.0)),
    ],
)
def test_as_much_as_living_siblings_felt_is_no_harm_and_more_is(factor, siblings, alike, worse) -> None:
    """To within what two probes differ by and a little: 1.5 °C, 7 %RH."""
    peers = [kept(*siblings, 48) for _ in range(4)]
    assert measured(kept(*alike, 48), peers, factor).harm == 0.0
    assert measured(kept(*worse, 48), peers, factor).harm > 0.1


@pytest.mark.parametrize(
    ("support", "changes", "cause", "sure"),
    [
        ({Factor.HOT: 0.5}, {}, "heat", 0.5),
        ({Factor.HOT: 0.49}, {}, "not_climate", 0.51),
        ({Factor.DRY: 0.7, Factor.COLD: 0.6}, {}, "dry", 0.7),
        ({}, {}, "not_climate", 1.0),
        ({}, {"window": 0.4}, "not_climate", 0.5),
        ({}, {"window": 0.25}, "not_climate", 0.3125),
        ({}, {"window": 0.24}, "cannot_tell", 0.76),
        ({}, {"recent": 0.39}, "cannot_tell", 0.61),
        ({}, {"last": 0.49}, "cannot_tell", 0.51),
        ({}, {"hours": 47}, "cannot_tell", 0.0),
        ({}, {"hours": 48}, "not_climate", 1.0),
        ({Factor.DRY: 0.9}, {"rh_recent": 0.2, "temp_recent": 0.0}, "dry", 0.9),
        ({Factor.DRY: 0.9}, {"rh_recent": 0.19, "recent": 0.1}, "cannot_tell", 0.9),
        ({Factor.COLD: 0.9}, {"temp_recent": 0.2, "rh_recent": 0.0}, "cold", 0.9),
        ({Factor.COLD: 0.9}, {"temp_recent": 0.19, "recent": 0.1}, "cannot_tell", 0.9),
        ({Factor.RESERVOIR_EMPTY: 0.6}, {"temp_recent": 0.0, "rh_recent": 0.0, "recent": 0.0}, "reservoir_empty", 0.6),
    ],
)
def test_what_is_decided(support, changes, cause: str, sure: float) -> None:
    """A cause from one half on, where its own quantity was measured in a fifth of the last week; else by what was recorded."""
    coverage = replace(Coverage(1.0, 1.0, 720, 1.0, 1.0, last=1.0), **changes)
    assert decide(dict.fromkeys(Factor, 0.0) | support, coverage) == (cause, pytest.approx(sure))


def test_turns_are_counted_over_the_last_sixteen_days() -> None:
    """Up by 6 °C, down by 12, up by 12 and back: four turns; what is older than sixteen days, 384 hours, is none."""
    course = [24.0] * 340 + [30.0] * 12 + [18.0] * 12 + [30.0] * 12
    assert both_ways(place(course + [24.0] * 344, [80.0] * 720), [])[0] == 4
    assert both_ways(place(course + [24.0] * 384, [80.0] * 760), [])[0] == 0
    assert both_ways(place(course + [24.0] * 383, [80.0] * 759), [])[0] == 1, "the way back alone"
    quiet = place([24.0, 28.0] * 360, [80.0] * 720)
    assert both_ways(quiet, []) == (0, False), "four degrees to and fro are no swing"


def sibling(name: str, *places: Place, died: bool = False) -> Sibling:
    return Sibling(name, tuple(replace(kept(24.0, 85.0), place=one) for one in places), died)


def compared(siblings: list[Sibling], where: Place) -> list[tuple[str, Place]]:
    of = {id(air): one.nest for one in siblings for air in one.places}
    return [(of[id(air)], air.place) for air in Siblings(tuple(siblings), "").felt_near(where)]


def test_temperature_is_compared_with_the_same_place_and_where_few_were_measured_with_the_next() -> None:
    """Three at the same place are enough; of fewer, the other end of a nest stands in, and never its outworld."""
    wet, dry, out = Place.WET_END, Place.DRY_END, Place.OUTWORLD
    three = [sibling(name, wet) for name in "abc"]
    assert compared([*three, sibling("d", dry)], wet) == [("a", wet), ("b", wet), ("c", wet)]
    assert compared([*three[:2], sibling("d", out, dry), sibling("e", out)], wet) == [
        ("a", wet),
        ("b", wet),
        ("d", dry),
    ]
    assert compared([sibling("a", out), sibling("b", wet), sibling("c", dry)], out) == [("a", out)]


def test_a_sibling_without_a_probe_felt_its_room_and_one_that_died_is_no_comparison() -> None:
    wet, room = Place.WET_END, Place.ROOM
    siblings = [*(sibling(name, wet) for name in "abc"), sibling("d", room), sibling("e", wet, died=True)]
    assert compared(siblings, wet) == [("a", wet), ("b", wet), ("c", wet), ("d", room)]
    assert [one.probed for one in siblings] == [True, True, True, False, True]
    assert Siblings(tuple(siblings), "").died == 1


@pytest.mark.parametrize(
    ("usual_pct", "late_pct", "hourly"),
    [
        (80.0, 99.0, 1.0),
        (93.25, 97.0, (97.0 - 93.25 - 2.0) / 3.5),
        (80.0, 95.0, 1.0),
        (80.0, 93.4, 0.0),
        (98.0, 99.0, 0.0),
    ],
)
def test_a_nest_is_wet_where_it_is_saturated_and_wetter_than_it_usually_is(usual_pct, late_pct, hourly) -> None:
    """In full from 5.5 points above its usual; a probe that reads low says 93.5 % at least in saturated air."""
    late = replace(kept(24.0, usual_pct, 720), rh_pct=np.array([usual_pct] * 600 + [late_pct] * 120))
    (found,) = strains_of([late], [], Factor.WET)
    assert found[:600].max() == 0.0
    assert found[600:].tolist() == pytest.approx([hourly] * 120)


def test_what_became_wetter_with_its_siblings_is_not_flooded() -> None:
    wet = replace(kept(24.0, 80.0, 720), rh_pct=np.array([80.0] * 600 + [99.0] * 120))
    assert max(strains_of([wet, wet, wet, wet], [wet, wet, wet], Factor.WET)[0]) == 0.0
    dry = kept(24.0, 80.0, 720)
    assert min(strains_of([wet, dry, dry, dry], [dry, dry, dry], Factor.WET)[0][600:]) == 1.0


def test_a_colder_hour_is_judged_by_its_vapour_at_the_usual_temperature() -> None:
    """98 % at 14 °C is the vapour of 52 % at 24 °C (1,565 of 2,985 Pa): not wet. Up to two degrees colder it is."""
    humid = np.array([80.0] * 600 + [98.0] * 120)
    for temp_c, strained in ((14.0, 0.0), (21.5, 0.0), (22.5, 1.0), (23.0, 1.0)):
        temp = np.array([24.0] * 600 + [temp_c] * 120)
        (found,) = strains_of([replace(kept(24.0, 80.0), temp_c=temp, rh_pct=humid)], [], Factor.WET)
        assert found[600:].tolist() == [strained] * 120


NOBODY = {factor: {} for factor in AIR_FACTORS}
UNTIL_MS = 720 * HOUR_MS
BLIND = Coverage(0.0, 0.0, 0)


@pytest.mark.parametrize(
    ("water", "support"),
    [
        (Water(), 0.0),
        (Water(levels=((UNTIL_MS - 120 * HOUR_MS, 0.0),)), 0.8 * (1 - math.exp(-(120 + 48 - 96) / 72))),
        (Water(levels=((UNTIL_MS - 120 * HOUR_MS, 0.0),), poured=(UNTIL_MS - HOUR_MS,)), 0.0),
        (Water(((UNTIL_MS - 240 * HOUR_MS, 0.95),)), 0.8 * 0.8 * (1 - math.exp(-(240 - 96) / 72))),
        (Water(((UNTIL_MS - 240 * HOUR_MS, 0.89),)), 0.0),
        (Water(levels=((UNTIL_MS - 40 * HOUR_MS, 0.0),)), 0.0),
    ],
    ids=["no journal", "found empty", "poured since", "by balance", "hardly by balance", "cotton still wet"],
)
def test_an_empty_reservoir_under_air_that_nobody_measured(water: Water, support: float) -> None:
    """Cotton lasts four days; who finds it empty finds it two days late (common practice)."""
    found = weigh([], NOBODY, water, BLIND, UNTIL_MS)
    assert found.support[Factor.RESERVOIR_EMPTY] == pytest.approx(support)


def test_dry_air_is_the_reservoirs_doing_where_it_was_found_empty_and_the_cottons_over_water() -> None:
    """Without a journal it stays dry air; found empty meanwhile it is sure to 97 %; water read, to 3 %."""
    dried, began_ms = kept(24.0, 20.0, 200), UNTIL_MS - 200 * HOUR_MS
    measured_well = Coverage(1.0, 1.0, 720, 1.0, 1.0, last=1.0)

    def support(water: Water) -> tuple[float, float, str]:
        found = weigh([dried], NOBODY, water, measured_well, UNTIL_MS)
        return found.support[Factor.DRY], found.support[Factor.RESERVOIR_EMPTY], found.water

    dry, none, why = support(Water())
    assert dry > 0.6
    assert (none, why) == (0.0, NOTHING_TELLS)
    empty, water = (Water(levels=((began_ms + 24 * HOUR_MS, ml),)) for ml in (0.0, 3.0))
    assert support(empty) == (pytest.approx(0.7 * dry), pytest.approx(dry), FOUND_EMPTY)
    assert support(water) == (pytest.approx(dry), pytest.approx(0.9 * dry * 0.03), FOUND_WATER)
    before = Water(levels=((began_ms - 30 * 24 * HOUR_MS, 3.0),))
    assert support(before)[1] == 0.0, "a level of a month before says nothing"
