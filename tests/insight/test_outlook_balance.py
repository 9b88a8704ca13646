"""The mass balance against its closed form and computed tables of the Stefan model."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from sensord.air.evaporation import diffusivity_m2_s
from sensord.air.moist_air import saturation_pa, vapour_pa
from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import PowerSeries, bridge, drying_power
from sensord.insight.belief import COLUMNS, EMPTY, Belief, drained


def open_tube_mg_day(bore_mm: float, path_mm: float, temp_c: float, rh_pct: float) -> float:
    """What the product's mass balance says of an open tube."""
    conductance = float(diffusivity_m2_s(25.0)) * math.pi / 4 * (bore_mm / 1000) ** 2 / (path_mm / 1000)
    power = drying_power(np.array([temp_c]), np.array([vapour_pa(temp_c, rh_pct)]))
    return conductance * float(power[0]) * 0.9982 * 1000


@pytest.mark.parametrize(
    ("bore_mm", "path_mm", "temp_c", "rh_pct", "expected_mg_day"),
    [(14, 75, 25, 50, 53.2), (14, 75, 20, 50, 38.5), (14, 75, 25, 30, 74.3), (18, 75, 25, 50, 88.0),
     (23, 75, 25, 50, 143.6), (14, 10, 25, 50, 399.0)],
)  # fmt: skip
def test_open_tube_loses_what_the_stefan_model_says(bore_mm, path_mm, temp_c, rh_pct, expected_mg_day):
    """Stefan tube (Geankoplis 6.2B) with Massman 1998 diffusivity and WMO-No. 8 saturation, worked out beforehand."""
    assert open_tube_mg_day(bore_mm, path_mm, temp_c, rh_pct) == pytest.approx(expected_mg_day, rel=0.004)


def test_stefan_flux_is_the_textbook_logarithm():
    """D P / (R T z) ln((P - p2) / (P - p1)) written out, independent of the product's correction factor (Geankoplis 6.2B)."""
    pressure, gas, molar, kelvin = 101_325.0, 8.314462618, 0.018015268, 298.15
    face, room, area, path = float(saturation_pa(25.0)), float(vapour_pa(25.0, 50.0)), math.pi / 4 * 0.014**2, 0.075
    diffusivity = 0.2178e-4 * (kelvin / 273.15) ** 1.81
    kg_s = (
        diffusivity * pressure * molar * area / (gas * kelvin * path) * math.log((pressure - room) / (pressure - face))
    )
    assert open_tube_mg_day(14, 75, 25, 50) == pytest.approx(kg_s * 86_400 * 1e6, rel=1e-4)


def test_constant_climate_empties_a_known_tube_on_the_day_of_the_closed_form():
    """11.5 mL at 53.2 mg a day (14 mm, 75 mm, 25 °C, 50 %): volume over rate, 216 days; a day before, not yet."""
    belief = Belief.start(math.log(4e-8), 0.5, 11.5)
    row = len(belief.p) // 2
    p = np.zeros_like(belief.p)
    column = round(11.5 / belief.step_ml)
    p[row, EMPTY + column] = 1.0
    days = column * belief.step_ml / 0.0532
    columns = np.zeros(len(p))
    columns[row] = 0.0532 * 0.5 * days / belief.step_ml
    half = drained(p, columns)
    assert float(half.sum(axis=0) @ belief.water_ml) == pytest.approx(0.5 * column * belief.step_ml)
    columns[row] = 0.0532 * (days - 4) / belief.step_ml
    assert drained(p, columns)[row, : EMPTY + 1].sum() < 0.01
    columns[row] = 0.0532 * days / belief.step_ml + 1e-9
    assert drained(p, columns)[row, : EMPTY + 1].sum() == pytest.approx(1.0)
    assert days == pytest.approx(216, abs=2)


def test_draining_loses_no_probability_and_stops_at_empty():
    """However much is taken, nothing but emptiness is left."""
    p = np.random.default_rng(1).random((7, COLUMNS))
    p /= p.sum()
    gone = drained(p, np.full(7, 10.0 * COLUMNS))
    assert gone.sum() == pytest.approx(1.0)
    assert gone[:, 0].sum() == pytest.approx(1.0)


def test_no_water_comes_back_from_damp_air():
    """A room damper than the face: what condenses is not counted as filling the reservoir."""
    assert drying_power(np.array([15.0]), np.array([2_500.0])) == pytest.approx([0.0])


def test_sum_over_parts_is_the_whole():
    """Any instant may part an interval, in the middle of an hour too, and before or beyond what was measured."""
    hourly = np.random.default_rng(2).random(24 * 20) * 1e6
    series = PowerSeries.bridged(0, hourly)
    marks = [-3 * DAY_MS, 5 * HOUR_MS + 123_456, 7 * DAY_MS, 25 * DAY_MS]
    parts = sum(series.between(a, b) for a, b in itertools.pairwise(marks))
    assert series.between(marks[0], marks[-1]) == pytest.approx(parts)
    assert series.between(0, 20 * DAY_MS) == pytest.approx(hourly.sum() / 24)


def test_gaps_are_bridged_short_ones_straight_long_ones_by_the_week_around():
    """Three missing hours follow the line; a missing fortnight is like the days on either side of it."""
    hourly = np.full(24 * 60, 5.0)
    hourly[100:103] = np.nan
    hourly[99], hourly[103] = 4.0, 8.0
    hourly[600:936] = np.nan
    full = bridge(hourly)
    assert full[100:103] == pytest.approx([5.0, 6.0, 7.0])
    assert full[600:936] == pytest.approx(5.0)


def test_a_series_without_any_measured_hour_is_refused():
    """Nothing is made up from nothing."""
    with pytest.raises(ValueError, match="without a single measured hour"):
        bridge(np.full(5, np.nan))
