"""Seasons across year end, leap day, summer-time change, both hemispheres. Dates are worked by hand from the calendar."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from sensord.clock import HOUR_MS, parse_instant, to_ms
from sensord.keeping.seasons import SeasonOverride, season_at, target_temp_c
from sensord.keeping.species import Species, load_species
from sensord.keeping.species_file import Given
from sensord.model import Season

LASIUS = load_species(None)["Lasius niger"]  # wind down 1 Oct, rest 1 Nov, wake up 1 Mar, active 1 Apr


def ms(text: str) -> int:
    return to_ms(parse_instant(text))


@pytest.mark.parametrize(
    ("at", "hemisphere", "season"),
    [
        ("2025-12-31T23:59:59Z", "north", Season.WINTER_REST),
        ("2026-01-01T00:00:00Z", "north", Season.WINTER_REST),
        ("2026-02-28T23:59:59Z", "north", Season.WINTER_REST),
        ("2028-02-29T12:00:00Z", "north", Season.WINTER_REST),
        ("2028-03-01T00:00:00Z", "north", Season.WAKE_UP),
        ("2026-04-01T00:00:00Z", "north", Season.ACTIVE),
        ("2026-09-30T23:59:59Z", "north", Season.ACTIVE),
        ("2026-10-01T00:00:00Z", "north", Season.WIND_DOWN),
        ("2026-04-01T00:00:00Z", "south", Season.WIND_DOWN),
        ("2026-05-01T00:00:00Z", "south", Season.WINTER_REST),
        ("2026-08-31T23:59:59Z", "south", Season.WINTER_REST),
        ("2026-09-01T00:00:00Z", "south", Season.WAKE_UP),
        ("2026-12-31T23:59:59Z", "south", Season.ACTIVE),
    ],
)
def test_season_by_date_and_hemisphere(at: str, hemisphere: str, season: Season) -> None:
    assert season_at(LASIUS, ms(at), hemisphere=hemisphere).season == season


def test_a_season_begins_at_local_midnight_on_either_side_of_the_summer_time_change() -> None:
    """Lisbon is at UTC on 1 March and at UTC+1 on 1 April 2026 (summer time from 29 March, EU directive 2000/84/EC)."""
    lisbon = ZoneInfo("Europe/Lisbon")
    wake_up = season_at(LASIUS, ms("2026-03-15T12:00:00Z"), zone=lisbon)
    assert (wake_up.since_ms, wake_up.until_ms) == (ms("2026-03-01T00:00:00Z"), ms("2026-03-31T23:00:00Z"))
    assert wake_up.until_ms - wake_up.since_ms == (31 * 24 - 1) * HOUR_MS


def test_the_leap_day_makes_winter_rest_a_day_longer() -> None:
    common = season_at(LASIUS, ms("2026-12-01T00:00:00Z"))
    leap = season_at(LASIUS, ms("2027-12-01T00:00:00Z"))
    assert (common.until_ms - common.since_ms) // (24 * HOUR_MS) == 120
    assert (leap.until_ms - leap.since_ms) // (24 * HOUR_MS) == 121


def test_a_season_from_the_leap_day_begins_on_first_march_in_common_years() -> None:
    values = {**LASIUS.values, "rest.wake_up_from": Given("02-29", "common practice", "x.toml")}
    species = Species("x", values)
    assert season_at(species, ms("2026-02-28T23:59:59Z")).season == Season.WINTER_REST
    assert season_at(species, ms("2026-03-01T00:00:00Z")).season == Season.WAKE_UP
    assert season_at(species, ms("2028-02-29T00:00:00Z")).season == Season.WAKE_UP


def test_the_ramp_runs_straight_from_one_season_to_the_next() -> None:
    """Ideal middles: active (20+27)/2 = 23.5 °C, rest (4+9)/2 = 6.5 °C; half way is 15 °C."""
    half = season_at(LASIUS, to_ms(datetime(2026, 10, 16, 12, tzinfo=UTC)))
    assert half.progress == pytest.approx(0.5)
    assert target_temp_c(LASIUS, half) == pytest.approx(15.0)


def test_the_keepers_word_goes_before_the_dates_and_ends() -> None:
    word = [SeasonOverride(Season.WINTER_REST, ms("2026-06-01T00:00:00Z"), ms("2026-07-01T00:00:00Z"))]
    assert season_at(LASIUS, ms("2026-06-15T00:00:00Z"), overrides=word).season == Season.WINTER_REST
    assert season_at(LASIUS, ms("2026-07-01T00:00:00Z"), overrides=word).season == Season.ACTIVE


def test_a_tropical_species_is_always_active() -> None:
    species = load_species(None)["Camponotus nicobarensis"]
    assert season_at(species, ms("2026-01-01T00:00:00Z")).season == Season.ACTIVE
