"""A measured year: the TMY3 files that pvlib carries (Wilcox & Marion 2008, NREL/TP-581-43156).

A TMY3 year is spliced of months, and the six hours on either side of a splice are smoothed (same report), so those are
left out. Temperature and dew point are printed in tenths, humidity in whole percent.
"""

from __future__ import annotations

import csv
import importlib.util
from pathlib import Path

import numpy as np
import pytest

from sensord.air import moist_air as air


def year(name):
    """Dry bulb, dew point, humidity and month of every hour, and whether it lies away from a splice."""
    spec = importlib.util.find_spec("pvlib")
    if spec is None:
        pytest.skip("pvlib is not installed")
    with (Path(spec.origin).parent / "data" / name).open(encoding="latin-1", newline="") as file:
        rows = list(csv.reader(file))[1:]
    columns = [rows[0].index(title) for title in ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)")]
    temp_c, dew_c, rh_pct = np.array([[float(row[k]) for k in columns] for row in rows[1:]]).T
    months = np.array([int(row[0][:2]) for row in rows[1:]])
    splices = np.flatnonzero(np.diff(months, prepend=months[-1], append=months[0]))
    clear = np.abs(np.arange(len(months))[:, None] - splices).min(axis=1) > 8
    return temp_c, dew_c, rh_pct, clear


def dew(temp_c, rh_pct):
    return air.dew_point_c(air.vapour_pa(temp_c, rh_pct))


def over_ice(temp_c, rh_pct):
    """Both humidity (below 0 C) and dew point taken over ice."""
    pressure_pa = np.where(temp_c < 0, air.saturation_ice_pa(temp_c) * rh_pct / 100, air.vapour_pa(temp_c, rh_pct))
    return air.frost_point_c(pressure_pa)


def rounding_k(temp_c, rh_pct, step_c):
    """How far the dew point may be off when both temperatures are rounded to ``step_c`` and humidity to 1 %."""
    by_rh = air.uncertainty(dew, temp_c, rh_pct, 0.0, 0.5)
    by_temp = air.uncertainty(dew, temp_c, rh_pct, step_c / 2, 0.0)
    return by_rh + by_temp + step_c / 2


def test_sand_point_alaska_agrees_to_its_rounding_over_water_above_zero_and_over_ice_below():
    """Station 703165: that file states humidity and dew point over ice when it freezes; every hour agrees."""
    temp_c, dew_c, rh_pct, clear = year("703165TY.csv")
    warm, cold = clear & (dew_c >= 0), clear & (dew_c < 0)
    allowed_k = rounding_k(temp_c, rh_pct, 0.1)
    assert (warm.sum(), cold.sum()) > (4000, 3000)
    assert (np.abs(dew(temp_c, rh_pct) - dew_c) <= allowed_k)[warm & (temp_c >= 0)].all()
    assert (np.abs(over_ice(temp_c, rh_pct) - dew_c) <= allowed_k)[cold].all()


def test_greensboro_agrees_to_its_rounding_in_each_convention():
    """Station 723170: some months are in whole Fahrenheit, and in frost some months are over water, others over ice."""
    temp_c, dew_c, rh_pct, clear = year("723170TYA.CSV")
    warm, cold = clear & (temp_c >= 0) & (dew_c >= 0), clear & (dew_c < 0)
    off_k = np.abs(dew(temp_c, rh_pct) - dew_c)
    fahrenheit_k = rounding_k(temp_c, rh_pct, 5 / 9)
    assert (warm.sum(), cold.sum()) > (6000, 2000)
    assert (off_k <= fahrenheit_k)[warm].all()
    assert (off_k <= rounding_k(temp_c, rh_pct, 0.1))[warm].mean() > 0.99
    nearest_k = np.minimum(off_k, np.abs(over_ice(temp_c, rh_pct) - dew_c))
    assert (nearest_k <= fahrenheit_k)[cold].all()
