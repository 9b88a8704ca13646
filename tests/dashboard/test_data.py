"""The door to sensord over a real embedded store."""

from __future__ import annotations

import itertools
import math
from array import array
from datetime import UTC, datetime

import pytest

from dashboard.data import Data, trend_of
from dashboard.nest_data import thinned
from dashboard.pages.nest_now import facts
from dashboard.wall_model import wall_of
from sensord.alarms.watch import standings_of
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from sensord.config import load_config
from sensord.health import Beats
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Reading, Season
from sensord.store.base import Columns
from sensord.store.status import HubStatus, HubStatuses
from sensord.wiring import Room


@pytest.fixture
def kept(tmp_path, clock):
    """A room with two nests, one probe at both ends of the first, an hour of readings that rise by 6 % an hour."""
    (tmp_path / "station.toml").write_text('[station]\nname = "Ant room"\n[broker]\nhost = "127.0.0.1"\n')
    room = Room(load_config(tmp_path), clock)
    now_ms = to_ms(clock.now())
    room.registry.put_nests(
        [Nest(name, NestKind.TUBE, "room", "A", "Lasius niger", reservoir_ml=8) for name in ("A-1", "A-2")]
    )
    room.registry.put_placements(
        [
            Placement("hub-a/wet", "A-1", "room", Place.WET_END, 0),
            Placement("hub-a/dry", "A-1", "room", Place.DRY_END, 0),
            Placement("hub-a/moved", "A-2", "room", Place.WET_END, now_ms - MINUTE_MS),
        ]
    )
    room.store.write(
        [Reading("hub-a/wet", now_ms - ago * MINUTE_MS, 24.0, 76.0 - ago / 10) for ago in range(60, -1, -1)]
        + [Reading("hub-a/dry", now_ms, 22.0, 40.0), Reading("hub-a/moved", now_ms - 5 * MINUTE_MS, 9.0, 9.0)]
    )
    return room


def test_the_wet_end_speaks_for_its_nest_and_shows_its_trend(kept, clock) -> None:
    nests = {now.nest.name: now for now in Data(kept).snapshot().nests}
    air = nests["A-1"].air
    assert (24.0, pytest.approx(76.0, abs=0.01)) == (air.temp_c, air.rh_pct)
    assert pytest.approx(6.0, abs=0.05) == air.rh_trend_pct_h
    assert pytest.approx(0.0, abs=0.05) == air.temp_trend_c_h
    assert nests["A-1"].bands is not None


def test_the_page_says_what_season_the_nest_is_in(kept, clock) -> None:
    """24 °C are too hot in January, and the page says why."""
    clock.advance((datetime(2027, 1, 10, 12, tzinfo=UTC) - clock.now()).total_seconds())
    data = Data(kept)
    now = data.nest("A-1")
    assert "winter_rest" == now.season
    assert "winter rest" in str(facts(now, data.snapshot()))


def test_a_reading_from_before_the_probe_came_here_is_not_shown(kept) -> None:
    moved = next(now for now in Data(kept).snapshot().nests if now.nest.name == "A-2")
    assert moved.placement is not None
    assert moved.air is None


def test_a_dead_nest_leaves_the_wall(kept, clock) -> None:
    kept.registry.add_entries([Entry(to_ms(clock.now()) - 1, "A-2", EntryKind.DIED)])
    assert ["A-1"] == [now.nest.name for now in Data(kept).snapshot().nests]


def test_beats_hubs_and_probes_come_through(kept, clock) -> None:
    now_ms = to_ms(clock.now())
    Beats(kept.connection).beat("record", now_ms, since_ms=now_ms, pid=1)
    HubStatuses(kept.connection).add(HubStatus("hub-a", "down", now_ms, "b", "0.1", 3, now_ms, now_ms))
    data = Data(kept)
    snapshot = data.snapshot()
    assert {"record": now_ms, "watch": None, "serve": None} == {one.name: one.at_ms for one in snapshot.processes}
    assert [("hub-a", "down", 3)] == [(hub.name, hub.state, hub.outbox_rows) for hub in snapshot.hubs]
    assert ["hub-a/dry", "hub-a/moved", "hub-a/wet"] == [probe.name for probe in data.probes()]
    assert "Hub hub-a is down" in wall_of(snapshot).notices[-1]


def test_the_snapshot_is_read_anew_after_a_second(kept, clock) -> None:
    data = Data(kept)
    data.snapshot()
    kept.store.write([Reading("hub-a/wet", to_ms(clock.now()) + 1, 30.0, 70.0)])
    assert 24.0 == data.snapshot().nests[0].air.temp_c
    clock.advance(2)
    assert 30.0 == data.snapshot().nests[0].air.temp_c


def test_history_carries_readings_and_the_journal(kept, clock) -> None:
    now_ms = to_ms(clock.now())
    kept.registry.add_entries([Entry(now_ms - MINUTE_MS, "A-1", EntryKind.FILL, 8.0, "mL", "tap water")])
    history = Data(kept).history("A-1", now_ms - DAY_MS, now_ms + 1)
    assert 61 == len(history.air.rh_pct.at_ms)
    assert ["fill 8 mL: tap water"] == [mark.text for mark in history.marks]
    assert MINUTE_MS == history.air.rh_pct.step_ms


def test_the_outlook_shows_once_it_was_computed(kept, clock) -> None:
    """A tube filled an hour ago with 8 mL: some days left, at most 8 mL."""
    kept.registry.add_entries([Entry(to_ms(clock.now()) - HOUR_MS, "A-1", EntryKind.FILL, 8.0, "mL")])
    data = Data(kept)
    assert data.snapshot().nests[0].water is None
    data.refresh()
    clock.advance(2)
    water = data.snapshot().nests[0].water
    assert 0 < water.days_p10 <= water.days_p50 <= water.days_p90 <= 365
    assert 0 < water.left_ml <= 8.5


class Faulty:
    """A forecast with a fault of ours."""

    def at(self, at_ms: int) -> None:
        raise ZeroDivisionError(at_ms)


def test_a_fault_in_the_outlook_leaves_no_old_days_on_the_wall(kept, clock) -> None:
    kept.registry.add_entries([Entry(to_ms(clock.now()) - DAY_MS, "A-1", EntryKind.FILL, 8.0, "mL")])
    data = Data(kept)
    data.refresh()
    assert next(now for now in data.snapshot().nests if now.nest.name == "A-1").water is not None
    data._room().forecast = Faulty()
    with pytest.raises(ZeroDivisionError):
        data.refresh()
    clock.advance(2)
    assert next(now for now in data.snapshot().nests if now.nest.name == "A-1").water is None


def test_thinning_keeps_means_and_gaps() -> None:
    at = [minute * MINUTE_MS for minute in range(10_000) if not 4_000 <= minute < 5_000]
    columns = Columns(
        array("q", at), array("d", [20.0 + (ms // MINUTE_MS) % 2 for ms in at]), array("d", [50.0] * len(at))
    )
    times, temp, rh, step_ms = thinned(columns, 0, 10_000 * MINUTE_MS)
    assert len(times) <= 1_500
    assert pytest.approx(20.5, abs=0.1) == sum(temp) / len(temp)
    assert {50.0} == set(rh)
    assert any(later - earlier > 2.5 * step_ms for earlier, later in itertools.pairwise(times))


def test_a_trend_needs_twenty_minutes_of_readings() -> None:
    def over(minutes):
        at = array("q", range(0, minutes * MINUTE_MS, MINUTE_MS))
        return trend_of(Columns(at, array("d", [20 + ms / HOUR_MS for ms in at]), array("d", [math.nan] * len(at))))

    assert (None, None) == over(20)
    assert (pytest.approx(1.0), None) == over(30)


def test_a_dead_nest_keeps_its_page_with_the_bands_it_had(kept, clock) -> None:
    died_ms = to_ms(clock.now()) - MINUTE_MS
    before = Data(kept).nest("A-2").bands
    kept.registry.add_entries([Entry(died_ms, "A-2", EntryKind.DIED)])
    gone = Data(kept).nest("A-2")
    assert (died_ms, None, before) == (gone.died_ms, gone.air, gone.bands)
    assert Data(kept).nest("A-9") is None
    assert Data(kept).nest("A-1").died_ms is None


def test_colonies_come_from_nests_and_journal(kept, clock) -> None:
    now_ms = to_ms(clock.now())
    kept.registry.add_entries(
        [
            Entry(now_ms - DAY_MS, "A-1", EntryKind.COUNT, 4, "workers"),
            Entry(now_ms - HOUR_MS, "A-1", EntryKind.COUNT, 9, "workers"),
            Entry(now_ms - 1, "A-2", EntryKind.DIED),
        ]
    )
    one, other = Data(kept).colonies()
    assert ("A-1", 9, now_ms - HOUR_MS, 2, None) == (one.name, one.workers, one.counted_ms, one.counts, one.died_ms)
    assert ("A-2", None, now_ms - 1) == (other.name, other.workers, other.died_ms)


def test_the_round_is_made_beside_the_requests(kept, clock) -> None:
    """The same lines as ``nestclimate round``, as of the refresh; a page never makes them."""
    data = Data(kept)
    assert data.round() is None
    data.refresh()
    made_ms = to_ms(clock.now())
    clock.advance(60)
    found = data.round()
    assert made_ms == found.at_ms
    expected = [(str(line.task), line.nest, line.why) for line in kept.rounds.at(made_ms)]
    assert expected == [(chore.task, chore.nest, chore.why) for chore in found.chores]
    assert {"A-1", "A-2"} <= {chore.nest for chore in found.chores}


def test_bands_are_those_that_were_in_force_then(kept, clock) -> None:
    """Over a year: winter rest has another band than the active season; from the death on there is none."""
    now_ms = to_ms(clock.now())
    kept.registry.add_entries([Entry(now_ms - 10 * DAY_MS, "A-1", EntryKind.DIED)])
    spans = Data(kept).history("A-1", now_ms - 365 * DAY_MS, now_ms).spans
    assert now_ms - 365 * DAY_MS == spans[0].from_ms
    assert now_ms - 10 * DAY_MS == spans[-1].until_ms
    assert all(one.until_ms == later.from_ms and one.bands != later.bands for one, later in itertools.pairwise(spans))
    standings = standings_of(kept.registry, kept.keeping)
    seasons = {standings.of_nest("A-1", span.from_ms).season: span.bands.temp_c for span in spans}
    assert seasons[Season.WINTER_REST].limit_high < seasons[Season.ACTIVE].limit_high
    for span in spans:
        middle = standings.of_nest("A-1", (span.from_ms + span.until_ms) // 2)
        assert middle.bands == span.bands
