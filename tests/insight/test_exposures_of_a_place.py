"""Exposures of one place, worked by hand: what counts as beyond a limit, for how long, and how bad."""

from __future__ import annotations

import numpy as np
import pytest

from sensord.air.moist_air import saturation_pa, vapour_pa
from sensord.clock import HOUR_MS
from sensord.insight.exposures import Factor, Limits, PlaceAir, beyond, exposures_of, runs, swing_c, with_cotton_limit
from sensord.model import Place

START_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
NO_PERCENTILE: dict[Factor, float | None] = {}


def place(temp_c, rh_pct, place=Place.WET_END, rh_low=50.0, rh_high=95.0) -> PlaceAir:
    """Hours of air under limits of 15 to 30 °C; what is given once holds all along."""
    hours = max(np.size(temp_c), np.size(rh_pct))
    temp, humid = (np.broadcast_to(np.asarray(one, float), hours).copy() for one in (temp_c, rh_pct))
    low, high = np.full(hours, 15.0), np.full(hours, 30.0)
    limits = Limits(low, high, np.full(hours, rh_low), np.full(hours, rh_high))
    return PlaceAir(place, START_MS, temp, humid, temp, temp, limits)


@pytest.mark.parametrize(
    ("factor", "temp_c", "rh_pct", "amount"),
    [
        (Factor.DRY, 24.0, 42.0, 8.0),
        (Factor.DRY, 24.0, 50.0, 0.0),
        (Factor.HOT, 33.5, 70.0, 3.5),
        (Factor.HOT, 30.0, 70.0, 0.0),
        (Factor.COLD, 11.0, 70.0, 4.0),
        (Factor.COLD, 15.0, 70.0, 0.0),
        (Factor.WET, 24.0, 95.0, 1.0),
        (Factor.WET, 24.0, 94.9, 0.0),
    ],
)
def test_so_far_beyond_a_limit(factor, temp_c, rh_pct, amount) -> None:
    """At a limit is not beyond it, but for wet: a probe cannot read more than saturated."""
    assert beyond(place([temp_c] * 12, rh_pct), factor).tolist() == pytest.approx([amount] * 12)


def test_what_was_not_measured_is_neither_beyond_nor_within() -> None:
    blank = place([np.nan] * 12, np.nan)
    assert all(np.isnan(beyond(blank, factor)).all() for factor in (Factor.DRY, Factor.WET, Factor.HOT, Factor.COLD))


def test_within_what_two_good_probes_differ_by_says_nothing_where_slack_is_given() -> None:
    """±0.5 °C and ±3 %RH between two probes (SHT31 data sheet: ±0.2 °C, ±2 %RH each)."""
    assert beyond(place([30.5], 47.0), Factor.HOT, slack=1.0).tolist() == [0.0]
    assert beyond(place([30.5], 47.0), Factor.DRY, slack=1.0).tolist() == [0.0]
    assert beyond(place([14.5], 46.0), Factor.COLD, slack=1.0).tolist() == [0.0]
    assert beyond(place([31.0], 46.0), Factor.HOT, slack=1.0).tolist() == [0.5]
    assert beyond(place([31.0], 46.0), Factor.DRY, slack=1.0).tolist() == [1.0]


def test_no_limit_of_humidity_lies_above_what_a_good_probe_reads_in_saturated_air() -> None:
    """A limit of 100 % could never be passed; 97 % read is saturated (data sheet: up to 3 % low near saturation)."""
    assert beyond(place([24.0], 97.0, rh_high=100.0), Factor.WET).tolist() == [1.0]
    assert beyond(place([24.0], 96.9, rh_high=100.0), Factor.WET).tolist() == [0.0]


def test_a_swing_is_more_than_seven_degrees_within_twelve_hours() -> None:
    """Up by 9 °C in hour 12 and held: seen for eleven hours, by 2 °C beyond; slower than twelve hours it is none."""
    assert np.nanmax(beyond(place([24.0] * 36, 70.0), Factor.SWING)) == 0.0
    step = beyond(place([20.0] * 12 + [29.0] * 24, 70.0), Factor.SWING)
    assert np.nansum(step > 0) == 11
    assert np.nanmax(step) == pytest.approx(2.0)
    assert np.nanmax(beyond(place(20.0 + 9.0 * np.arange(36) / 36, 70.0), Factor.SWING)) == 0.0


def test_a_swing_takes_half_of_twelve_hours_measured() -> None:
    known = np.full(24, np.nan)
    known[:6] = 20.0
    found = np.isfinite(swing_c(place(known, 70.0)))
    assert np.flatnonzero(found).tolist() == [5, 6, 7, 8, 9, 10, 11]


def test_each_stretch_is_told_with_its_hours_and_its_worst() -> None:
    """Two dry spells three hours apart are one of five measured hours, one twenty hours later is another."""
    humid = np.full(48, 70.0)
    humid[[4, 5, 9, 10, 11]] = (48.0, 45.0, 44.0, 40.0, 49.0)
    humid[31] = 49.0
    first, second = exposures_of(place(24.0, humid), NO_PERCENTILE)
    assert (first.factor, first.hours, first.worst, first.limit) == (Factor.DRY, 5.0, 40.0, 50.0)
    assert (first.from_ms, first.until_ms) == (START_MS + 4 * HOUR_MS, START_MS + 12 * HOUR_MS)
    assert (second.hours, second.from_ms) == (1.0, START_MS + 31 * HOUR_MS)
    assert first.sibling_percentile is None


@pytest.mark.parametrize(("apart_h", "stretches"), [(6, 1), (7, 2)])
def test_spells_up_to_six_hours_apart_are_one(apart_h: int, stretches: int) -> None:
    humid = np.full(48, 70.0)
    humid[[4, 5 + apart_h]] = 40.0
    assert len(exposures_of(place(24.0, humid), NO_PERCENTILE)) == stretches


def test_the_dose_of_a_dry_spell_is_its_deficit_over_the_hours() -> None:
    """Eleven hours between twelve readings at 24 °C and 40 %: 0.6 of 2,985 Pa (IAPWS-95), to 0.4 %, is 19.7 kPa h."""
    humid = np.full(24, 70.0)
    humid[6:18] = 40.0
    (only,) = exposures_of(place(24.0, humid), NO_PERCENTILE)
    assert only.dose == pytest.approx(11 * 0.6 * 2.985, rel=0.004)
    assert exposures_of(place([33.0] * 24, 70.0), NO_PERCENTILE)[0].dose is None, "no dose of heat is known for an ant"


@pytest.mark.parametrize(
    ("hours", "bridged", "expected"),
    [
        ("", 0, []), ("...", 0, []), ("xx.", 0, [(0, 2)]), (".xx", 0, [(1, 3)]), ("x..x", 1, [(0, 1), (3, 4)]),
        ("x..x", 2, [(0, 4)]), ("x.x..x", 1, [(0, 3), (5, 6)]),
    ],
)  # fmt: skip
def test_stretches(hours, bridged, expected) -> None:
    assert runs(np.array([each == "x" for each in hours], bool), bridged) == expected


ROOM_PA = vapour_pa(22.0, 45.0)


def wet_then(late_rh_pct: float, hours: int = 240, **more) -> PlaceAir:
    """At 24 °C over wet cotton at first, for eight of ten days."""
    humid = np.full(hours, 80.0)
    humid[int(0.8 * hours) :] = late_rh_pct
    return place(24.0, humid, **more)


def test_the_limit_follows_the_cotton_half_way_between_room_and_its_own_wet_baseline() -> None:
    """Room 45 % at 22 °C, nest 80 % at 24 °C: half way in vapour pressure, as a percentage at the nest's temperature."""
    limit = with_cotton_limit(wet_then(60.0), np.full(240, ROOM_PA)).limits.rh_low_pct
    half_way = 100.0 * (ROOM_PA + vapour_pa(24.0, 80.0)) / 2 / saturation_pa(24.0)
    assert limit.tolist() == pytest.approx([half_way] * 240)
    assert half_way == pytest.approx(59.9, abs=0.1)
    above = with_cotton_limit(wet_then(60.0, rh_low=65.0), np.full(240, ROOM_PA)).limits.rh_low_pct
    assert above.tolist() == [65.0] * 240, "never below the band's own"


def test_without_a_room_probe_a_usual_room_of_45_percent_stands_in() -> None:
    limit = with_cotton_limit(wet_then(60.0), None).limits.rh_low_pct
    assert limit.tolist() == pytest.approx([(45.0 + 80.0) / 2] * 240)


@pytest.mark.parametrize(
    ("air", "room_pct"),
    [
        (wet_then(60.0, place=Place.OUTWORLD), 45.0),
        (wet_then(60.0, hours=71), 45.0),
        (place([24.0] * 240, 50.0, rh_low=10.0), 48.0),
        (wet_then(60.0), 99.0),
    ],
    ids=["outworld", "too short to know its baseline", "hardly feels its cotton", "a room nearly saturated"],
)
def test_where_the_cotton_says_nothing_the_band_alone_holds(air, room_pct) -> None:
    room_pa = np.full(len(air.temp_c), vapour_pa(24.0, room_pct))
    assert with_cotton_limit(air, room_pa).limits.rh_low_pct.tolist() == air.limits.rh_low_pct.tolist()


def test_three_days_are_enough_to_know_a_baseline() -> None:
    air = wet_then(60.0, hours=72)
    assert with_cotton_limit(air, np.full(72, ROOM_PA)).limits.rh_low_pct[0] > 59.0
