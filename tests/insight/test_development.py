"""Degree-days against published output."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.errors import InputError
from sensord.insight import development as dev


def test_trenchr_examples():
    """TrenchR `degree_days` documentation: low 7, high 14, thresholds 12 and 33: sine 0.47, triangle 0.29."""
    assert round(dev.single_sine(7, 14, 12, 33), 2) == 0.47
    assert round(dev.single_triangle(7, 14, 12, 33), 2) == 0.29
    assert dev.single_sine(7, 14, 12) == pytest.approx(0.468059, abs=1e-6)


@pytest.mark.parametrize(
    ("low", "high", "threshold", "upper", "expected"),
    [
        (8, 22, 10, None, 5.3256),
        (15, 35, 10, 30, 13.91),
        (12, 28, 10, None, 10.0),
        (5, 9, 10, None, 0.0),
        (20, 40, 12, 35, 16.91),
    ],
)
def test_single_sine_worked(low, high, threshold, upper, expected):
    """Computed apart from the formula of Allen 1976, Environ. Entomol. 5:388, with horizontal cut-off."""
    assert dev.single_sine(low, high, threshold, upper) == pytest.approx(expected, abs=0.005)


def test_triangle_worked():
    """By hand: from 15 to 35 between 10 and 30 the mean above 10 is 15, less the tip above 30, 5 x 5 / (2 x 20) = 0.625."""
    assert dev.single_triangle(15, 35, 10, 30) == pytest.approx(14.375)


def test_averages_worked():
    """UC IPM definitions: simple (8, 22; 10) is 5; modified 6, and (15, 35; 10, 30) 12.5."""
    assert dev.simple_average(8, 22, 10) == 5.0
    assert dev.modified_average(8, 22, 10) == 6.0
    assert dev.modified_average(15, 35, 10, 30) == 12.5


@given(st.floats(-10, 40), st.floats(0, 25), st.floats(5, 25))
def test_all_methods_agree_on_days_all_above_and_all_below(low, span, threshold):
    high = low + span
    sine = dev.single_sine(low, high, threshold)
    assert sine >= dev.simple_average(low, high, threshold) - 1e-9
    if low >= threshold or high <= threshold:
        assert sine == pytest.approx(dev.simple_average(low, high, threshold))
        assert dev.single_triangle(low, high, threshold) == pytest.approx(sine)


@given(st.floats(0, 40), st.floats(0.1, 25), st.floats(5, 20), st.floats(21, 40))
def test_an_upper_threshold_never_adds(low, span, threshold, upper):
    assert dev.single_sine(low, low + span, threshold, upper) <= dev.single_sine(low, low + span, threshold) + 1e-9


def test_progress_is_silent_where_nothing_is_published_and_says_where_it_is_from():
    """445.4 degree-days above 15.9 C for Linepithema humile: Hartley & Lester 2003, from memory, and marked as that."""
    assert dev.published("Lasius niger") == ()
    (need,) = dev.published("Linepithema humile")
    assert "from memory" in need.source
    assert dev.progress([(26.0, 26.0)] * 10, need) == pytest.approx(10 * 10.1 / 445.4)
    assert dev.progress([(26.0, 26.0)] * 100, need) == 1.0


def test_a_day_upside_down_is_refused():
    with pytest.raises(InputError, match="low must not be above"):
        dev.single_sine(20, 10, 12)
    with pytest.raises(InputError, match="above the lower one"):
        dev.single_sine(10, 20, 12, 12)
