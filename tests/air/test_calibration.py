"""Calibration: salts after Greenspan 1977, side by side, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.air import calibration as cal
from sensord.clock import MINUTE_MS
from sensord.errors import InputError


def window(rh, temp=lambda minute: 22.0, minutes=40, probe="shelf/a", start_ms=0):
    """A reading a minute."""
    return cal.Window(probe, [(start_ms + m * MINUTE_MS, temp(m), rh(m)) for m in range(minutes)])


@pytest.mark.parametrize(
    ("salt", "at_15_20_25", "polynomial"),
    [
        ("mgcl2", (33.3, 33.1, 32.8), lambda t: 33.6686 - 0.00797397 * t - 1.08988e-3 * t**2),
        ("nacl", (75.6, 75.5, 75.3), lambda t: 75.5164 + 0.0398321 * t - 2.65459e-3 * t**2 + 2.848e-5 * t**3),
        ("kcl", (85.9, 85.1, 84.3), lambda t: 88.6190 - 0.193340 * t + 8.99706e-4 * t**2),
        ("licl", (11.3, 11.3, 11.3), lambda t: 11.2323 + 0.00824245 * t - 2.1489e-4 * t**2),
    ],
)
def test_salt_points_are_greenspans(salt, at_15_20_25, polynomial):
    """Greenspan 1977, J. Res. NBS 81A:89-96: table to 0.1 % and his polynomials.

    Two public copies carry the LiCl term 0.00824245 t with a minus, which gives 10.89 % at 25 C instead of 11.30 %.
    """
    assert [round(cal.salt_rh_pct(salt, t)[0], 1) for t in (15.0, 20.0, 25.0)] == pytest.approx(at_15_20_25, abs=0.051)
    for temp_c in (15.0, 18.0, 22.5, 27.0, 30.0):
        assert cal.salt_rh_pct(salt, temp_c)[0] == pytest.approx(polynomial(temp_c), abs=0.05)


@pytest.mark.parametrize(
    ("salt", "a", "b"),
    [
        ("licl", 14.53, -75),
        ("mgcl2", 29.26, 34),
        ("nabr", 20.49, 308),
        ("nacl", 69.20, 25),
        ("kcl", 49.38, 159),
        ("k2so4", 86.75, 34),
    ],
)
def test_salt_points_agree_with_the_crc_handbook(salt, a, b):
    """CRC Handbook of Chemistry and Physics: RH = A exp(B / T), given as good to 2 %."""
    for temp_c in (20.0, 25.0, 30.0):
        assert cal.salt_rh_pct(salt, temp_c)[0] == pytest.approx(a * math.exp(b / (273.15 + temp_c)), rel=0.02)


def test_two_salts_undo_a_gain_and_an_offset():
    points = [
        cal.salt_point(salt, window(lambda m, true=true: (true - 3.0) / 1.05 + 0.02 * (m % 2)))
        for salt, true in (("mgcl2", cal.salt_rh_pct("mgcl2", 22.0)[0]), ("nacl", cal.salt_rh_pct("nacl", 22.0)[0]))
    ]
    made = cal.from_salts("shelf/a", points)
    assert made.rh_gain == pytest.approx(1.05, abs=0.001)
    assert made.correct(22.0, (60.0 - 3.0) / 1.05)[1] == pytest.approx(60.0, abs=0.05)
    assert 0.3 < made.rh_sd_pct < 1.0


def test_one_salt_gives_an_offset_and_stays_less_certain():
    made = cal.from_salts("shelf/a", [cal.salt_point("nacl", window(lambda m: 73.4))])
    assert made.correct(22.0, 73.4)[1] == pytest.approx(cal.salt_rh_pct("nacl", 22.0)[0])
    assert made.rh_gain == 1.0
    assert made.rh_sd_pct > 1.0


def test_a_salt_point_is_as_sure_as_salt_noise_and_hysteresis_together():
    """JCGM 100:2008, 4.2.3 and 5.1.2: a mean of n is sure to s / sqrt(n), independent parts add in squares.

    Twenty settled readings, half a percent up and down by turns: s = 0.513. Each salt is known far better than a probe (2 %).
    """
    noisy = cal.salt_point("nacl", window(lambda m: 75.0 + (0.5 if m % 2 else -0.5)))
    parts = (cal.salt_rh_pct("nacl", 22.0)[1], 0.513 / 20**0.5, 0.4)
    assert noisy.sd_pct == pytest.approx(math.hypot(*parts), abs=1e-3)
    assert all(0.1 <= sd <= 0.7 for column in cal.SALTS.values() for _, sd in column)
    unknown = cal.Calibration("shelf/a", 0, "salt")
    assert (unknown.temp_sd_c, unknown.rh_sd_pct) == (0.2, 2.0), "as the data sheet has it, where nothing was measured"


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (window(lambda m: 70 + 0.1 * m), "not settled"),
        (window(lambda m: 75.0, temp=lambda m: 20 + 0.05 * m), "temperature drifting"),
        (window(lambda m: 75.0, minutes=8), "8 readings over 7 minutes; needed are 10 over 20 minutes"),
        (window(lambda m: 100.0), "sensor is wet or broken"),
        (window(lambda m: 0.0), "sensor is wet or broken"),
        (window(lambda m: 45.0), r"reads 45\.0 % where 75\.4 % is due"),
        (window(lambda m: 75.0, temp=lambda m: 8.0), r"at 8\.0 °C; allowed is 15 to 30 °C"),
        (cal.Window("shelf/a", []), "0 readings over 0 minutes"),
    ],
)
def test_nonsense_over_a_salt_is_refused_with_its_reason(readings, says):
    with pytest.raises(InputError, match=says):
        cal.salt_point("nacl", readings)


def test_every_reason_is_given_at_once():
    with pytest.raises(InputError) as caught:
        cal.salt_point("nacl", window(lambda m: 70 + 0.1 * m, temp=lambda m: 20 + 0.05 * m))
    assert len(caught.value.problems) == 2


def test_salts_too_close_or_swapped_or_unknown_are_refused():
    near = [cal.SaltPoint("nacl", 0, 22.0, 75.0, 75.4, 0.4), cal.SaltPoint("kcl", 0, 22.0, 84.0, 84.8, 0.4)]
    swapped = [cal.SaltPoint("mgcl2", 0, 22.0, 75.0, 33.0, 0.4), cal.SaltPoint("nacl", 0, 22.0, 33.0, 75.4, 0.4)]
    with pytest.raises(InputError, match="less than 20 %RH apart"):
        cal.from_salts("a", near)
    with pytest.raises(InputError, match="are the salts swapped"):
        cal.from_salts("a", swapped)
    with pytest.raises(InputError, match="0 salt points"):
        cal.from_salts("a", [])
    with pytest.raises(InputError, match="salt 'sugar': allowed is licl"):
        cal.salt_rh_pct("sugar", 22.0)


def test_side_by_side_takes_over_the_other_probe_calibrated_and_its_uncertainty():
    trusted = cal.Calibration("shelf/b", 0, "salt", rh_offset_pct=1.0, rh_sd_pct=0.5)
    made = cal.from_together(
        window(lambda m: 50 + m % 3), window(lambda m: 52 + m % 3, temp=lambda m: 22.3, probe="shelf/b"), trusted
    )
    assert made.correct(22.0, 50.0) == pytest.approx((22.3, 53.0))
    assert made.rh_sd_pct >= math.hypot(0.5, cal.HYSTERESIS_SD_PCT)


@pytest.mark.parametrize(
    ("against", "says"),
    [
        (window(lambda m: 50.0, probe="shelf/b", minutes=5), "6 readings within a minute"),
        (window(lambda m: 50.0, probe="shelf/b", start_ms=10**9), "0 readings within a minute"),
        (window(lambda m: 50 + 0.1 * m, probe="shelf/b"), "difference drifts"),
        (window(lambda m: 70.0, probe="shelf/b"), "not in the same air"),
        (window(lambda m: 50.0, probe="shelf/b", temp=lambda m: 26.0), "not in the same air"),
        (window(lambda m: 99.8, probe="shelf/b"), "0 readings within a minute"),
    ],
)
def test_nonsense_side_by_side_is_refused_with_its_reason(against, says):
    with pytest.raises(InputError, match=says):
        cal.from_together(window(lambda m: 50.0), against)


def test_a_calibration_holds_until_the_next_and_the_first_mends_the_past():
    first, second = (
        cal.Calibration("a", 100, "salt", rh_offset_pct=1.0),
        cal.Calibration("a", 200, "salt", rh_offset_pct=2.0),
    )
    assert [cal.holding([first, second], t) for t in (0, 100, 199, 200, 999)] == [first, first, first, second, second]
    assert cal.holding([], 5) is None
    assert cal.pieces([first, second], 0, 300) == [(0, 200, first), (200, 300, second)]
    assert cal.pieces([first, second], 250, 300) == [(250, 300, second)]
    assert cal.pieces([], 0, 300) == [(0, 300, None)]


@given(st.floats(-3, 3), st.floats(0.8, 1.2), st.floats(-5, 5), st.lists(st.floats(0, 100), min_size=1, max_size=5))
def test_arrays_and_floats_are_corrected_alike_and_stay_on_the_scale(temp_offset, gain, offset, rhs):
    made = cal.Calibration("a", 0, "salt", temp_offset_c=temp_offset, rh_gain=gain, rh_offset_pct=offset)
    array = made.correct(np.full(len(rhs), 20.0), np.array(rhs))
    assert array[1].tolist() == pytest.approx([made.correct(20.0, rh)[1] for rh in rhs])
    assert array[1].min() >= 0.0
    assert array[1].max() <= 100.0
    assert math.isnan(made.correct(20.0, math.nan)[1])
