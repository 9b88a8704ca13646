"""Moist air against reference libraries and published values. Tolerances: the spread between those libraries themselves.

PsychroLib: ASHRAE Handbook Fundamentals 2017 ch. 1. MetPy: Ambaum 2020. CoolProp: IAPWS-95 and ASHRAE RP-1485.
iapws: IAPWS-IF97 eq. 30. The grid is 5 to 35 C by 30 to 95 %RH.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference import reference

from sensord.air import moist_air as air
from sensord.errors import InputError

TEMPS_C = (5.0, 15.0, 20.0, 25.0, 30.0, 35.0)
GRID = [(t, rh) for t in TEMPS_C for rh in (30.0, 60.0, 80.0, 95.0)]


def dew(temp_c, rh_pct):
    return air.dew_point_c(air.vapour_pa(temp_c, rh_pct))


# -- published values


@pytest.mark.parametrize(
    ("temp_c", "iapws95_pa"),
    [
        (0.01, 611.65),
        (5, 872.58),
        (10, 1228.20),
        (15, 1705.79),
        (20, 2339.32),
        (25, 3169.93),
        (30, 4246.97),
        (35, 5629.02),
        (40, 7384.94),
    ],
)
def test_saturation_over_water_is_within_half_a_percent_of_iapws_95(temp_c, iapws95_pa):
    """IAPWS-95 (Wagner & Pruss 2002), values as CoolProp 8.0.0 gives them."""
    assert air.saturation_pa(float(temp_c)) == pytest.approx(iapws95_pa, rel=0.005)


@pytest.mark.parametrize(
    ("temp_c", "wmo_pa"), [(0.01, 611.64), (5, 871.74), (20, 2332.60), (25, 3160.06), (35, 5612.84)]
)
def test_saturation_over_water_is_the_formula_of_wmo_no_8(temp_c, wmo_pa):
    """WMO-No. 8 (2008) Annex 4.B, 6.112 exp(17.62 t / (243.12 + t)) hPa, evaluated apart from this program to 0.01 Pa."""
    assert air.saturation_pa(float(temp_c)) == pytest.approx(wmo_pa, abs=0.006)


@pytest.mark.parametrize(("temp_c", "iapws_pa"), [(-5.0, 401.741), (-10.0, 259.874), (-20.0, 103.239)])
def test_saturation_over_ice_is_within_a_thousandth_of_iapws(temp_c, iapws_pa):
    """IAPWS R14-08 sublimation pressure."""
    assert air.saturation_ice_pa(temp_c) == pytest.approx(iapws_pa, rel=0.001)


def test_dew_and_frost_point_differ_below_zero_and_the_name_says_which():
    """At 5 C and 30 %RH PsychroLib 2.5.0 gives -9.920 C, which is frost; MetPy 1.7.1 gives -11.162 C, which is dew."""
    pressure_pa = air.vapour_pa(5.0, 30.0)
    assert air.frost_point_c(pressure_pa) == pytest.approx(-9.920, abs=0.03)
    assert air.dew_point_c(pressure_pa) == pytest.approx(-11.162, abs=0.03)


# -- reference libraries over the grid


@pytest.fixture(scope="module")
def psychrolib():
    library = reference("psychrolib")
    library.SetUnitSystem(library.SI)
    return library


@pytest.mark.parametrize(("temp_c", "rh_pct"), GRID)
def test_agrees_with_psychrolib(psychrolib, temp_c, rh_pct):
    """Saturation 0.5 %, dew point 0.1 K (frost point 0.03 K below zero), absolute humidity 1 %, deficit 0.5 %."""
    ours_pa = air.vapour_pa(temp_c, rh_pct)
    theirs_c = psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100)
    ratio = psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100, 101325)
    volume = psychrolib.GetMoistAirVolume(temp_c, ratio, 101325)
    deficit_pa = psychrolib.GetVaporPressureDeficit(temp_c, ratio, 101325)
    assert air.saturation_pa(temp_c) == pytest.approx(psychrolib.GetSatVapPres(temp_c), rel=0.005)
    if theirs_c > 0:
        assert air.dew_point_c(ours_pa) == pytest.approx(theirs_c, abs=0.1)
    else:  # ASHRAE's dew point below the triple point is over ice
        assert air.frost_point_c(ours_pa) == pytest.approx(theirs_c, abs=0.03)
    assert air.absolute_humidity_g_m3(temp_c, ours_pa) == pytest.approx(1000 * ratio / volume, rel=0.01)
    assert air.deficit_pa(temp_c, rh_pct) == pytest.approx(deficit_pa, rel=0.005)
    assert air.mixing_ratio(ours_pa) == pytest.approx(ratio, rel=0.006)


@pytest.mark.slow
def test_agrees_with_metpy():
    """Saturation 0.5 %, dew point over water 0.1 K at every point, also below zero, where MetPy keeps to water."""
    calc = reference("metpy.calc")
    units = reference("metpy.units").units
    temps_c, rhs_pct = (np.array(column) for column in zip(*GRID, strict=True))
    theirs_pa = calc.saturation_vapor_pressure(units.Quantity(temps_c, "degC")).m_as("Pa")
    theirs_c = calc.dewpoint_from_relative_humidity(units.Quantity(temps_c, "degC"), rhs_pct / 100).m_as("degC")
    assert air.saturation_pa(temps_c) == pytest.approx(theirs_pa, rel=0.005)
    assert dew(temps_c, rhs_pct) == pytest.approx(theirs_c, abs=0.1)


@pytest.mark.slow
def test_agrees_with_coolprop():
    """Saturation 0.5 % (pure), 1 % (moist air, enhancement included); dew 0.1 K, frost 0.03 K; absolute humidity 1 %."""
    coolprop = reference("CoolProp.CoolProp")
    for temp_c, rh_pct in GRID:
        kelvin, ours_pa = temp_c + 273.15, air.vapour_pa(temp_c, rh_pct)
        given = ("T", kelvin, "P", 101325, "R", rh_pct / 100)
        theirs_c = coolprop.HAPropsSI("D", *given) - 273.15
        ours_c = air.dew_point_c(ours_pa) if theirs_c > 0 else air.frost_point_c(ours_pa)
        density = 1000 * coolprop.HAPropsSI("W", *given) / coolprop.HAPropsSI("Vda", *given)
        assert air.saturation_pa(temp_c) == pytest.approx(
            coolprop.PropsSI("P", "T", kelvin, "Q", 0, "Water"), rel=0.005
        )
        assert ours_pa == pytest.approx(coolprop.HAPropsSI("P_w", *given), rel=0.01)
        assert ours_c == pytest.approx(theirs_c, abs=0.1 if theirs_c > 0 else 0.03)
        assert air.absolute_humidity_g_m3(temp_c, ours_pa) == pytest.approx(density, rel=0.01)


@pytest.mark.parametrize("temp_c", TEMPS_C)
def test_agrees_with_iapws_if97(temp_c):
    """IAPWS R7-97(2012) eq. 30, 0.5 %."""
    iapws97 = reference("iapws.iapws97")
    assert air.saturation_pa(temp_c) == pytest.approx(iapws97._PSat_T(temp_c + 273.15) * 1e6, rel=0.005)


def test_mixing_agrees_with_psychrolib(psychrolib):
    """Adiabatic mixing conserves PsychroLib's enthalpy and humidity ratio (ASHRAE Handbook Fundamentals 2017 ch. 1)."""
    first, second, share = (18.0, air.vapour_pa(18.0, 40.0)), (30.0, air.vapour_pa(30.0, 80.0)), 0.3
    temp_c, pressure_pa = air.mix(first, second, share)

    def of(temp, vapour):
        ratio = psychrolib.GetHumRatioFromVapPres(vapour, 101325)
        return np.array([psychrolib.GetMoistAirEnthalpy(temp, ratio), ratio])

    assert of(temp_c, pressure_pa) == pytest.approx(share * of(*first) + (1 - share) * of(*second), rel=1e-5)


def test_air_mixed_with_itself_stays_as_it_is():
    assert air.mix((22.0, 1500.0), (22.0, 1500.0), 0.4) == pytest.approx((22.0, 1500.0))


def test_a_share_above_one_is_refused():
    with pytest.raises(InputError, match=r"share 1\.5 .* allowed is 0 to 1"):
        air.mix((20.0, 1000.0), (25.0, 2000.0), 1.5)


# -- uncertainty


def test_uncertainty_is_what_a_monte_carlo_gives():
    """JCGM 101:2008: the spread of the result over many drawn probe errors."""
    rng = np.random.default_rng(7)
    drawn = dew(25.0 + rng.normal(0, 0.2, 200_000), 60.0 + rng.normal(0, 2.0, 200_000))
    assert air.uncertainty(dew, 25.0, 60.0) == pytest.approx(drawn.std(), rel=0.01)


def test_uncertainty_of_a_linear_result_is_exact():
    """e = RH e_s: 2 % of 3160.06 Pa (WMO-No. 8), and nothing from temperature when its deviation is zero."""
    assert air.uncertainty(air.vapour_pa, 25.0, 60.0, 0.0, 2.0) == pytest.approx(63.2012, rel=1e-4)


# -- properties


@given(st.floats(-40, 60), st.floats(0.5, 100))
def test_there_and_back_again(temp_c, rh_pct):
    pressure_pa = air.vapour_pa(temp_c, rh_pct)
    assert air.rh_pct(temp_c, pressure_pa) == pytest.approx(rh_pct)
    assert air.saturation_pa(air.dew_point_c(pressure_pa)) == pytest.approx(pressure_pa)
    assert air.dew_point_c(pressure_pa) <= temp_c + 1e-9


@given(st.floats(-60, -0.1))
def test_over_ice_there_and_back_again(temp_c):
    assert air.frost_point_c(air.saturation_ice_pa(temp_c)) == pytest.approx(temp_c)
    assert air.saturation_ice_pa(temp_c) < air.saturation_pa(temp_c)


def test_the_same_vapour_means_less_humidity_in_a_warmer_nest():
    room_pa = air.vapour_pa(20.0, 60.0)
    assert air.rh_pct(26.0, room_pa) == pytest.approx(41.7, abs=0.2)


def test_arrays_and_floats_give_the_same():
    temps_c, rhs_pct = (np.array(column) for column in zip(*GRID, strict=True))
    for function in (air.vapour_pa, air.deficit_pa, dew):
        assert function(temps_c, rhs_pct).tolist() == pytest.approx([function(*point) for point in GRID], rel=1e-12)


def test_missing_stays_missing_and_dry_air_has_no_dew_point():
    assert math.isnan(air.vapour_pa(math.nan, 50.0))
    assert math.isnan(air.dew_point_c(0.0))
    assert np.isnan(air.dew_point_c(np.array([0.0, np.nan]))).all()


# -- a wrong constant is found


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("_E0_PA", 601.2),
        ("_WATER", (17.27, 243.12)),
        ("_WATER", (17.62, 237.3)),
        ("_ICE", (22.46, 243.12)),
        ("_ICE", (17.62, 272.62)),
    ],
)
def test_a_wrong_constant_fails_the_published_values(name, wrong):
    """The checks above are sharp enough: each of these slips (they mix up published variants) breaks one."""
    import importlib.util

    spec = importlib.util.find_spec("sensord.air.moist_air")
    twin = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(twin)
    vars(twin)[name] = wrong
    water = all(
        abs(twin.saturation_pa(t) / e - 1) < 0.005 for t, e in ((5.0, 872.58), (20.0, 2339.32), (35.0, 5629.02))
    )
    ice = abs(twin.saturation_ice_pa(-20.0) / 103.239 - 1) < 0.001
    assert not (water and ice)
