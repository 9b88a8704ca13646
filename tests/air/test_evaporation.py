"""Diffusion and Stefan evaporation against published correlations and textbook examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.air import evaporation as ev
from sensord.air.moist_air import saturation_pa
from sensord.errors import InputError
from sensord.model import Plug


@pytest.mark.parametrize(
    ("function", "at_0_20_40"),
    [
        (ev.diffusivity_m2_s, (2.178, 2.475, 2.789)),
        (ev.diffusivity_marrero_mason_1972_m2_s, (2.090, 2.419, 2.774)),
        (ev.diffusivity_hall_pruppacher_1976_m2_s, (2.110, 2.420, 2.751)),
        (ev.diffusivity_bolz_tuve_1976_m2_s, (2.181, 2.459, 2.749)),
    ],
)
def test_each_correlation_gives_its_published_values(function, at_0_20_40):
    """Massman 1998; Marrero & Mason 1972 as Massman has it; Hall & Pruppacher 1976 (from memory); Bolz & Tuve 1976."""
    assert [function(t) * 1e5 for t in (0.0, 20.0, 40.0)] == pytest.approx(at_0_20_40, abs=0.0011)


def test_correlations_agree_within_the_spread_that_is_stated():
    """At 20 C these three lie within 3 % of each other, as DIFFUSIVITY_LN_SD says; each falls as 1 / pressure."""
    values = [
        f(20.0)
        for f in (ev.diffusivity_m2_s, ev.diffusivity_marrero_mason_1972_m2_s, ev.diffusivity_bolz_tuve_1976_m2_s)
    ]
    assert math.log(max(values) / min(values)) < ev.DIFFUSIVITY_LN_SD
    assert ev.diffusivity_m2_s(20.0, 50_662.5) == pytest.approx(2 * ev.diffusivity_m2_s(20.0))


def test_geankoplis_example_6_2_2():
    """Water in a narrow tube, 293 K, 0.1524 m, D 0.250e-4: N = 1.595e-7 kmol/(s m2). Geankoplis, ex. 6.2-2; 0.5 %."""
    flux = ev.stefan_flux_kg_m2_s(0.1524, 293 - 273.15, 2341.0, 0.0, 1.01325e5, 0.250e-4)
    assert flux / (1000 * ev.MOLAR_MASS_WATER) == pytest.approx(1.595e-7, rel=0.005)


def test_cengel_stefan_tube():
    """3 cm tube, 293 K, 83.5 kPa, 40 cm, 1.23 g in 15 days: D = 3.06e-5 m2/s. Cengel ch. 14 (from memory, and consistent)."""
    measured = 1.23e-3 / (15 * 86400) / (math.pi / 4 * 0.03**2)
    per_unit = ev.stefan_flux_kg_m2_s(0.40, 293 - 273.15, 2340.0, 0.0, 83_500.0, 1.0)
    assert measured / per_unit == pytest.approx(3.06e-5, rel=0.005)


def test_som_example_12_3_as_arithmetic():
    """35 mm tube, 293 K, 80 kPa, 0.5 m, 1.2 g in 12 days, 3.17 kPa as printed: D = 2.52e-5. Som, ex. 12.3.

    3.17 kPa is the pressure at 25 C, not 20: this checks the arithmetic, not the physics.
    """
    measured = 1.2e-3 / (12 * 86400) / (math.pi / 4 * 0.035**2)
    per_unit = ev.stefan_flux_kg_m2_s(0.5, 293 - 273.15, 3170.0, 0.0, 80_000.0, 1.0)
    assert measured / per_unit == pytest.approx(2.5155e-5, rel=0.003)


def test_pseudo_steady_law_of_the_toluene_tube():
    """20 mm to 77.5 mm in 275 h at 303 K with D 8.0459e-6 (textbook companion, mass transfer, ex. 2.21), as arithmetic.

    Toluene, so the molar mass is put in here; the law z2 = z02 + 2 N z t / rho is what is checked.
    """
    pressure, vapour = 1.013e5, 57 / 760 * 1.0135e5
    flux_times_length = 8.0459e-6 * pressure / (8.314 * 303) * math.log(pressure / (pressure - vapour)) * 92e-3
    assert ev.receded_length_m(0.020, flux_times_length, 275 * 3600, 820.0) == pytest.approx(0.0775, rel=0.001)


@pytest.mark.parametrize(("temp_c", "ratio"), [(20.0, 1.0117), (25.0, 1.0159), (30.0, 1.0215), (35.0, 1.0288)])
def test_stefan_is_faster_than_fick_by_the_logarithm(temp_c, ratio):
    """P / p_BM at a dry far end, from p_BM = (p_B2 - p_B1) / ln(p_B2 / p_B1), Geankoplis 6.2B."""
    assert ev.stefan_correction(saturation_pa(temp_c), 0.0) == pytest.approx(ratio, abs=0.0002)


def test_an_open_tube_loses_what_the_model_equations_give():
    """14 mm bore, 75 mm path, 25 C, room at 50 %RH: 53.2 mg a day with Stefan's law, computed apart (Massman D)."""
    area = math.pi / 4 * 0.014**2
    conductance = ev.diffusivity_m2_s(25.0) * area / 0.075
    per_day = ev.evaporation_kg_s(conductance, 25.0, 1.0, 0.5 * saturation_pa(25.0)) * 86400
    assert per_day * 1e6 == pytest.approx(53.2, rel=0.005)
    direct = ev.stefan_flux_kg_m2_s(0.075, 25.0, saturation_pa(25.0), 0.5 * saturation_pa(25.0)) * area * 86400
    assert per_day == pytest.approx(direct, rel=1e-4)


@given(st.floats(100, 5000), st.floats(100, 5000))
def test_vapour_flows_down_its_gradient_and_the_other_way_when_turned(face_pa, far_pa):
    there = ev.stefan_flux_kg_m2_s(0.1, 25.0, face_pa, far_pa)
    back = ev.stefan_flux_kg_m2_s(0.1, 25.0, far_pa, face_pa)
    assert there == pytest.approx(-back, rel=1e-6, abs=1e-16)
    assert (there > 0) == (face_pa > far_pa) or face_pa == far_pa


def test_no_difference_no_flux_and_no_division_by_zero():
    assert ev.stefan_flux_kg_m2_s(0.1, 25.0, 1500.0, 1500.0) == 0.0
    assert ev.stefan_correction(1500.0, 1500.0) == pytest.approx(101_325 / (101_325 - 1500))


def test_arrays_and_floats_give_the_same():
    temps_c, rooms_pa = np.array([5.0, 20.0, 35.0]), np.array([300.0, 1200.0, 5000.0])
    expected = [ev.evaporation_kg_s(5e-8, t, 0.9, e) for t, e in zip(temps_c.tolist(), rooms_pa.tolist(), strict=True)]
    assert ev.evaporation_kg_s(5e-8, temps_c, 0.9, rooms_pa).tolist() == pytest.approx(expected, rel=1e-12)


def test_boiling_and_zero_lengths_are_refused():
    with pytest.raises(InputError, match="below the total pressure"):
        ev.stefan_correction(110_000.0, 0.0)
    with pytest.raises(InputError, match="length 0 m: allowed is above 0"):
        ev.stefan_flux_kg_m2_s(0, 20.0, 2000.0, 0.0)
    with pytest.raises(InputError, match=r"bore 0\.014 mm: allowed is 2 to 200 mm"):
        ev.tube_conductance_m3_s(0.014, 60.0, Plug.COTTON)


def test_tighter_plugs_conduct_less_and_what_is_unknown_spreads_more():
    by_plug = [ev.tube_conductance_m3_s(14.0, 60.0, plug) for plug in (Plug.OPEN, Plug.COTTON, Plug.LID)]
    assert by_plug[0].median > by_plug[1].median > by_plug[2].median
    assert (
        ev.tube_conductance_m3_s(None, None, None).ln_sd > 2 * ev.tube_conductance_m3_s(14.0, 60.0, Plug.COTTON).ln_sd
    )
    assert by_plug[1].quantile(1.0) == pytest.approx(by_plug[1].median * math.exp(by_plug[1].ln_sd))


@given(st.floats(1, 50), st.floats(60, 200))
def test_wetness_and_path_belong_together(distance_mm, path_mm):
    assert ev.path_mm_from_wetness(distance_mm, ev.wetness_at(distance_mm, path_mm)) == pytest.approx(path_mm)


def test_a_saturated_probe_tells_no_path():
    assert ev.path_mm_from_wetness(10.0, 1.0) == math.inf


@pytest.mark.parametrize(("bore_mm", "chamber_mm"), [(2, 0), (200, 1000)])
def test_the_ends_of_what_is_allowed_are_allowed_and_what_lies_beyond_is_named(bore_mm, chamber_mm):
    assert ev.tube_conductance_m3_s(bore_mm, chamber_mm, Plug.OPEN).median > 0
    past_bore, past_chamber = (1.99, -0.1) if bore_mm == 2 else (200.1, 1000.1)
    with pytest.raises(InputError, match="allowed is 2 to 200 mm"):
        ev.tube_conductance_m3_s(past_bore, chamber_mm, Plug.OPEN)
    with pytest.raises(InputError, match="allowed is 0 to 1000 mm"):
        ev.tube_conductance_m3_s(bore_mm, past_chamber, Plug.OPEN)


def test_a_tube_that_nobody_measured_is_a_usual_one_and_less_sure():
    """A 16 x 150 mm test tube about half full, 14 mm inside, some 65 mm of air (common practice)."""
    unknown, usual = (ev.tube_conductance_m3_s(*sizes, Plug.COTTON) for sizes in ((None, None), (14.0, 65.0)))
    assert unknown.median == pytest.approx(usual.median)
    assert ev.tube_path_mm(65.0, None).ln_sd > 1.5 * ev.tube_path_mm(65.0, Plug.COTTON).ln_sd


def test_the_spread_of_a_tube_is_its_parts_added_in_squares():
    """JCGM 100:2008, 5.1.2, worked by hand for 14 mm, 65 mm, open mouth: twice the bore's, since the area goes with its square.

    Path 65 mm known to 5 % and 4 mm known to 50 %: hypot(3.25, 2) / 69 = 0.0553. With the bore's 2 x 0.02, the
    diffusivity's 0.03 and 0.1 for what no geometry tells: 0.1247.
    """
    assert ev.tube_path_mm(65.0, Plug.OPEN).ln_sd == pytest.approx(0.0553, abs=1e-4)
    assert ev.tube_conductance_m3_s(14.0, 65.0, Plug.OPEN).ln_sd == pytest.approx(0.1247, abs=1e-4)
    by_bore = ev.tube_conductance_m3_s(None, 65.0, Plug.OPEN).ln_sd ** 2 - 0.1247**2 + 0.04**2
    assert by_bore**0.5 == pytest.approx(2 * 0.15, abs=1e-3)
