"""Series of places and rooms: placements followed, calibrations applied, nothing of after the question."""

from __future__ import annotations

import math

import pytest

from sensord.air.moist_air import vapour_pa
from sensord.clock import DAY_MS, HOUR_MS
from sensord.db import open_db
from sensord.insight.history import History
from sensord.keeping.registry import Registry
from sensord.model import Place, Placement, Reading
from sensord.store.memory import MemoryStore

DAY_0 = 1_767_225_600_000


class TwoWarmer:
    """A calibration: this probe reads 2 °C too low."""

    def apply(self, probe, at_ms, temp_c, rh_pct):
        return (temp_c + 2.0 if probe == "hub/a" else temp_c), rh_pct

    def version(self):
        return "two warmer"


@pytest.fixture
def registry():
    return Registry(open_db(":memory:"))


@pytest.fixture
def store():
    return MemoryStore()


def write(store, probe, first_h, last_h, temp_c=20.0, rh_pct=50.0):
    store.write([Reading(probe, DAY_0 + h * HOUR_MS // 2, temp_c, rh_pct) for h in range(2 * first_h, 2 * last_h)])


def test_a_place_shows_each_probe_only_while_it_sat_there(store, registry):
    """Probe a moves from one nest to another; b takes its place; each nest's past stays true."""
    write(store, "hub/a", 0, 48, 21.0)
    write(store, "hub/b", 0, 48, 25.0)
    move = DAY_0 + DAY_MS
    registry.put_placements([
        Placement("hub/a", "N 1", "r", Place.WET_END, DAY_0, move),
        Placement("hub/a", "N 2", "r", Place.WET_END, move),
        Placement("hub/b", "N 1", "r", Place.WET_END, move),
    ])  # fmt: skip
    history = History(store, registry)
    one = history.place_series("N 1", Place.WET_END, DAY_0, DAY_0 + 2 * DAY_MS)
    assert list(one.temp_c) == [21.0] * 48 + [25.0] * 48
    assert list(one.at_ms) == sorted(one.at_ms)
    assert set(history.place_series("N 2", Place.WET_END, DAY_0, DAY_0 + 2 * DAY_MS).at_ms) == set(one.at_ms[48:])
    hours = history.place_hours("N 1", [Place.WET_END, Place.DRY_END], DAY_0, DAY_0 + 2 * DAY_MS)
    assert hours.temp_c.tolist() == [21.0] * 24 + [25.0] * 24


def test_an_hour_in_which_a_probe_moved_counts_for_neither_place(store, registry):
    """Half an hour here and half an hour there is no hourly mean of either."""
    write(store, "hub/a", 0, 4)
    move = DAY_0 + HOUR_MS + HOUR_MS // 2
    registry.put_placements([
        Placement("hub/a", "N 1", "r", Place.WET_END, DAY_0, move), Placement("hub/a", "N 2", "r", Place.WET_END, move)
    ])  # fmt: skip
    history = History(store, registry)
    first, second = (
        history.place_hours(nest, [Place.WET_END], DAY_0, DAY_0 + 4 * HOUR_MS).measured for nest in ("N 1", "N 2")
    )
    assert first.tolist() == [True, False, False, False]
    assert second.tolist() == [False, False, True, True]


def test_calibration_mends_raw_and_hourly_series_alike(store, registry):
    """Stored raw, calibrated on reading back."""
    write(store, "hub/a", 0, 2, 20.0)
    registry.put_placements([Placement("hub/a", "N 1", "r", Place.WET_END, DAY_0)])
    history = History(store, registry, TwoWarmer())
    assert list(history.place_series("N 1", Place.WET_END, DAY_0, DAY_0 + 2 * HOUR_MS).temp_c) == [22.0] * 4
    hours = history.place_hours("N 1", [Place.WET_END], DAY_0, DAY_0 + 2 * HOUR_MS)
    assert hours.temp_c.tolist() == [22.0, 22.0]
    assert hours.vapour_pa.tolist() == pytest.approx([float(vapour_pa(22.0, 50.0))] * 2)


def test_a_room_is_the_mean_of_its_probes_and_no_other_rooms(store, registry):
    """Two room probes are averaged; where one is silent the other speaks; holes stay holes."""
    write(store, "hub/a", 0, 3, 20.0)
    write(store, "hub/b", 0, 2, 24.0)
    write(store, "hub/c", 0, 3, 30.0)
    registry.put_placements([
        Placement("hub/a", None, "r", Place.ROOM, DAY_0), Placement("hub/b", None, "r", Place.ROOM, DAY_0),
        Placement("hub/c", None, "other", Place.ROOM, DAY_0),
    ])  # fmt: skip
    temp_c = History(store, registry).room_hours("r", DAY_0, DAY_0 + 4 * HOUR_MS).temp_c.tolist()
    assert temp_c[:3] == [22.0, 22.0, 20.0]
    assert math.isnan(temp_c[3])


def test_the_hour_that_is_not_over_is_left_out(store, registry):
    """Asked in the middle of an hour, its later half must not leak in through the hour's mean."""
    write(store, "hub/a", 0, 3)
    registry.put_placements([Placement("hub/a", None, "r", Place.ROOM, DAY_0)])
    hours = History(store, registry).room_hours("r", DAY_0, DAY_0 + HOUR_MS + 60_000)
    assert len(hours.temp_c) == 1


def test_a_place_without_a_probe_is_blank(store, registry):
    """No placement, no readings: an empty series, not an error."""
    history = History(store, registry)
    assert len(history.place_series("N 9", Place.WET_END, DAY_0, DAY_0 + DAY_MS)) == 0
    assert not history.place_hours("N 9", [Place.WET_END], DAY_0, DAY_0 + DAY_MS).measured.any()


def test_steps_are_means_and_extremes_of_the_hours_a_probe_sat_there(store, registry):
    """Probe a (read 2 °C too low) until noon, then b: each step of six hours is as the probe of that time had it, calibrated."""
    write(store, "hub/a", 0, 24, 20.0, 60.0)
    write(store, "hub/b", 0, 24, 25.0, 70.0)
    store.write([Reading("hub/a", DAY_0 + 4 * HOUR_MS + 1, 30.0, 90.0)])
    noon = DAY_0 + 12 * HOUR_MS
    registry.put_placements([
        Placement("hub/a", "N 1", "r", Place.WET_END, DAY_0, noon), Placement("hub/b", "N 1", "r", Place.WET_END, noon),
        Placement("hub/c", None, "r", Place.ROOM, DAY_0), Placement("hub/d", None, "r", Place.ROOM, DAY_0),
    ])  # fmt: skip
    history = History(store, registry, TwoWarmer())
    found = history.place_steps("N 1", Place.WET_END, DAY_0 + HOUR_MS, DAY_0 + 30 * HOUR_MS, 6)
    assert (6, 5) == found.shape
    first_mean_c = (12 * 20.0 + 30.0) / 13 + 2.0
    assert [pytest.approx(first_mean_c), 22.0, 25.0, 25.0] == found[0, :4].tolist()
    assert [22.0, 32.0, 60.0, 90.0] == found[2:, 0].tolist()
    assert math.isnan(found[0, 4])
    write(store, "hub/c", 0, 24, 18.0)
    write(store, "hub/d", 6, 12, 20.0)
    room = history.room_steps("r", DAY_0, DAY_0 + DAY_MS, 6)
    assert [18.0, 19.0, 18.0, 18.0] == room[0].tolist()
    assert history.room_steps("nowhere", DAY_0, DAY_0 + DAY_MS, 6).shape == (6, 4)
    assert (6, 0) == history.place_steps("N 1", Place.WET_END, DAY_0, DAY_0, 6).shape
