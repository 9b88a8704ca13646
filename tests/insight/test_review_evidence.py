"""Evidence of a review: ranks, effect and permutation against a reference, order in time, what a probe cannot have felt."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from die_off_room import HourlyRoom, make_room
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import permutation_test

from sensord.clock import DAY_MS, HOUR_MS
from sensord.db import open_db
from sensord.insight.exposures import (
    AIR_FACTORS,
    Factor,
    Limits,
    PlaceAir,
    at_one_place,
    exposures_of,
    with_cotton_limit,
)
from sensord.insight.harm import HARM_DOSE, measure, ranked, timed_harm
from sensord.insight.history import History
from sensord.insight.trust import RoomAir, trusted, trusted_nest
from sensord.insight.verdict import Coverage, both_ways, coverage_of, decide
from sensord.insight.water import FOUND_EMPTY, FOUND_WATER, POURED_IN_VAIN, Water, conductances, siblings_say
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.model import Entry, EntryKind, Place
from sensord.reviewing import Reviewing

LIBRARY = load_species(None)
HOURS = 30 * 24
START_MS = 1_778_544_000_000


def air(temp_c=24.0, rh_pct=85.0, hours=HOURS, place=Place.WET_END) -> PlaceAir:
    """A place with limits of 10 to 34 °C and 55 to 100 %."""
    temp, rh = np.broadcast_to(temp_c, hours).astype(float), np.broadcast_to(rh_pct, hours).astype(float)
    wander = 0.05 * np.sin(np.arange(hours) / 3.7)
    temp, rh = temp + wander, np.minimum(100.0, rh + wander)
    limits = Limits(*(np.full(hours, edge) for edge in (10.0, 34.0, 55.0, 100.0)))
    return PlaceAir(place, START_MS, temp, rh, temp, temp, limits)


def series(before, after, last_h):
    """One value, then another for the last hours."""
    return np.where(np.arange(HOURS) >= HOURS - last_h, after, before)


@given(st.integers(0, 9), st.lists(st.integers(0, 9), min_size=1, max_size=5))
def test_permutation_agrees_with_scipy(own, others):
    """One nest against n: the exact one-sided test of scipy.stats.permutation_test over every order of the values."""
    reference = permutation_test(
        ([own, *others],), lambda values: values[0], permutation_type="pairings", alternative="greater",
        n_resamples=np.inf, vectorized=False,
    )  # fmt: skip
    assert ranked(own, others)[2] == pytest.approx(reference.pvalue)


def test_cliffs_delta_and_percentile():
    """Cliff 1993: (more - less) / pairs; ties count half for the percentile."""
    assert ranked(3.0, [1.0, 2.0, 3.0, 9.0]) == (62.5, 0.25, 3 / 5)
    assert ranked(3.0, []) == (None, None, None)


def test_shared_stress_counts_against():
    """The same heat harms alone, and not where siblings that lived went through it."""
    hot = air(temp_c=series(24.0, 42.0, 24))
    cool, alike = [air() for _ in range(5)], [air(temp_c=series(24.0, 42.0, 24)) for _ in range(5)]
    assert measure(hot, cool, Factor.HOT).harm > 0.9
    assert measure(hot, alike, Factor.HOT).harm == 0.0


def test_gap_of_the_siblings_is_no_difference():
    """Hours in which no sibling was measured are judged by the hours around them."""
    hot = air(temp_c=series(24.0, 40.0, 48))
    felt = series(24.0, 40.0, 48).copy()
    felt[-20:-12] = np.nan
    silent = air(temp_c=felt)
    assert measure(hot, [silent, silent, silent], Factor.HOT).harm < 0.1


def test_order_in_time():
    """What ended weeks before counts little, what ended within the week in full."""
    strain = np.zeros(HOURS)
    strain[:24] = 10.0
    late = np.roll(strain, HOURS - 5 * 24)
    assert timed_harm(strain, Factor.COLD)[0] < 0.02
    assert timed_harm(late, Factor.COLD)[0] > 0.99


def test_every_dose_names_what_it_rests_on():
    """A study or 'common practice' for each factor of the air."""
    assert set(HARM_DOSE) == set(AIR_FACTORS)
    assert all(
        "common practice" in dose.source or "19" in dose.source or "20" in dose.source for dose in HARM_DOSE.values()
    )


def test_heat_counts_by_its_steepness():
    """Ten times as long for every 6 °C less: an hour at 8 °C above does what ten hours at 2 °C do."""
    hour = measure(air(temp_c=series(24.0, 42.5, 1)), [], Factor.HOT).harm
    ten = measure(air(temp_c=series(24.0, 36.5, 10)), [], Factor.HOT).harm
    assert hour == pytest.approx(ten, abs=0.05)
    assert hour == pytest.approx(1 - np.exp(-1), abs=0.05)


def test_cold_air_is_damp_without_water():
    """A nest that chills to saturation is not flooded; one that is saturated at its usual temperature is."""
    chilled = air(temp_c=series(24.0, 8.0, 96), rh_pct=series(80.0, 100.0, 96))
    flooded = air(rh_pct=series(80.0, 100.0, 96))
    siblings = [air(rh_pct=80.0) for _ in range(4)]
    assert measure(chilled, siblings, Factor.WET).harm < 0.1
    assert measure(flooded, siblings, Factor.WET).harm > 0.8


def test_damp_before_it_dried_is_not_wet():
    """A nest that dries was no wetter before than it always was; one that was flooded and then dried was."""
    siblings = [air(rh_pct=96.0) for _ in range(4)]
    assert measure(air(rh_pct=series(98.5, 78.0, 8 * 24)), siblings, Factor.WET).harm < 0.05
    flooded = np.where(
        np.arange(HOURS) < HOURS - 12 * 24, 85.0, np.where(np.arange(HOURS) < HOURS - 5 * 24, 100.0, 80.0)
    )
    assert measure(air(rh_pct=flooded), siblings, Factor.WET).harm > 0.8


def swinging(period_h, reach_c, minutes=5, last_d=6):
    """A nest whose temperature goes to and fro at the end: what is stored of it hour by hour."""
    at_h = np.arange(0, HOURS, minutes / 60)
    wave = np.where(at_h >= HOURS - last_d * 24, reach_c * np.sin(2 * np.pi * (at_h + 0.01) / period_h), 0.0)
    read = (24.0 + wave).reshape(HOURS, -1)
    return dataclasses.replace(air(), temp_c=read.mean(axis=1), low_c=read.min(axis=1), high_c=read.max(axis=1))


@pytest.mark.parametrize("period_h", [1 / 3, 2 / 3, 1.0, 2.0, 6.0, 24.0])
def test_swing_is_seen_however_quick(period_h):
    """Ten degrees to and fro: a thermostat that switches within the hour harms as much as one that switches twice a day."""
    nest, siblings = swinging(period_h, 5.0 if period_h < 20 else 9.0), [air() for _ in range(4)]
    found = measure(nest, siblings, Factor.SWING)
    assert found.harm > 0.9
    turns, both = both_ways(nest, siblings)
    assert turns >= 8
    assert both


def test_turns_are_counted_from_any_start():
    """To and fro around where it began, never a swing away from it, is to and fro all the same."""
    temp = np.where(np.arange(HOURS) >= HOURS - 96, 24.0 + 5.0 * np.where(np.arange(HOURS) // 4 % 2, 1, -1), 24.0)
    nest = dataclasses.replace(air(), temp_c=temp, low_c=temp, high_c=temp)
    assert both_ways(nest, [air() for _ in range(4)])[0] >= 20


def test_opened_once_a_day_is_no_swing():
    """A nest held open in the cold for half an hour is no swinging nest, nor one that warmed up once."""
    low = np.where(np.arange(HOURS) % 24 == 10, 14.0, 24.0)
    opened = dataclasses.replace(air(), low_c=low, temp_c=np.where(low < 20, 21.0, 24.0), high_c=np.full(HOURS, 24.1))
    assert measure(opened, [air() for _ in range(4)], Factor.SWING).harm == 0.0
    assert both_ways(air(temp_c=series(24.0, 40.0, 50)), [air() for _ in range(4)])[0] == 1


def test_broken_probe_is_left_out():
    """Garbage, out of range, stuck: nothing of it stays, and the reason is told."""
    room = RoomAir(np.full(HOURS, 22.0), np.full(HOURS, 1200.0))
    random = np.random.default_rng(3)
    noisy = air()
    low, high = noisy.low_c.copy(), noisy.high_c.copy()
    low[-30:], high[-30:] = -20.0, 55.0
    temp = noisy.temp_c.copy()
    temp[-30:] = random.uniform(20, 50, 30)
    clean, notes = trusted(dataclasses.replace(noisy, temp_c=temp, low_c=low, high_c=high), room)
    assert {one.why for one in notes} == {"noisy"}
    assert np.isnan(clean.temp_c[-30:]).all()
    assert np.isfinite(clean.temp_c[:-30]).all()
    hot = air()
    wild = hot.high_c.copy()
    wild[-20:] = 130.0
    assert {one.why for one in trusted(dataclasses.replace(hot, high_c=wild), room)[1]} == {"out of range"}


def test_coarse_probe_is_not_stuck():
    """A probe of whole per cent repeats itself in good health; one that usually does not, does not."""
    room = RoomAir(np.full(HOURS, 22.0), np.full(HOURS, 1200.0))
    random = np.random.default_rng(5)
    rh = np.round(80.0 + random.normal(0, 0.6, HOURS))
    coarse = dataclasses.replace(air(), rh_pct=rh, temp_c=np.round(24 + random.normal(0, 0.1, HOURS), 1))
    assert trusted(coarse, room)[1] == []
    fine = 80.0 + random.normal(0, 0.6, HOURS)
    fine[-30:] = 80.25
    assert {one.why for one in trusted(dataclasses.replace(air(), rh_pct=fine), room)[1]} == {"stuck"}


def test_probe_moved_into_the_room_and_plug_pulled():
    """The humidity falls at once to the room's: moved. A heated nest that stays warm and keeps part of its vapour: it is its own air."""
    room = RoomAir(np.full(HOURS, 22.0), np.full(HOURS, 1200.0))
    shelf_rh = 100 * 1200.0 / 2643.0
    moved = air(temp_c=22.0, rh_pct=series(85.0, shelf_rh, 100))
    assert {one.why for one in trusted(moved, room)[1]} == {"moved"}
    lost = np.arange(HOURS)
    hub_down = np.where((lost >= HOURS - 104) & (lost < HOURS - 96), np.nan, moved.rh_pct)
    assert "moved" in {one.why for one in trusted(dataclasses.replace(moved, rh_pct=hub_down), room)[1]}
    for left_pct in (52.0, 35.0):  # 35 %: nothing is left of its own vapour, the probe still feels the mat
        warm_open = air(temp_c=27.0, rh_pct=series(80.0, left_pct, 100))
        assert trusted(warm_open, room)[1] == []


def test_two_probes_that_fall_together_were_not_moved():
    """Both ends dry at one hour: the nest was opened. One end alone, or the other days later: that probe was moved."""
    room = RoomAir(np.full(HOURS, 22.0), np.full(HOURS, 1200.0))
    shelf_rh = 100 * 1200.0 / 2643.0

    def ends(wet_h, dry_h):
        wet = air(temp_c=22.0, rh_pct=series(90.0, shelf_rh, wet_h))
        return [wet, air(temp_c=22.0, rh_pct=series(85.0, shelf_rh, dry_h), place=Place.DRY_END)]

    def left_out(places):
        return [bool(notes) for _, notes in trusted_nest(places, room)]

    assert left_out(ends(100, 99)) == [False, False]
    assert left_out(ends(100, 0)) == [True, False]
    assert left_out(ends(150, 60)) == [True, True]


def test_dried_below_the_room():
    """What comes down over a day and ends a little drier than the room's probe says has dried; what falls there at once is a fault."""
    room = RoomAir(np.full(HOURS, 22.0), np.full(HOURS, 1200.0))
    over_a_day = 85.0 - np.clip((np.arange(HOURS) - (HOURS - 96)) * 2.5, 0.0, 60.0)
    assert trusted(air(rh_pct=over_a_day), room)[1] == []
    at_once = series(85.0, 18.0, 72)
    assert "below the room" in {one.why for one in trusted(air(temp_c=27.0, rh_pct=at_once), room)[1]}


def test_last_two_days_must_be_known():
    """Nobody measured the last two days: what killed may lie there, and the climate is not cleared. A cause seen before stands."""
    quiet = dict.fromkeys(Factor, 0.0)
    known = Coverage(0.97, 0.86, 650, 0.86, 0.86, 1.0, 0.6)
    assert decide(quiet, known)[0] == "not_climate"
    assert decide(quiet, dataclasses.replace(known, recent=0.6, last=0.3))[0] == "cannot_tell"
    assert decide(quiet | {Factor.HOT: 0.9}, dataclasses.replace(known, recent=0.6, last=0.3))[0] == "heat"
    blank = np.where(np.arange(HOURS) < HOURS - 30, 80.0, np.nan)
    assert coverage_of([air(rh_pct=blank)]).last == pytest.approx(18 / 48)


def test_without_a_room_probe():
    """A usual room stands in: air halfway down to it is too dry. A mat that comes on moves no probe."""
    dried = with_cotton_limit(air(rh_pct=series(85.0, 52.0, 96)), None)
    assert dried.limits.rh_low_pct[-1] == pytest.approx(65.0, abs=1.0)
    assert measure(dried, [air() for _ in range(4)], Factor.DRY).harm > 0.8
    mat = air(temp_c=series(24.0, 42.0, 30), rh_pct=series(85.0, 50.0, 30))
    assert trusted(mat, None)[1] == []
    assert {one.why for one in trusted(air(rh_pct=series(85.0, 50.0, 30)), None)[1]} == {"moved"}


def test_limit_told_is_the_bands_own():
    """Air mostly beyond the band is told with the band's limit and hours; the cotton's only where the band sees nothing."""
    slowly = 85.0 - np.clip((np.arange(HOURS) - (HOURS - 120)) * 0.5, 0.0, 40.0)
    nest = air(rh_pct=slowly)
    dried = with_cotton_limit(nest, np.full(HOURS, 1200.0))
    [told] = [one for one in exposures_of(dried, {}) if one.factor is Factor.DRY]
    assert told.limit == 55.0
    assert not told.of_cotton
    assert told.hours == (nest.rh_pct < 55.0).sum()
    assert told.worst == pytest.approx(nest.rh_pct.min())
    humid_room = with_cotton_limit(air(rh_pct=series(90.0, 62.0, 96)), np.full(HOURS, 1700.0))
    [told] = [one for one in exposures_of(humid_room, {}) if one.factor is Factor.DRY]
    assert told.of_cotton
    assert told.limit > 62.0
    assert told.hours == 96


def test_hours_of_two_places_are_no_sum():
    """A nest of which both ends were too hot for a day was too hot for a day."""
    both = [air(temp_c=series(24.0, 40.0, 24), place=place) for place in (Place.WET_END, Place.DRY_END)]
    found = [one for each in both for one in exposures_of(each, {})]
    assert sum(one.hours for one in found if one.factor is Factor.HOT) == 48
    assert sum(one.hours for one in at_one_place(found, Factor.HOT)) == 24
    assert {one.place for one in at_one_place(found, Factor.HOT, Place.DRY_END)} == {Place.DRY_END}
    assert at_one_place(found, Factor.COLD) == []


def day(number):
    return START_MS + number * DAY_MS


def test_what_the_keeper_read_decides():
    """Empty or water read while it was dry; water poured that changed nothing; without a journal nothing is claimed."""
    rising = tuple((day(n), min(0.95, 0.05 * n)) for n in range(20))
    assert Water(rising, ((day(12), 0.0),)).empty_when_dried(day(10), day(15)) == (0.97, FOUND_EMPTY)
    assert Water(rising, ((day(12), 3.0),)).empty_when_dried(day(10), day(15))[1] == FOUND_WATER
    assert Water(rising, (), (day(11),)).empty_when_dried(day(10), day(15))[1] == POURED_IN_VAIN
    assert Water().empty_when_dried(day(10), day(15))[0] == 0.0
    assert Water(rising).empty_when_dried(day(15), day(19))[0] > 0.5
    fresh = tuple((day(n), 0.001) for n in range(20))
    assert Water(fresh).empty_when_dried(day(15), day(19))[0] < 0.1


def test_siblings_tell_the_conductance():
    """Two journals of known loss give back the conductance they were made with."""
    from sensord.insight.balance import PowerSeries
    from sensord.insight.ledger import Event, Happening

    power = PowerSeries.bridged(START_MS, np.full(40 * 24, 2.0e8))
    true = 1.0e-9  # m³/s: 0.2 mL a day
    journal = [
        Event(day(1), Happening.FILL, 8.0),
        Event(day(11), Happening.LEVEL, 6.0),
        Event(day(21), Happening.LEVEL, 4.0),
    ]
    said = siblings_say([conductances(journal, power), conductances(journal, power)])
    assert said is not None
    assert np.exp(said[0]) == pytest.approx(true, rel=0.01)
    assert siblings_say([conductances(journal, power)]) is None


@pytest.fixture(scope="module")
def heat_mat_room():
    return make_room("heat", 3, nests=6)


def reviewing_of(room, *more: Entry) -> Reviewing:
    registry = Registry(open_db(":memory:"))
    registry.put_nests(room.nests)
    registry.put_placements(room.placements)
    registry.add_entries([*room.entries, *more])
    return Reviewing(History(HourlyRoom(room), registry), registry, Keeping(LIBRARY))


def test_who_lived_is_asked_as_of_the_instant(heat_mat_room):
    """A sibling that dies two days later counts as alive until its death is known, and no longer as a survivor after."""
    room = heat_mat_room
    later = Entry(room.died_ms + 2 * DAY_MS, "T02", EntryKind.DIED)
    reviewing = reviewing_of(room, later)
    assert reviewing.review("T01", room.died_ms).case.siblings.died == 0
    assert reviewing.review("T01", room.died_ms + DAY_MS).case.siblings.died == 0
    assert reviewing.review("T01", room.died_ms + 3 * DAY_MS).case.siblings.died == 1


def test_nothing_later_changes_an_answer(heat_mat_room):
    """Entries after --at change nothing of the answer as of --at."""
    room = heat_mat_room
    at_ms = room.died_ms
    later = [
        Entry(at_ms + HOUR_MS, "T01", EntryKind.LEVEL, 0.0, "mL"),
        Entry(at_ms + DAY_MS, "T03", EntryKind.DIED),
        Entry(at_ms + DAY_MS, "T04", EntryKind.FILL, 9.0, "mL"),
    ]
    assert reviewing_of(room).review("T01", at_ms).verdict == reviewing_of(room, *later).review("T01", at_ms).verdict


def test_what_is_kept_is_bounded(heat_mat_room):
    """However many windows are asked, no more than a few stay."""
    reviewing = reviewing_of(heat_mat_room)
    for number in range(40):
        reviewing.air(heat_mat_room.nests[0], START_MS + number * DAY_MS, START_MS + (number + 2) * DAY_MS)
    assert max(len(reviewing._limits), len(reviewing._rooms)) <= 32


def test_only_the_room_was_measured(heat_mat_room):
    """The room's probe says little of one nest: coverage is the nest's own, and the words say both."""
    room = dataclasses.replace(heat_mat_room, placements=[one for one in heat_mat_room.placements if one.nest is None])
    found = reviewing_of(room).review("T01", room.died_ms)
    assert found.verdict.cause == "cannot_tell"
    assert found.coverage.window == 0.0
    assert found.coverage.room == pytest.approx(1.0, abs=0.01)
    assert "that of its room 100%" in found.verdict.because


def test_siblings_without_probes_felt_their_room(heat_mat_room):
    """A warm spell of the room is no difference from siblings that lived, though only the dead nest was measured."""
    room = make_room("warm_spell", 3, nests=6)
    own = [one for one in room.placements if one.nest in (None, "T01")]
    found = reviewing_of(dataclasses.replace(room, placements=own)).review("T01", room.died_ms)
    assert found.verdict.cause == "not_climate"


def test_days_compared_are_told(heat_mat_room):
    """Siblings are compared over the last sixty days; a longer review says so."""
    found = reviewing_of(heat_mat_room).review("T01", heat_mat_room.died_ms, 90)
    assert "over the last 60 days" in found.verdict.because
