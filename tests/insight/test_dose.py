"""Doses against worked values and their invariants. The lines here are test fixtures, not any ant's."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.clock import HOUR_MS, MINUTE_MS
from sensord.errors import InputError
from sensord.insight import dose

LINE = dose.DeathLine(50.0, 4.0, "worked example", harmless_below_c=30.0)


def minutes(*steps):
    """A series of (length in minutes, value) held constant."""
    at, series = 0, []
    for length, value in steps:
        series += [(at, value), (at + round(length * MINUTE_MS) - 1, value)]
        at += round(length * MINUTE_MS)
    return [*series, (at, series[-1][1])]


@pytest.mark.parametrize(("temp_c", "survived_min"), [(40.0, 316.23), (42.0, 100.0), (44.0, 31.623), (46.0, 10.0)])
def test_time_to_failure_lies_on_the_line(temp_c, survived_min):
    """log10 t = (CTmax - T) / z, Rezende, Castaneda & Santos 2014; CTmax(1 min) 50, z 4."""
    assert LINE.minutes_to_failure(temp_c) == pytest.approx(survived_min, rel=1e-5)


def test_additive_injury_of_two_temperatures():
    """30 min at 42 and 20 min at 44 make 93.246 %, 2.14 min more reach 100 % (Jorgensen et al. 2021, method)."""
    assert dose.heat_injury_pct(minutes((30, 42.0), (20, 44.0)), LINE) == pytest.approx(93.246, abs=0.001)
    assert dose.heat_injury_pct(minutes((30, 42.0), (22.14, 44.0)), LINE) == pytest.approx(100.0, abs=0.02)


def test_each_interval_counts_at_its_warmer_end():
    """As the published script does: max(T_i, T_i+1)."""
    one_hour = [(0, 40.0), (HOUR_MS, 44.0)]
    assert dose.heat_injury_pct(one_hour, LINE) == pytest.approx(100 * 60 / 31.623, rel=1e-4)


@pytest.mark.parametrize(("rate", "failure_c"), [(0.05, 41.1035), (0.10, 41.8561), (0.25, 42.8509)])
def test_ramp_fails_where_the_published_formula_says(rate, failure_c):
    """sCTmax 40 C at 60 min, z 2.5, from 19 C: Jorgensen et al. 2021, Sci. Rep. 11:12840."""
    line = dose.DeathLine(40.0 + 2.5 * math.log10(60), 2.5, "Jorgensen et al. 2021, example", harmless_below_c=19.0)
    assert dose.ramp_failure_c(19.0, rate, line) == pytest.approx(failure_c, abs=1e-4)
    steps = [(round(k * MINUTE_MS / 10), 19.0 + rate * k / 10) for k in range(int((failure_c - 19.0) / rate * 10))]
    assert dose.heat_injury_pct(steps, line) == pytest.approx(100.0, rel=0.03)


def test_a_ramp_from_below_the_harmless_limit_fails_where_one_from_there_does():
    """What does no harm on the way up changes nothing."""
    assert dose.ramp_failure_c(10.0, 0.5, LINE) == dose.ramp_failure_c(30.0, 0.5, LINE)


def test_a_steep_ramp_from_close_below_the_end_fails_where_the_integral_says():
    """Ten degrees a minute from 49 °C, summed apart in steps of 0.6 ms: the start itself counts, not only the slope."""
    injury, temp_c, step_min = 0.0, 49.0, 1e-5
    while injury < 1.0:
        injury += step_min / LINE.minutes_to_failure(temp_c + 5.0 * step_min)
        temp_c += 10.0 * step_min
    assert dose.ramp_failure_c(49.0, 10.0, LINE) == pytest.approx(temp_c, abs=1e-3)


@given(st.lists(st.tuples(st.integers(1, 200), st.floats(31, 49)), min_size=1, max_size=6), st.randoms())
def test_order_does_not_matter_and_splitting_changes_nothing(steps, random):
    """Additivity: the same exposures in another order, or cut in two, do the same harm."""
    expected = sum(100 * length / LINE.minutes_to_failure(temp) for length, temp in steps)
    shuffled = [(length / 2, temp) for length, temp in steps for _ in range(2)]
    random.shuffle(shuffled)
    # neighbours meet for one millisecond at the warmer of the two
    assert dose.heat_injury_pct(minutes(*shuffled), LINE) == pytest.approx(expected, rel=1e-3, abs=0.05)


@given(st.floats(30, 46))
def test_z_degrees_cooler_is_ten_times_longer(temp_c):
    assert LINE.minutes_to_failure(temp_c - LINE.z_c) == pytest.approx(10 * LINE.minutes_to_failure(temp_c))


def test_below_the_harmless_limit_and_in_gaps_nothing_adds_up():
    assert dose.heat_injury_pct(minutes((1000, 29.9)), LINE) == 0.0
    assert dose.heat_injury_pct([(0, 45.0), (3 * HOUR_MS, 45.0)], LINE) == 0.0
    assert dose.covered_h([(0, 45.0), (3 * HOUR_MS, 45.0)]) == 0.0


def test_missing_values_are_left_out_not_counted_as_zero():
    assert dose.cold_h([(0, 5.0), (HOUR_MS // 2, math.nan), (HOUR_MS, 5.0)], 10.0) == pytest.approx(1.0)


def test_hours_of_each_kind():
    day = [(k * HOUR_MS, value) for k, value in enumerate([4.0, 4.0, 8.0, 8.0, 15.0, 15.0])]
    assert dose.cold_h(day, 5.0) == 1.0
    assert dose.winter_rest_h(day, 3.0, 9.0) == 3.0
    assert dose.desiccation_kpa_h([(0, 1500.0), (2 * HOUR_MS, 1500.0)], 500.0) == pytest.approx(2.0)
    assert dose.reservoir_empty_h([(0, 1.0), (10 * HOUR_MS, 0.0), (20 * HOUR_MS, 0.0)]) == 10.0


def test_two_days_between_two_looks_at_a_reservoir_are_no_gap_and_more_is():
    """Reservoirs are looked at seldom: what was empty at both looks was empty in between, up to 48 hours."""
    assert dose.reservoir_empty_h([(0, 0.0), (48 * HOUR_MS, 0.0)]) == 48.0
    assert dose.reservoir_empty_h([(0, 0.0), (48 * HOUR_MS + 1, 0.0)]) == 0.0
    assert dose.cold_h([(0, 1.0), (2 * HOUR_MS, 1.0)], 5.0) == 2.0
    assert dose.cold_h([(0, 1.0), (2 * HOUR_MS + 1, 1.0)], 5.0) == 0.0


def test_at_a_limit_is_within_it():
    """A rest at its very edges counts, cold at its very limit does not; a band of one temperature is a band."""
    steady = [(0, 5.0), (HOUR_MS, 5.0), (2 * HOUR_MS, 5.0)]
    assert dose.cold_h(steady, 5.0) == 0.0
    assert dose.winter_rest_h(steady, 5.0, 5.0) == 2.0
    assert dose.desiccation_kpa_h([(0, 400.0), (HOUR_MS, 400.0)], 500.0) == 0.0
    assert dose.covered_h([(0, 5.0), (0, 5.0)]) == 0.0


def test_a_steep_line_is_allowed():
    """z below one degree is no nonsense: half a degree cooler is ten times longer."""
    steep = dose.DeathLine(45.0, 0.5, "worked example", 30.0)
    assert steep.minutes_to_failure(44.0) == pytest.approx(100.0)


def test_a_line_without_a_source_is_refused():
    with pytest.raises(InputError, match="without a source"):
        dose.DeathLine(45.0, 3.0, " ", 30.0)
    with pytest.raises(InputError, match="z_c = 0"):
        dose.DeathLine(45.0, 0.0, "somewhere", 30.0)
    with pytest.raises(InputError, match="must not be above"):
        dose.winter_rest_h([], 9.0, 3.0)
    with pytest.raises(InputError, match="allowed is above 0"):
        dose.ramp_failure_c(20.0, 0.0, LINE)
