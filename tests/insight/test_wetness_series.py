"""The arrays say what the single hour says, which is checked against published examples elsewhere."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sensord.air.moist_air import vapour_pa
from sensord.insight.wetness import wetness, wetness_sd
from sensord.insight.wetness_series import wetness_series


def test_each_element_is_the_wetness_of_its_hour() -> None:
    temp_c = np.array([22.0, 25.0, 28.5, 24.0])
    rh_pct = np.array([55.0, 80.0, 97.0, 40.0])
    room_pa = vapour_pa(np.array([20.0, 21.0, 22.0, 24.0]), np.array([50.0, 40.0, 30.0, 45.0]))
    w, sd = wetness_series(temp_c, rh_pct, room_pa)
    for number in range(4):
        hour = (float(temp_c[number]), float(rh_pct[number]), float(room_pa[number]))
        assert wetness(*hour) == pytest.approx(w[number])
        assert wetness_sd(*hour) == pytest.approx(sd[number])


def test_what_says_nothing_is_left_out() -> None:
    """A saturated room, condensed water on the probe, a missing value, and a room almost as wet as the nest."""
    temp_c = np.array([20.0, 24.0, math.nan, 20.0])
    rh_pct = np.array([90.0, 99.8, 50.0, 96.0])
    room_pa = np.array([2_400.0, 1_000.0, 1_000.0, float(vapour_pa(20.0, 95.0))])
    w, sd = wetness_series(temp_c, rh_pct, room_pa)
    assert np.isnan(w).all()
    assert np.isnan(sd).all()
