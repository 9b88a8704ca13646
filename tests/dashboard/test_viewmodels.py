"""What the wall says of a snapshot."""

from __future__ import annotations

import dataclasses

import pytest
from invented_room import nest_now

from dashboard.snapshot import AlarmNow, HubNow, ProcessNow, Snapshot, Water
from dashboard.viewmodels import card_of, natural, outlook_words
from dashboard.wall_model import notices_of, wall_of
from sensord.model import NestKind

NOW = 1_775_044_800_000  # 2026-04-01T12:00:00Z


def snapshot_of(*nests, **changes) -> Snapshot:
    return dataclasses.replace(Snapshot("Ant room", "Europe/Lisbon", NOW, nests, newest_ms=NOW), **changes)


def alarm(nest, kind="dry", **changes) -> AlarmNow:
    return dataclasses.replace(
        AlarmNow(f"{nest}-{kind}", kind, "medium", "unacknowledged", NOW - 60_000, nest), **changes
    )


@pytest.mark.parametrize(
    ("changes", "state", "side"),
    [
        ({}, "ok", ""),
        ({"rh": 60.0}, "ok", ""),
        ({"rh": 59.9}, "drift", "low"),
        ({"rh": 45.0}, "drift", "low"),
        ({"rh": 44.9}, "act", "low"),
        ({"rh": 95.1}, "act", "high"),
        ({"temp": 27.1}, "drift", "high"),
        ({"temp": 31.1}, "act", "high"),
        ({"temp": 17.9}, "act", "low"),
        ({"rh": 59.0, "temp": 31.1}, "act", "high"),
        ({"rh": None, "temp": None}, "blind", ""),
        ({"rh": float("nan"), "temp": float("nan")}, "blind", ""),
        ({"rh": None}, "ok", ""),
        ({"age_ms": 900_001, "rh": 20.0}, "blind", ""),
        ({"age_ms": 900_000}, "ok", ""),
        ({"days": 2.0}, "act", "low"),
        ({"days": 6.9}, "drift", "low"),
        ({"days": 7.1}, "ok", ""),
        ({"days": 1.0, "air": None}, "act", "low"),
        ({"air": None}, "blind", ""),
        ({"placement": None, "air": None}, "blind", ""),
        ({"bands": None}, "blind", ""),
    ],
)
def test_the_state_follows_band_age_and_water(changes, state, side) -> None:
    now = nest_now("A-1", NOW, **changes)
    card = card_of(now, snapshot_of(now))
    assert (state, side) == (card.state, card.side)
    assert bool(card.reason) == (state != "ok")


def test_an_active_climate_alarm_makes_its_nest_act_until_it_is_shelved() -> None:
    well = nest_now("A-1", NOW)
    states = {
        state: wall_of(snapshot_of(well, alarms=(alarm("A-1", state=state),))).racks[0].cards[0].state
        for state in ("unacknowledged", "acknowledged", "returned", "shelved", "suppressed_by_design", "normal")
    }
    assert {state for state, shown in states.items() if shown == "act"} == {"unacknowledged", "acknowledged"}


@pytest.mark.parametrize(
    ("days", "short", "sentence"),
    [
        (0.0, "dry", "water runs out now"),
        (0.3, "<1 d", "water runs out now"),
        (1.0, "1 d", "water for 1 day"),
        (4.6, "5 d", "water for 5 days"),
        (364.4, "364 d", "water for 364 days"),
        (365.0, "> 1 y", "water for more than a year"),
    ],
)
def test_water_is_told_short_on_the_card_and_as_words_in_the_list(days, short, sentence) -> None:
    """The outlook is capped at 365 days, so that 365 means a year or more."""
    now = nest_now("A-1", NOW, days=days)
    alarms = (alarm("A-1", "reservoir"),)
    wall = wall_of(snapshot_of(now, alarms=alarms))
    assert (short, sentence) == (wall.racks[0].cards[0].days, wall.needs[0].what)


def test_a_nest_short_of_water_reads_the_same_before_its_alarm_is_raised() -> None:
    needs = wall_of(snapshot_of(nest_now("A-1", NOW, days=1.2))).needs
    assert ["water for 1 day"] == [need.what for need in needs]


def test_the_worst_alarm_of_a_nest_is_written_on_it() -> None:
    """A priority goes before another; at the same, where the air stands before how fast it came there."""
    nest = nest_now("A-1", NOW, temp=40.0)
    for kinds in (
        (("swing", "medium"), ("hot", "medium")),
        (("hot", "medium"), ("swing", "medium")),
        (("dry", "low"), ("hot", "high")),
    ):
        alarms = tuple(alarm("A-1", kind, priority=priority) for kind, priority in kinds)
        for order in (alarms, alarms[::-1]):
            assert "too hot" == wall_of(snapshot_of(nest, alarms=order)).racks[0].cards[0].reason


def test_a_nest_without_a_probe_shows_no_air() -> None:
    card = card_of(nest_now("A-1", NOW, placement=None, air=None), snapshot_of())
    assert ("", "", "20 d") == (card.rh, card.temp, card.days)


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ((5, 7, 9), "Runs dry 6 Apr 2026 to 10 Apr 2026 (8 of 10 such nests do), about 8 Apr 2026."),
        ((5, 7, 365), "Runs dry 6 Apr 2026 or later, about 8 Apr 2026."),
        ((5, 365, 365), "Runs dry 6 Apr 2026 or later."),
        ((365, 365, 365), "Lasts more than a year."),
    ],
)
def test_the_outlook_is_told_with_its_interval_and_no_further_than_it_looks(days, words) -> None:
    said = outlook_words(Water(*days, 2.0, 1.5, 2.6, "room probe", 0, "Was it filled?"), NOW, "Europe/Lisbon")
    assert (
        f"{words} 2.0 mL left (1.5 to 2.6). From the room's probe; no refill to learn from yet. Was it filled?" == said
    )


def test_only_late_readings_show_their_age() -> None:
    ages = [card_of(nest_now("A-1", NOW, age_ms=ms), snapshot_of()).age for ms in (20_000, 150_000, 300_000, 7_300_000)]
    assert ages == ["", "", "5 min", "2 h"]


def test_numbers_are_rounded_to_what_the_sensor_can_know() -> None:
    card = card_of(nest_now("A-1", NOW, rh=71.4999, temp=24.449), snapshot_of())
    assert ("71%", "24.4°") == (card.rh, card.temp)


def test_needs_stand_worst_first_and_each_nest_once() -> None:
    nests = [
        nest_now("A-1", NOW, rh=30.0),
        nest_now("A-2", NOW, age_ms=3_600_000),
        nest_now("A-3", NOW, temp=40.0),
        nest_now("A-4", NOW),
    ]
    needs = wall_of(snapshot_of(*nests, alarms=(alarm("A-1"), alarm("A-3", "hot", priority="high")))).needs
    assert ["A-3", "A-1", "A-2"] == [need.who for need in needs]
    assert "too hot 40.0°" == needs[0].what


def test_a_whole_room_with_one_trouble_is_one_line() -> None:
    nests = [nest_now(f"A-{number}", NOW, temp=40.0) for number in range(60)]
    needs = wall_of(snapshot_of(*nests)).needs
    assert [("60 nests", "too hot in ant room")] == [(need.who, need.what) for need in needs]


def test_nests_of_a_room_with_one_trouble_are_counted_not_their_alarms() -> None:
    """A tube too hot at both ends is one nest."""
    nests = [nest_now(f"A-{number}", NOW, temp=40.0) for number in range(4)]
    alarms = tuple(alarm(f"A-{number}", "hot", place=place) for number in range(4) for place in ("wet_end", "dry_end"))
    assert ["4 nests"] == [need.who for need in wall_of(snapshot_of(*nests, alarms=alarms)).needs]


def test_a_nest_with_two_troubles_is_one_line_where_the_worse_stood() -> None:
    nests = [nest_now("A-1", NOW, rh=40.0, days=0.2), nest_now("A-2", NOW, temp=40.0)]
    alarms = (alarm("A-1", "dry", priority="high"), alarm("A-2", "hot"), alarm("A-1", "reservoir", priority="low"))
    needs = wall_of(snapshot_of(*nests, alarms=alarms)).needs
    assert [("A-1", "act"), ("A-2", "act")] == [(need.who, need.state) for need in needs]
    assert "too dry 40%, water runs out now" == needs[0].what


def test_an_alarm_of_a_room_or_hub_is_told_by_its_name_not_by_its_probe() -> None:
    fridge = alarm(None, "hot", probe="hub-a/fridge", place="room", room="fridge", subject="room fridge")
    needs = wall_of(snapshot_of(nest_now("A-1", NOW), alarms=(fridge,))).needs
    assert [("room fridge", "too hot", "/alarms")] == [(need.who, need.what, need.href) for need in needs]


def test_a_calm_room_says_so_and_needs_nobody() -> None:
    wall = wall_of(snapshot_of(*(nest_now(f"A-{number}", NOW) for number in range(48))))
    assert () == wall.needs
    assert "All 48 nests are well" == wall.calm
    assert "The nest is well" == wall_of(snapshot_of(nest_now("A-1", NOW))).calm


def test_a_late_process_a_hub_that_is_down_and_a_silent_line_are_noticed() -> None:
    ok = tuple(ProcessNow(name, NOW - 9_000) for name in ("record", "watch", "serve"))
    late = (ProcessNow("record", NOW - 26_000), *ok[1:])
    assert () == notices_of(snapshot_of(processes=ok))
    assert "Nothing is being recorded since 12:59" in notices_of(snapshot_of(processes=late))[0]  # Lisbon is at +01:00
    assert "not running" in notices_of(snapshot_of(processes=(ProcessNow("record", None),)))[0]
    assert "Hub hub-b is down" in notices_of(snapshot_of(hubs=(HubNow("hub-b", "down", NOW),)))[0]
    assert "No new reading since" in notices_of(snapshot_of(newest_ms=NOW - 250_000))[0]
    assert () == notices_of(snapshot_of(newest_ms=NOW - 250_000, live=False))


def test_what_ails_a_process_is_said_in_a_sentence() -> None:
    beats = (ProcessNow("record", NOW, "not connected to the broker"), ProcessNow("watch", NOW, "store is damaged"))
    record, watch = notices_of(snapshot_of(processes=beats))
    assert "The recorder is not connected to the broker. What you see is old." == record
    assert "The watch complains: store is damaged" == watch


def test_racks_stand_in_natural_order() -> None:
    nests = [nest_now(f"N-{rack}", NOW, rack=rack) for rack in ("10", "9", "2")]
    assert ["2", "9", "10"] == [rack.title for rack in wall_of(snapshot_of(*nests)).racks]
    assert sorted(["A-10", "A-2", "a-1"], key=natural) == ["a-1", "A-2", "A-10"]


def test_water_is_drawn_as_a_share_of_the_full_reservoir() -> None:
    half = nest_now("A-1", NOW, days=16.0, kind=NestKind.FORMICARIUM)
    assert 0.5 == card_of(half, snapshot_of()).water
    assert card_of(dataclasses.replace(half, water=None), snapshot_of()).water is None
