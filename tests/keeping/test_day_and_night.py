"""Bands by day and by night: worked examples by the room's clock, over both changes of summer time, in every use of them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from sensord.alarms.engine import tuning_of
from sensord.alarms.replay import replay
from sensord.alarms.standing import Standings
from sensord.clock import HOUR_MS, MINUTE_MS, parse_instant, to_ms
from sensord.keeping.day_night import DayPart, bands_by, part_of_day
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import find_species, load_species
from sensord.model import Nest, NestKind, Place, Placement, Reading, Season
from sensord.settings import AlarmSettings
from sensord.store.sqlite import SqliteStore

LIBRARY = load_species(None)
BARBARUS = find_species(LIBRARY, "Messor barbarus")  # 4 °C cooler from 20:00 to 08:00
NIGER = find_species(LIBRARY, "Lasius niger")  # knows no nights
BERLIN = ZoneInfo("Europe/Berlin")
NEST = Nest("N-1", NestKind.FORMICARIUM, "loft", species="Messor barbarus")


def ms(text: str) -> int:
    return to_ms(parse_instant(text))


@pytest.mark.parametrize(
    ("local", "part", "until"),
    [
        ("07:59", DayPart.NIGHT, "08:00"), ("08:00", DayPart.CHANGE, "10:00"), ("09:59", DayPart.CHANGE, "10:00"),
        ("10:00", DayPart.DAY, "20:00"), ("19:59", DayPart.DAY, "20:00"), ("20:00", DayPart.CHANGE, "22:00"),
        ("23:00", DayPart.NIGHT, "08:00"),
    ],
)  # fmt: skip
def test_the_parts_of_a_day_by_the_rooms_clock(local: str, part: DayPart, until: str) -> None:
    """10 June in Berlin, two hours ahead of UTC."""
    at = datetime.fromisoformat(f"2026-06-10T{local}:00").replace(tzinfo=BERLIN)
    found = part_of_day(BARBARUS, to_ms(at), BERLIN)
    day = 11 if until <= local else 10
    end = datetime.fromisoformat(f"2026-06-{day}T{until}:00").replace(tzinfo=BERLIN)
    assert (found.part, found.until_ms) == (part, to_ms(end))


@pytest.mark.parametrize(
    ("from_utc", "until_utc", "hours"),
    [
        ("2026-03-28T21:00:00Z", "2026-03-29T06:00:00Z", 9),  # the night that summer time begins lacks an hour
        ("2026-10-24T20:00:00Z", "2026-10-25T07:00:00Z", 11),  # the night it ends has one more
        ("2026-12-31T21:00:00Z", "2027-01-01T07:00:00Z", 10),  # over the year's end
        ("2028-02-28T21:00:00Z", "2028-02-29T07:00:00Z", 10),  # into the leap day
    ],
)  # fmt: skip
def test_a_night_lasts_from_clock_time_to_clock_time(from_utc: str, until_utc: str, hours: int) -> None:
    """Its first two hours, from 20:00, belong to the change; the EU changes its clocks at 01:00 UTC (2000/84/EC)."""
    begin_ms, end_ms = ms(from_utc), ms(until_utc)
    assert (end_ms - begin_ms) / HOUR_MS == hours
    assert part_of_day(BARBARUS, begin_ms - 1, BERLIN).part == DayPart.CHANGE
    assert (part_of_day(BARBARUS, begin_ms, BERLIN).part, part_of_day(BARBARUS, begin_ms, BERLIN).until_ms) == (
        DayPart.NIGHT, end_ms,
    )  # fmt: skip
    assert part_of_day(BARBARUS, end_ms - 1, BERLIN).part == DayPart.NIGHT
    assert part_of_day(BARBARUS, end_ms, BERLIN).part == DayPart.CHANGE


def test_by_night_ideal_and_lower_limit_fall_and_the_upper_limit_stays() -> None:
    """Packaged Messor barbarus: 22 to 28 °C inside 12 to 36 °C by day, four degrees cooler by night."""
    day, night, change = (
        bands_by(BARBARUS, Season.ACTIVE, Place.WET_END, part).temp_c
        for part in (DayPart.DAY, DayPart.NIGHT, DayPart.CHANGE)
    )
    assert (day.ideal_low, day.ideal_high, day.limit_low, day.limit_high) == (22, 28, 12, 36)
    assert (night.ideal_low, night.ideal_high, night.limit_low, night.limit_high) == (18, 24, 8, 36)
    assert (change.ideal_low, change.ideal_high, change.limit_low, change.limit_high) == (18, 28, 8, 36)
    assert "by night 4 °C cooler: common practice" in night.sources[0]
    assert night.sources[3] == day.sources[3]


def test_the_rest_of_winter_knows_no_nights_and_neither_does_a_species_without_them() -> None:
    for part in DayPart:
        rest = bands_by(BARBARUS, Season.WINTER_REST, Place.WET_END, part)
        assert rest == bands_by(BARBARUS, Season.WINTER_REST, Place.WET_END, DayPart.DAY)
    assert part_of_day(NIGER, ms("2026-06-10T23:00:00Z"), BERLIN).until_ms is None


def test_both_hemispheres_have_their_nights_by_their_clock() -> None:
    """Midnight in Melbourne, 10 January: summer there; 14:00 UTC is 01:00 there, 13:00 UTC in Berlin is day."""
    at_ms = ms("2027-01-10T14:00:00Z")
    south = Keeping(LIBRARY, "south", ZoneInfo("Australia/Melbourne")).bands_at(NEST, Place.WET_END, at_ms)
    north = Keeping(LIBRARY, "north", BERLIN).bands_at(NEST, Place.WET_END, at_ms)
    assert (south.season, south.bands.temp_c.ideal_low) == (Season.ACTIVE, 18)
    assert (north.season, north.bands.temp_c.ideal_low) == (Season.WINTER_REST, 10)


def test_a_probe_stands_under_the_bands_of_its_hour_until_they_change() -> None:
    keeping = Keeping(LIBRARY, "north", BERLIN)
    standings = Standings([Placement("p1", "N-1", "loft", Place.WET_END, 0)], [NEST], keeping)
    standing = standings.of("p1", ms("2026-06-10T22:00:00Z"))
    assert standing is not None
    assert (standing.bands.temp_c.limit_low, standing.until_ms) == (8, ms("2026-06-11T06:00:00Z"))


def test_a_room_probe_is_right_where_it_is_right_for_some_nest_at_that_hour() -> None:
    """Messor's room: 18 to 29 °C by day inside limits from 9 °C; by night from 5 °C; Lasius niger's reach to 7 °C."""
    keeping = Keeping(LIBRARY, "north", BERLIN)
    room = [Placement("p0", None, "loft", Place.ROOM, 0)]
    day, night = ms("2026-06-10T12:00:00Z"), ms("2026-06-10T22:00:00Z")
    alone = Standings(room, [NEST], keeping)
    both = Standings(room, [NEST, Nest("T-1", NestKind.TUBE, "loft", species="Lasius niger")], keeping)
    limits = {
        (len(standings.nests), at_ms): standings.of("p0", at_ms).bands.temp_c.limit_low  # type: ignore[union-attr]
        for standings in (alone, both)
        for at_ms in (day, night)
    }
    assert limits == {(1, day): 9, (1, night): 5, (2, day): 7, (2, night): 5}


@pytest.mark.parametrize(("temp_c", "kinds"), [(10.0, ["cold"]), (7.0, ["cold"]), (13.0, [])])
def test_alarms_follow_the_night_in_a_replay(tmp_path: Path, temp_c: float, kinds: list[str]) -> None:
    """The heat fails from 21:00 to 10:30 by the room's clock. 10 °C is right by night, too cold from 10:00 on, when the
    day's limit of 12 °C holds again; 7 °C is too cold at once."""
    start_ms = ms("2026-06-10T12:00:00Z")
    fails, back = ms("2026-06-10T19:00:00Z"), ms("2026-06-11T08:30:00Z")
    with_store = SqliteStore(tmp_path / "station.db")
    with_store.write([
        Reading("p1", at_ms, (temp_c if fails <= at_ms < back else 25.0) + at_ms // MINUTE_MS % 7 / 1000, 80.0)
        for at_ms in range(start_ms, ms("2026-06-11T12:00:00Z"), MINUTE_MS)
    ])  # fmt: skip
    keeping = Keeping(LIBRARY, "north", BERLIN)
    standings = Standings([Placement("p1", "N-1", "loft", Place.WET_END, 0)], [NEST], keeping)
    tuning = tuning_of(AlarmSettings(swing_temp_c=30.0))
    found = replay(with_store, standings, tuning, start_ms, ms("2026-06-11T12:00:00Z"))
    with_store.close()
    assert [str(alarm.kind) for alarm in found.alarms] == kinds
    if temp_c == 10.0:
        assert found.alarms[0].raised_ms == ms("2026-06-11T08:10:00Z")
        assert found.alarms[0].limit == 12
    if temp_c == 7.0:
        assert found.alarms[0].raised_ms == ms("2026-06-10T20:00:00Z") - 50 * MINUTE_MS
        assert found.alarms[0].limit == 8


def test_a_keepers_file_sets_nights_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "species").mkdir()
    text = '[day_night]\nnight_cooler_c = 6\nday_from = "06:30"\nnight_from = "22:15"\n'
    (tmp_path / "species" / "lasius-niger.toml").write_text(text, encoding="utf-8")
    species = load_species(tmp_path)["Lasius niger"]
    assert part_of_day(species, ms("2026-06-10T22:14:00Z"), UTC) == part_of_day(
        species, ms("2026-06-10T08:30:00Z"), UTC
    )
    night = bands_by(species, Season.ACTIVE, Place.WET_END, DayPart.NIGHT).temp_c
    assert night.ideal_low == 14
    assert night.sources[0].endswith("by night 6 °C cooler: the keeper, lasius-niger.toml")
