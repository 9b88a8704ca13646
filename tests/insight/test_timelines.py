"""The timeline of a review from a real registry, store and alarm log; what was unusual; two reviews side by side."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import numpy as np
import pytest

from sensord.air.moist_air import vapour_pa
from sensord.alarms.conditions import Raised
from sensord.clock import DAY_MS, HOUR_MS, ManualClock, from_ms
from sensord.config import load_config
from sensord.db import transaction
from sensord.insight.comparison import Row, article, rows_of, same_time_of_year
from sensord.insight.contrast import contrast, span
from sensord.insight.exposures import Distrust
from sensord.insight.timeline import Track, daily_wetness
from sensord.model import (
    AlarmKind,
    Entry,
    EntryKind,
    Nest,
    NestKind,
    Place,
    Placement,
    Priority,
    Reading,
    Season,
    Stage,
)
from sensord.reports import Reports
from sensord.wiring import Room

END_MS = 1_783_684_800_000  # 2026-07-10T12:00Z
FIRST_MS = END_MS - 40 * DAY_MS
NAMES = [f"T{n}" for n in range(1, 7)]


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Six tubes; T1 has probes at wet end and outworld, a gap, a stuck probe, an alarm and a journal, and ran hot for 30 h."""
    folder = tmp_path_factory.mktemp("station")
    (folder / "station.toml").write_text('[station]\nname = "Cellar"\ndata = "data"\ntime_zone = "UTC"\n')
    room = Room(load_config(folder), ManualClock(from_ms(END_MS + DAY_MS)))
    room.registry.put_nests(
        [
            Nest(n, NestKind.TUBE, "cellar", "A", "Lasius niger", "", Stage.FOUNDING, FIRST_MS, 16, 60, 8.0)
            for n in NAMES
        ]
    )
    room.registry.put_placements([
        *(Placement(f"hub/{n.lower()}", n, "cellar", Place.WET_END, FIRST_MS, None, 15) for n in NAMES),
        Placement("hub/out", "T1", "cellar", Place.OUTWORLD, FIRST_MS),
        Placement("hub/room", None, "cellar", Place.ROOM, FIRST_MS),
    ])  # fmt: skip
    room.registry.add_entries([
        Entry(FIRST_MS, "T1", EntryKind.FILL, 8.0, "mL"),
        Entry(END_MS - 6 * DAY_MS, "T1", EntryKind.LEVEL, 4.5, "mL", "", "Ines"),
        Entry(END_MS - 20 * HOUR_MS, "T1", EntryKind.NOTE, None, "", "smells of mould", "Ines"),
        Entry(END_MS, "T1", EntryKind.DIED),
    ])  # fmt: skip
    room.store.write(list(_readings(random.Random(3))))
    log = room.alarm_log
    with transaction(room.connection):
        log.take(Raised("hub/t1", "T1", AlarmKind.HOT, Priority.HIGH, END_MS - 29 * HOUR_MS, 38.1, 34.0), None)
    (alarm,) = log.since(0)
    log.acknowledge(alarm.id, END_MS - 25 * HOUR_MS, "Ines")
    yield room
    room.store.close()


def _readings(chance):
    def about(probe, at_ms, temp_c, rh_pct):
        return Reading(probe, at_ms, round(temp_c + chance.gauss(0, 0.2), 2), round(rh_pct + chance.gauss(0, 0.5), 2))

    for hour in range(40 * 24):
        at_ms, hot = FIRST_MS + hour * HOUR_MS + 600_000, hour >= 40 * 24 - 30
        yield about("hub/room", at_ms, 21.0, 50.0)
        for name in NAMES:
            if not (name == "T1" and 20 * 24 <= hour < 21 * 24):
                yield about(f"hub/{name.lower()}", at_ms, 38.0 if hot and name == "T1" else 23.0, 80.0)
        stuck = 25 * 24 <= hour < 27 * 24
        yield Reading("hub/out", at_ms, 22.0 + hour % 4 / 10, 42.42 if stuck else 55.0 + hour % 3 / 10)


@pytest.fixture(scope="module")
def found(kept):
    return Reports(kept).one("T1", END_MS, 30)


def test_every_place_against_its_bands(kept, found):
    """Wet end, outworld and room, hour by hour, the nest's under the bands its species has there; the room has none."""
    tracks = {track.place: track for track in found.timeline.tracks}
    assert list(tracks) == [Place.WET_END, Place.OUTWORLD, Place.ROOM]
    assert {len(track.temp_c) for track in tracks.values()} == {30 * 24}
    wet = tracks[Place.WET_END]
    nest = kept.registry.nest("T1")
    held = kept.keeping.bands_at(nest, Place.WET_END, wet.start_ms).bands
    assert (wet.temp_band.limit_high[0], wet.rh_band.ideal_low[0]) == (held.temp_c.limit_high, held.rh_pct.ideal_low)
    assert tracks[Place.ROOM].temp_band is None
    assert tracks[Place.ROOM].rh_pct[0] == pytest.approx(50, abs=3)
    assert wet.probes == ("hub/t1",)
    assert np.nanmax(wet.temp_c) > 37


def test_gaps_and_faults_are_told_apart(found):
    """A silent day is missing; two days of a stuck probe are left out with the reason, and are no gap."""
    tracks = {track.place: track for track in found.timeline.tracks}
    (gap,) = tracks[Place.WET_END].missing()
    assert gap == (FIRST_MS + 20 * DAY_MS, FIRST_MS + 21 * DAY_MS)
    out = tracks[Place.OUTWORLD]
    assert {one.why for one in out.left_out} == {"stuck"}
    assert sum(one.until_ms - one.from_ms for one in out.left_out) == pytest.approx(2 * DAY_MS, abs=3 * HOUR_MS)
    assert out.missing() == []


def test_alarms_say_whether_anyone_reacted(found):
    """Acknowledged by whom and when, and the next line of the journal after it, which the death itself is not."""
    (alarm,) = found.timeline.alarms
    assert (alarm.kind, alarm.acknowledged_by) == ("hot", "Ines")
    assert alarm.acknowledged_ms - alarm.raised_ms == 4 * HOUR_MS
    assert alarm.next_entry.note == "smells of mould"


def test_as_of_an_instant_nothing_later_is_known(kept):
    """Reviewed before it was acknowledged, nobody had reacted yet."""
    early = Reports(kept).one("T1", END_MS - 28 * HOUR_MS, 30)
    (alarm,) = early.timeline.alarms
    assert (alarm.acknowledged_ms, alarm.next_entry) == (None, None)
    assert early.timeline.entries
    assert all(one.at_ms <= END_MS - 28 * HOUR_MS for one in early.timeline.entries)


def test_water_and_season(found):
    """Wetness by the day within 0 and 1, water left by mass balance that falls, the levels read, the season."""
    line = found.timeline
    assert len(line.wetness) >= 25
    assert all(0.5 < value < 0.9 for _, value in line.wetness[:20])
    left = [ml for _, ml in line.water]
    assert left[0] > left[-1] > 0
    assert (END_MS - 6 * DAY_MS, 4.5) in line.levels
    assert [season for _, _, season in line.seasons] == [Season.ACTIVE]


def test_unusual_and_usual(found):
    """The heat is unusual, and the sentence says by how much more than siblings; what never happened is told too."""
    said = contrast(found.review)
    assert any("30 hours too hot, more than 100 of 100 siblings that lived" in one for one in said.unusual)
    assert not any("too hot" in one for one in said.usual)
    assert any("too cold" in one and one.startswith("At no hour") for one in said.usual)


def test_nothing_measured_is_told_as_nothing(kept):
    """Before any probe stood, a contrast claims nothing."""
    early = Reports(kept).one("T2", FIRST_MS, 1)
    assert contrast(early.review).unusual == ()
    assert "nothing can be said" in contrast(early.review).usual[0]


def test_side_by_side(kept, found):
    """Rows of both with what is apart: right less left; words have nothing apart."""
    other = Reports(kept).one("T2", END_MS, 30)
    rows = {row.what: row for row in rows_of(found, other)}
    assert rows["too hot"].left == pytest.approx(30, abs=1)
    assert rows["too hot"].apart == -rows["too hot"].left
    assert rows["alarms acknowledged"].left == 1
    assert rows["no reading"].left == 24
    assert rows["verdict"].apart is None
    assert rows["times water was given"].left == 0  # the fill was before the days asked about


def test_numbers_side_by_side_are_those_of_each(kept, found):
    """A day of thirty without readings is 96.7 % measured; the middles are those of the wet end, not of its hot end."""
    other = Reports(kept).one("T2", END_MS, 30)
    rows = {row.what: row for row in rows_of(found, other)}
    assert (rows["measured and believed"].left, rows["measured and believed"].right) == pytest.approx(
        (96.7, 100), abs=0.2
    )
    assert rows["temperature, middle"].left == pytest.approx(23.0, abs=0.2)
    assert rows["humidity, middle"].right == pytest.approx(80.0, abs=0.2)
    assert "Dark line: T1. Dashed: T2.<" in article(found, other), "both end on one day: no word of dates"


def test_two_nests_measured_at_different_ends_are_drawn_together_all_the_same(kept, found):
    other = Reports(kept).one("T2", END_MS, 30)
    moved = tuple(
        replace(one, place=Place.DRY_END) if one.place is Place.WET_END else one for one in other.timeline.tracks
    )
    html = article(found, replace(other, timeline=replace(other.timeline, tracks=moved)))
    assert heads(html)[0][1] == "Wet end and dry end: Temperature, °C"
    nothing = article(found, replace(other, timeline=replace(other.timeline, tracks=())))
    assert "No place was measured in both." in nothing
    assert "not known" in nothing


def test_rows_apart():
    """Only two numbers are apart."""
    assert Row("x", 1.0, 3.5).apart == 2.5
    assert Row("x", None, 3.5).apart is None
    assert Row("x", "a", "b").apart is None


def test_time_of_year():
    """Ends a year or two apart to the day share dates; half a year apart they do not."""
    assert same_time_of_year(0)
    assert same_time_of_year(365 * DAY_MS)
    assert same_time_of_year(-731 * DAY_MS)
    assert not same_time_of_year(182 * DAY_MS)


def test_short_gaps_are_no_gaps():
    """Two hours without a reading are not worth a line."""
    values = np.full(24, 20.0)
    values[3:5] = np.nan
    values[10:14] = np.nan
    track = Track(Place.WET_END, (), 0, values, values)
    assert track.gaps == [(10 * HOUR_MS, 14 * HOUR_MS)]


def test_spans_in_words():
    """Hours as a keeper says them."""
    assert [span(hours) for hours in (0.3, 5.0, 71.0, 100.0)] == ["an hour", "5 hours", "71 hours", "4 days"]


def track(temp_c, rh_pct=80.0, left_out=()) -> Track:
    temp = np.asarray(temp_c, float)
    return Track(Place.WET_END, (), 0, temp, np.where(np.isfinite(temp), rh_pct, np.nan), left_out=left_out)


def test_a_gap_takes_three_hours_and_is_missing_unless_it_is_said_why():
    """From the first hour without to the first with again; what was left out may be told an hour short at either end."""
    nan = np.nan
    one = track([20.0, nan, nan, 20.0, nan, nan, nan, 20.0])
    assert one.gaps == [(4 * HOUR_MS, 7 * HOUR_MS)] == one.missing()
    for from_h, until_h, missing in ((4, 7, False), (5, 6, False), (6, 7, True), (4, 5, True)):
        said = (Distrust("stuck", from_h * HOUR_MS, until_h * HOUR_MS),)
        assert bool(track([20.0, nan, nan, 20.0, nan, nan, nan, 20.0], left_out=said).missing()) is missing
    assert one.at_ms.tolist() == [(hour + 0.5) * HOUR_MS for hour in range(8)], "an hour stands at its middle"


def test_wetness_by_the_day_is_told_at_noon_of_days_with_six_hours_or_more():
    """Two whole days and a part; five hours are too few, six are a day."""
    temp = np.full(60, 24.0)
    temp[5:24] = np.nan
    temp[30:48] = np.nan
    daily = daily_wetness(track(temp), np.full(60, vapour_pa(22.0, 45.0)))
    assert [at_ms for at_ms, _ in daily] == [36 * HOUR_MS]
    expected = (vapour_pa(24.0, 80.0) - vapour_pa(22.0, 45.0)) / (vapour_pa(24.0, 100.0) - vapour_pa(22.0, 45.0))
    assert daily[0][1] == pytest.approx(expected)


def heads(html: str) -> list[tuple[float, str]]:
    return [(float(y), words) for y, words in re.findall(r'y="([\d.]+)"[^>]*class="head">([^<]*)<', html)]


def test_side_by_side_is_drawn_in_the_readers_unit_one_panel_under_the_other(kept, found):
    other = Reports(kept).one("T2", END_MS, 30)
    celsius, fahrenheit = (
        article(*(replace(one, unit=unit) for one in (found, other))) for unit in ("C", "F")
    )  # fmt: skip
    (first_y, first), (second_y, second) = heads(fahrenheit)[:2]
    assert (first, second) == ("Wet end: Temperature, °F", "Wet end: Relative humidity, %")
    assert second_y > first_y + 100
    scale = [
        float(number)
        for number in re.findall(r'text-anchor="end">([\d.]+)<', fahrenheit.split(first)[1].split(second)[0])
    ]
    assert min(scale) > 70, "23 °C are 73.4 °F"
    assert heads(celsius)[0][1] == "Wet end: Temperature, °C"
    assert "T1 beside T2" in celsius
    assert "0.00" not in celsius, "what is apart by nothing worth a digit is not told"


def test_one_nest_beside_itself_goes_by_its_last_days_and_is_drawn_up_to_them(kept):
    left, right = Reports(kept).beside(("T1", END_MS), ("T1", END_MS - 10 * DAY_MS), 10)
    html = article(left, right)
    assert "T1 to 10 Jul 2026 beside T1 to 30 Jun 2026" in html
    assert "The second ends on 30 Jun 2026; both are drawn up to their ends." in html
    days = [int(number) for number in re.findall(r">(\d+) days before<", html.split("</figure>")[0])]
    assert days == [2, 4, 6, 8]
