"""How far a probe stands from its siblings: the room's weather falls out, outliers do not spread, too few say nothing."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from scipy.stats import median_abs_deviation

from sensord.insight.drift import APART_C, APART_SPREADS, LEAST_HOURS, LEAST_SIBLINGS, drifts
from sensord.insight.nest_air import AirHours

HOURS = 72
psychrolib.SetUnitSystem(psychrolib.SI)


def vapour(temp_c, rh_pct):
    """ASHRAE Handbook of Fundamentals (2017), chapter 1, as psychrolib computes it: Pa."""
    return psychrolib.GetVapPresFromRelHum(temp_c, rh_pct / 100)


def air(temp_c, rh_pct):
    temps, humidities = np.broadcast_arrays(np.asarray(temp_c, float), np.asarray(rh_pct, float))
    return AirHours(0, temps.copy(), np.array([vapour(t, h) for t, h in zip(temps, humidities, strict=True)]))


@pytest.fixture
def weather():
    """A room whose air swings by 6 °C and 20 %RH over three days."""
    hour = np.arange(HOURS)
    return 22 + 3 * np.sin(hour / 4), 60 + 10 * np.cos(hour / 7)


def test_an_offset_is_found_whatever_the_weather_does(weather) -> None:
    temp, rh = weather
    group = {f"p{n}": air(temp, rh) for n in range(5)} | {"off": air(temp + 1.5, rh)}
    found = drifts(group)
    assert pytest.approx(1.5, abs=1e-9) == found["off"].temp_c
    assert (5, HOURS, True) == (found["off"].siblings, found["off"].hours, found["off"].apart)
    assert {(0.0, False)} == {(round(found[f"p{n}"].temp_c, 9), found[f"p{n}"].apart) for n in range(5)}


def test_warmer_air_of_the_same_vapour_pressure_is_no_drift_of_humidity() -> None:
    cool_rh = 60.0
    pressure = vapour(22.0, cool_rh)
    warm_rh = 100 * psychrolib.GetRelHumFromVapPres(25.0, pressure)
    assert warm_rh < 51  # by percentages they would be ten apart
    group = {f"p{n}": air([22.0] * HOURS, [cool_rh] * HOURS) for n in range(4)} | {
        "warm": air([25.0] * HOURS, [warm_rh] * HOURS)
    }
    assert pytest.approx(0.0, abs=0.05) == drifts(group)["warm"].rh_pct
    drier = dict(group, warm=air([25.0] * HOURS, [warm_rh - 10] * HOURS))
    assert pytest.approx(-10.0, abs=0.05) == drifts(drier)["warm"].rh_pct


def test_an_hour_at_an_open_door_and_one_broken_sibling_change_nothing(weather) -> None:
    temp, rh = weather
    group = {f"p{n}": air(temp + 0.1 * n, rh) for n in range(5)}
    before = drifts(group)["p2"].temp_c
    group["p2"].temp_c[10:13] -= 8
    group["p4"] = air(temp + 40, rh)
    assert pytest.approx(before, abs=0.11) == drifts(group)["p2"].temp_c


def test_too_few_siblings_or_hours_say_nothing(weather) -> None:
    temp, rh = weather
    few = drifts({f"p{n}": air(temp, rh) for n in range(LEAST_SIBLINGS)})
    assert {(LEAST_SIBLINGS - 1, None, None, False)} == {
        (one.siblings, one.temp_c, one.rh_pct, one.apart) for one in few.values()
    }
    short = {f"p{n}": air(temp, rh) for n in range(6)}
    short["p0"].temp_c[LEAST_HOURS - 1 :] = np.nan
    short["p0"].vapour_pa[LEAST_HOURS - 1 :] = np.nan
    found = drifts(short)
    assert (None, LEAST_HOURS - 1) == (found["p0"].temp_c, found["p0"].hours)
    assert found["p1"].temp_c is not None
    assert {} == drifts({})


def test_nests_that_differ_among_themselves_are_not_all_called_apart() -> None:
    """The bound is three robust standard deviations, here of scipy's own median absolute deviation."""
    offsets = np.random.default_rng(5).normal(0, 1.2, 40)
    temp = np.full(HOURS, 24.0)
    found = drifts({f"p{n}": air(temp + one, 60.0) for n, one in enumerate(offsets)})
    diffs = np.array([found[f"p{n}"].temp_c for n in range(40)])
    bound = max(APART_C, APART_SPREADS * median_abs_deviation(diffs, scale="normal"))
    by_temp = {n for n in range(40) if abs(diffs[n]) > bound}
    assert bound > 2.5
    assert by_temp <= {n for n in range(40) if found[f"p{n}"].apart}
    assert sum(found[f"p{n}"].apart for n in range(40)) <= 3
