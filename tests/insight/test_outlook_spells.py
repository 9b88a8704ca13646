"""How drying power goes on: the middle and the width of what the next weeks may bring, on a measured year and on odd days."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from statsmodels.tsa.statespace.structural import UnobservedComponents

from sensord.air.moist_air import saturation_pa
from sensord.insight.balance import drying_power
from sensord.insight.lookahead import power_paths
from sensord.insight.spells import _KEPT, _WANDER_SD, Spells

USUAL = 1e6
AHEAD_DAYS = 14


def measured_room(heated_c: float = 23.0) -> np.ndarray:
    """Daily drying power of a heated room whose vapour follows the air outside within half a day.

    Outside: NREL TMY3, station 703165 (the file in the pvlib wheel), a year of hours. The room is invented.
    """
    file = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    outside = pd.read_csv(file, skiprows=1)
    dew_pa = saturation_pa(outside["Dew-point (C)"].to_numpy(float)) + 150.0
    vapour_pa = np.empty_like(dew_pa)
    inside = dew_pa[0]
    for hour, pressure in enumerate(dew_pa):
        inside += (pressure - inside) / 12.0
        vapour_pa[hour] = inside
    temp_c = np.maximum(heated_c, 0.3 * outside["Dry-bulb (C)"].to_numpy(float) + 0.7 * heated_c)
    return drying_power(temp_c, np.minimum(vapour_pa, 0.9 * saturation_pa(temp_c))).reshape(-1, 24).mean(axis=1)


def ahead(days: np.ndarray, days_ahead: int = AHEAD_DAYS) -> np.ndarray:
    """10, 50 and 90 % of the mean daily power of the next days."""
    return np.quantile(power_paths(days)[:, days_ahead], (0.1, 0.5, 0.9)) / days_ahead


def noisy(level: float, count: int, seed: int = 3) -> np.ndarray:
    noise = 0.06 * np.random.default_rng(seed).standard_normal(count)
    return level * USUAL * (1.0 + noise - noise.mean())


@pytest.mark.slow
def test_a_measured_year_lies_within_what_was_said_a_fortnight_before():
    """The next fortnight's mean: nearer than the last three weeks' mean is, and 80 % inside of 10 to 90 %, in three rooms."""
    inside, error, plain = [], [], []
    for heated_c in (19.0, 23.0, 26.0):
        room = measured_room(heated_c)
        for day in range(40, len(room) - AHEAD_DAYS, 4):
            low, middle, high = ahead(room[:day])
            truth = room[day : day + AHEAD_DAYS].mean()
            inside.append(low <= truth <= high)
            error.append(abs(np.log(middle / truth)))
            plain.append(abs(np.log(room[day - 21 : day].mean() / truth)))
    print(f"inside {np.mean(inside):.3f}, error {np.median(error):.4f}, of three weeks' mean {np.median(plain):.4f}")
    assert 0.75 <= np.mean(inside) <= 0.87
    assert np.median(error) < np.median(plain)


def test_level_and_spell_are_those_of_a_reference_library():
    """statsmodels' local level with an autoregressive component, filtered over the same 90 days, pair by pair."""
    random = np.random.default_rng(5)
    spell, level, days = 0.0, 1.0, []
    for _ in range(90):
        spell, level = 0.8 * spell + 0.08 * random.standard_normal(), level * np.exp(0.02 * random.standard_normal())
        days.append(USUAL * (level + spell))
    ours = Spells.told_by(np.array(days))
    for pair, (kept, wander_sd) in enumerate(zip(_KEPT, _WANDER_SD, strict=True)):
        model = UnobservedComponents(np.array(days) / np.mean(days), "rwalk", autoregressive=1)
        model.ssm.initialize_approximate_diffuse(1e3)  # ours knows a little beforehand: 0.3 of the usual
        theirs = model.filter([wander_sd**2, ours.surprise_sd[pair] ** 2, kept])
        level, spell = theirs.filtered_state[:, -1]
        level_sd = float(np.sqrt(theirs.filtered_state_cov[0, 0, -1]))
        assert ours.level[pair] == pytest.approx(level, abs=0.3 * level_sd)
        assert ours.spell[pair] == pytest.approx(spell, abs=0.3 * level_sd)
        assert np.sqrt(ours.var_level[pair]) == pytest.approx(level_sd, rel=0.06)


def test_weather_passes_and_the_usual_comes_back():
    """After three damp days the next fortnight is nearer to the usual than to the damp days."""
    low, middle, high = ahead(np.concatenate((noisy(1.0, 60), noisy(0.7, 3))))
    assert 0.85 * USUAL < middle < USUAL
    assert low < middle < high


@pytest.mark.parametrize("days", [1, 3, 10])
def test_heating_switched_on_stays(days):
    """60 % more from one day to the next is no weather."""
    assert ahead(np.concatenate((noisy(1.0, 60), noisy(1.6, days))))[1] == pytest.approx(1.6 * USUAL, rel=0.1)


def test_one_day_of_airing_is_forgotten():
    """A single wild day is followed by days as before."""
    assert ahead(np.concatenate((noisy(1.0, 60), [0.2 * USUAL], noisy(1.0, 3, seed=4))))[1] == pytest.approx(
        USUAL, rel=0.07
    )


@pytest.mark.parametrize("days", [1, 2, 5])
def test_few_days_claim_little(days):
    """With hardly anything seen, the interval is wider than after months, and the middle what was seen."""
    few, many = ahead(noisy(1.0, days)), ahead(noisy(1.0, 90))
    assert few[1] == pytest.approx(USUAL, rel=0.15)
    assert few[2] - few[0] > many[2] - many[0]


@pytest.mark.parametrize("days", [np.zeros(5), np.full(40, USUAL), np.array([0.0, USUAL, 0.0])])
def test_odd_days_give_futures_that_only_rise(days):
    """Saturated air, no weather at all, one day in three: running sums stay finite and never fall."""
    paths = power_paths(days)
    assert np.isfinite(paths).all()
    assert (np.diff(paths, axis=1) >= 0).all()
