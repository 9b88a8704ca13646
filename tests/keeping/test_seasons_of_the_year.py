"""Seasons across year end, leap day, summer-time change, both hemispheres. Dates are worked by hand from the calendar."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from sensord.clock import HOUR_MS, ManualClock, parse_instant, to_ms
from sensord.config import load_config
from sensord.errors import ConfigError
from sensord.keeping.keeping import Keeping
from sensord.keeping.seasons import season_at, target_temp_c
from sensord.keeping.species import Species, load_own_species, load_species
from sensord.keeping.species_file import Given, SeasonByHand
from sensord.model import Nest, NestKind, Season
from sensord.wiring import Room

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


def by_hand(*said: SeasonByHand) -> Species:
    return replace(LASIUS, by_hand=said)


def test_a_season_by_hand_goes_before_the_dates_and_ends() -> None:
    word = by_hand(SeasonByHand(Season.WINTER_REST, date(2026, 6, 1), date(2026, 7, 1)))
    assert season_at(word, ms("2026-05-31T23:59:59Z")).season == Season.ACTIVE
    june = season_at(word, ms("2026-06-15T00:00:00Z"))
    assert (june.season, june.since_ms, june.until_ms) == (
        Season.WINTER_REST, ms("2026-06-01T00:00:00Z"), ms("2026-07-01T00:00:00Z"),
    )  # fmt: skip
    assert season_at(word, ms("2026-07-01T00:00:00Z")).season == Season.ACTIVE


def test_a_season_by_date_ends_where_one_by_hand_begins() -> None:
    word = by_hand(SeasonByHand(Season.WAKE_UP, date(2027, 2, 10), date(2027, 3, 1)))
    before, after = season_at(word, ms("2027-01-05T00:00:00Z")), season_at(word, ms("2027-03-05T00:00:00Z"))
    assert (before.season, before.until_ms) == (Season.WINTER_REST, ms("2027-02-10T00:00:00Z"))
    assert (after.season, after.since_ms) == (Season.WAKE_UP, ms("2027-02-10T00:00:00Z"))


def test_between_two_seasons_by_hand_each_ends_at_its_own_neighbour() -> None:
    """Rest in June, waking up in August: July and September are active, each from where the hand let go."""
    word = by_hand(
        SeasonByHand(Season.WINTER_REST, date(2026, 6, 1), date(2026, 7, 1)),
        SeasonByHand(Season.WAKE_UP, date(2026, 8, 1), date(2026, 9, 1)),
    )
    july, september = season_at(word, ms("2026-07-15T00:00:00Z")), season_at(word, ms("2026-09-15T00:00:00Z"))
    assert (july.since_ms, july.until_ms) == (ms("2026-07-01T00:00:00Z"), ms("2026-08-01T00:00:00Z"))
    assert (september.since_ms, september.until_ms) == (ms("2026-09-01T00:00:00Z"), ms("2026-10-01T00:00:00Z"))
    assert {july.season, september.season} == {Season.ACTIVE}


def test_a_keeper_who_says_that_there_is_no_rest_is_believed_whatever_dates_the_file_below_has(tmp_path: Path) -> None:
    (tmp_path / "species").mkdir()
    (tmp_path / "species" / "lasius-niger.toml").write_text('[rest]\nkind = "none"\n', encoding="utf-8")
    moment = season_at(load_species(tmp_path)["Lasius niger"], ms("2026-12-24T00:00:00Z"))
    assert (moment.season, moment.since_ms, moment.until_ms) == (Season.ACTIVE, None, None)


def test_a_rest_by_hand_that_joins_the_one_by_date_is_one_rest() -> None:
    """From 10 October by hand until 20 November, by date from 1 November to the end of February."""
    word = by_hand(SeasonByHand(Season.WINTER_REST, date(2026, 10, 10), date(2026, 11, 20)))
    for at in ("2026-10-12T00:00:00Z", "2026-11-10T00:00:00Z", "2027-02-01T00:00:00Z"):
        rest = season_at(word, ms(at))
        assert (rest.since_ms, rest.until_ms) == (ms("2026-10-10T00:00:00Z"), ms("2027-03-01T00:00:00Z"))


def test_a_season_by_hand_begins_at_the_rooms_midnight() -> None:
    """The night before summer time ends in Lisbon midnight is 23:00 UTC of the day before."""
    lisbon = ZoneInfo("Europe/Lisbon")
    word = by_hand(SeasonByHand(Season.WINTER_REST, date(2026, 10, 25)))
    assert season_at(word, ms("2026-10-24T22:59:59Z"), zone=lisbon).season == Season.WIND_DOWN
    rest = season_at(word, ms("2026-10-24T23:00:00Z"), zone=lisbon)
    assert (rest.season, rest.until_ms, rest.progress) == (Season.WINTER_REST, None, 0.0)


def test_a_nests_season_stands_in_its_own_file_and_goes_before_its_species(tmp_path: Path) -> None:
    for folder, text in (("species", "wind_down"), ("nests", "active")):
        (tmp_path / folder).mkdir()
        name = {"species": "lasius-niger", "nests": "T-07"}[folder]
        table = f'[[season]]\nseason = "{text}"\nfrom = 2026-11-10\nuntil = "2027-02-20"\n'
        (tmp_path / folder / f"{name}.toml").write_text(table, encoding="utf-8")
    library = load_species(tmp_path)
    by_nest = load_own_species(tmp_path / "nests", "nest", {"T-07": library["Lasius niger"]}, [], [])
    keeping = Keeping(library, by_nest=by_nest)
    nests = [Nest(name, NestKind.TUBE, "loft", species="Lasius niger") for name in ("T-07", "T-08")]
    for at, seasons in (
        ("2026-11-09T23:59:59Z", [Season.WINTER_REST, Season.WINTER_REST]),
        ("2026-12-24T00:00:00Z", [Season.ACTIVE, Season.WIND_DOWN]),
        ("2027-02-20T00:00:00Z", [Season.WINTER_REST, Season.WINTER_REST]),
    ):
        assert [keeping.season_of(nest, ms(at)).season for nest in nests] == seasons


def test_a_colonys_season_moves_with_it_and_a_nests_own_goes_before_it(tmp_path: Path, clock: ManualClock) -> None:
    """Queen-4 moves from T-1 to N-1 on 1 February; it rests by hand all the while. N-2 has a word of its own."""
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    for folder, name, season in (("colonies", "queen-4", "winter_rest"), ("nests", "N-2", "wake_up")):
        (tmp_path / folder).mkdir()
        table = f'[[season]]\nseason = "{season}"\nfrom = 2026-06-01\nuntil = 2026-09-01\n'
        (tmp_path / folder / f"{name}.toml").write_text(table, encoding="utf-8")
    room = Room(load_config(tmp_path), clock)
    moves = ms("2026-07-01T00:00:00Z")
    tube = Nest("T-1", NestKind.TUBE, "loft", species="Lasius niger", colony="queen-4")
    house = Nest("N-1", NestKind.FORMICARIUM, "loft", species="Lasius niger", colony="queen-4", since_ms=moves)
    other = Nest("N-2", NestKind.FORMICARIUM, "loft", species="Lasius niger", colony="queen-4")
    room.registry.put_nests([tube, house, other, replace(tube, colony="", since_ms=moves)])
    at_ms = ms("2026-07-10T00:00:00Z")
    now = {nest.name: room.keeping.season_of(nest, at_ms).season for nest in room.registry.nests(at_ms)}
    assert now == {"T-1": Season.ACTIVE, "N-1": Season.WINTER_REST, "N-2": Season.WAKE_UP}
    assert room.keeping.season_of(tube, at_ms).season == Season.WINTER_REST


def test_every_mistake_in_a_season_by_hand_is_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "species").mkdir()
    file = tmp_path / "species" / "lasius-niger.toml"
    file.write_text(
        '[[season]]\nseason = "sleep"\nfrom = "soon"\n[[season]]\nseason = "active"\nuntil = 2026-01-01\nfor = 3\n'
        "[[season]]\nseason = 'active'\nfrom = 2026-02-01\nuntil = 2026-02-01\n",
        encoding="utf-8",
    )
    with pytest.raises(ConfigError) as refused:
        load_species(tmp_path)
    assert [problem.removeprefix(f"{file}: ") for problem in refused.value.problems] == [
        "season[1].season = 'sleep': allowed is active, wind_down, winter_rest, wake_up",
        "season[1].from = 'soon': allowed is a day like 2026-11-10",
        "season[2].for: no such key; allowed are season, from, until",
        "season[2].from = None: allowed is a day like 2026-11-10",
        "season[3].until = 2026-02-01: allowed is a day after 2026-02-01",
    ]


def test_a_tropical_species_is_always_active() -> None:
    species = load_species(None)["Camponotus nicobarensis"]
    assert season_at(species, ms("2026-01-01T00:00:00Z")).season == Season.ACTIVE
