"""The outlook under what really happens: slips of the pen, lost and late readings, moved tubes, foreign probes, questions about the past."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS
from sensord.db import open_db
from sensord.forecast import Forecast
from sensord.insight.history import History
from sensord.insight.outlook import as_json
from sensord.keeping.outlook_cache import OutlookCache
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Reading
from sensord.store.memory import MemoryStore

DAY_0 = 1_767_225_600_000
RATE_ML_DAY, FULL_ML = 0.11, 11.0
DRY_DAY = 1 + FULL_ML / RATE_ML_DAY
TUBE = Nest("A 1", NestKind.TUBE, "r", "top", bore_mm=14, chamber_mm=70, reservoir_ml=11.5, plug=Plug.COTTON)
ROOM_PROBE = Placement("hub/room", None, "r", Place.ROOM, DAY_0)


class Station:
    """The real registry and forecast over a store in memory."""

    def __init__(self) -> None:
        connection = open_db(":memory:")
        self.store, self.registry, self.cache = MemoryStore(), Registry(connection), OutlookCache(connection)
        self.forecast = Forecast(History(self.store, self.registry), self.registry, self.cache)

    def at(self, number: float, name: str = TUBE.name) -> dict:
        """The document's part about one nest."""
        at_ms = day(number)
        found = {one["nest"]: one for one in as_json(self.forecast.at(at_ms), at_ms)["nests"]}[name]
        days = found["days_left"]
        if days is not None:
            assert 0 <= days["p10"] <= days["p50"] <= days["p90"] <= 365
        return found


def day(number: float) -> int:
    return DAY_0 + round(number * DAY_MS)


def entry(number: float, kind: str, amount: float | None = None, nest: str = TUBE.name) -> Entry:
    return Entry(day(number), nest, EntryKind(kind), amount, "mL")


def journal(until: int = 80) -> list[Entry]:
    """A fill on day 1 and a true level every twelfth day."""
    levels = [entry(d, "level", round(FULL_ML - RATE_ML_DAY * (d - 1), 1)) for d in range(12, until, 12)]
    return [entry(1, "fill", FULL_ML), *levels]


def air(first: float, last: float, probe: str = "hub/room", rh_pct: float | None = 50.0, temp_c: float | None = 21.0):
    """A reading every hour."""
    hours = range(day(first) + MINUTE_MS, day(last), HOUR_MS)
    return [Reading(probe, at_ms, temp_c, rh_pct) for at_ms in hours]


@pytest.fixture
def station():
    """One tube, its room's probe, eighty days."""
    made = Station()
    made.registry.put_nests([TUBE])
    made.registry.put_placements([ROOM_PROBE])
    made.registry.add_entries(journal())
    made.store.write(air(0, 80))
    return made


def due(found: dict, now: float) -> float:
    """The day on which it is said to run dry."""
    return now + found["days_left"]["p50"]


def test_the_plain_case_first(station):
    assert due(station.at(80), 80) == pytest.approx(DRY_DAY, abs=4)


@pytest.mark.parametrize(
    "slip",
    [
        entry(70, "level", 115.0),
        entry(70, "level", 16.0),
        entry(70, "level", math.nan),
        entry(70, "level", -3.0),
        entry(1 + 10 / 1440, "fill", FULL_ML),
        entry(1, "fill", FULL_ML + 0.1),
        entry(70, "weigh", 1e9),
        entry(70, "top_up", 0.0),
        entry(50, "fill", math.inf),
    ],
    ids=lambda one: f"{one.kind.value} {one.amount}",
)
def test_one_slip_of_the_pen_moves_the_day_by_days_not_by_weeks(station, slip):
    """More than the tube holds, no number at all, less than nothing, the fill written down twice."""
    try:
        station.registry.add_entries([slip])
    except ValueError:
        return  # the registry refused it already: nothing was kept
    assert due(station.at(80), 80) == pytest.approx(DRY_DAY, abs=8)
    assert station.at(80)["cycles_learned"] == 0


def test_entries_written_down_in_any_order_tell_the_same(station):
    other = Station()
    other.registry.put_nests([TUBE])
    other.registry.put_placements([ROOM_PROBE])
    other.store.write(air(0, 80))
    shuffled = journal()
    random.Random(3).shuffle(shuffled)
    for one in shuffled:
        other.registry.add_entries([one])
        other.at(80)
    assert other.at(80) == station.at(80)


def test_a_journal_of_before_the_first_reading_counts(station):
    """A keeper imports the notes of last year; probes came on day 60."""
    late = Station()
    late.registry.put_nests([TUBE])
    late.registry.put_placements([replace(ROOM_PROBE, since_ms=day(60))])
    late.registry.add_entries(journal())
    late.store.write(air(60, 80))
    assert due(late.at(80), 80) == pytest.approx(DRY_DAY, abs=5)
    assert late.at(80)["basis"] == "room probe"


def test_a_year_without_readings_is_no_year_without_drying(station):
    """The probe was unplugged from day 80 to day 500; the tube filled on day 440 stands where its levels say."""
    station.registry.add_entries([entry(440, "fill", FULL_ML), entry(470, "level", 7.8), entry(495, "level", 5.1)])
    station.store.write(air(500, 510))
    assert due(station.at(510), 510) == pytest.approx(439 + DRY_DAY, abs=10)
    assert station.at(300)["days_left"]["p50"] == 0


def test_a_swapped_probe_starts_its_cotton_anew_and_keeps_the_reservoir(station):
    """Another probe in the same tube from day 40 on: the first one's baseline says nothing about it."""
    station.registry.put_placements([
        Placement("hub/a", TUBE.name, "r", Place.WET_END, DAY_0, day(40), 12.0),
        Placement("hub/b", TUBE.name, "r", Place.WET_END, day(40), None, 40.0),
    ])  # fmt: skip
    station.store.write([*air(0, 40, "hub/a", 91.0), *air(40, 80, "hub/b", 70.0)])
    found = station.at(80)
    assert found["cotton"] == "wet"
    assert due(found, 80) == pytest.approx(DRY_DAY, abs=5)


def test_a_tube_carried_to_another_room_dried_by_the_air_of_each(station):
    """Moved on day 40 into a cellar whose air takes a quarter of that: what was lost before was lost in the old room."""
    station.registry.put_nests([replace(TUBE, room="cellar", rack="", since_ms=day(40))])
    station.registry.put_placements([Placement("hub/cellar", None, "cellar", Place.ROOM, DAY_0)])
    station.store.write(air(0, 80, "hub/cellar", 87.5))
    withdrawn = Station()
    withdrawn.registry.put_nests([TUBE, replace(TUBE, room="cellar", rack="", since_ms=day(40))])
    withdrawn.registry.put_placements([ROOM_PROBE, Placement("hub/cellar", None, "cellar", Place.ROOM, DAY_0)])
    withdrawn.registry.add_entries(journal(40))
    withdrawn.store.write([*air(0, 80), *air(0, 80, "hub/cellar", 87.5)])
    left = FULL_ML - 39 * RATE_ML_DAY - 40 * RATE_ML_DAY / 4
    found = withdrawn.at(80)
    assert found["water_left_ml"]["p50"] == pytest.approx(left, abs=0.5)
    assert found["days_left"]["p50"] == pytest.approx(left / RATE_ML_DAY * 4, rel=0.15)
    assert withdrawn.at(39)["days_left"]["p50"] == pytest.approx(DRY_DAY - 39, rel=0.15)


def test_a_room_probe_that_tells_temperature_alone_is_no_basis(station):
    """Without humidity nothing tells what the air takes: the journal alone remains."""
    warm = Station()
    warm.registry.put_nests([TUBE])
    warm.registry.put_placements([ROOM_PROBE])
    warm.registry.add_entries(journal())
    warm.store.write(air(0, 80, rh_pct=None))
    assert warm.at(80)["basis"] == "none"
    assert due(warm.at(80), 80) == pytest.approx(DRY_DAY, abs=5)


def test_a_clock_that_jumped_ahead_and_back_spoils_nothing(station):
    """Readings dated a year ahead wait there; the same hours told twice count once."""
    before = station.at(80)
    station.store.write(air(445, 450, rh_pct=20.0))
    station.store.write(air(70, 80))
    assert station.at(80) == before


def test_nothing_is_known_of_a_nest_that_was_given_another_name(station):
    """A name is a nest: the new one begins with nothing, the old one stays."""
    station.registry.put_nests([replace(TUBE, name="A 1 b", since_ms=day(50))])
    assert station.at(80, "A 1 b")["days_left"] is None
    assert station.at(80)["days_left"] is not None


def test_asking_about_the_past_leaves_what_was_learned_where_it_is(station):
    """A chart of last month must not throw the station's checkpoints back."""
    station.at(80)
    kept = station.cache.all()
    station.at(30)
    assert station.cache.all() == kept


@pytest.mark.parametrize("cut", [13.0, 36.51, 61.999, 77.25])
def test_as_of_an_instant_nothing_later_counts(station, cut):
    """Readings, entries, placements and moves of after it may be there or not: the answer is the same to the last digit."""
    station.registry.put_nests([replace(TUBE, room="cellar", since_ms=day(78))])
    station.registry.put_placements([
        Placement("hub/a", TUBE.name, "r", Place.WET_END, day(20), None, 12.0),
        Placement("hub/cellar", None, "cellar", Place.ROOM, day(78)),
    ])  # fmt: skip
    station.registry.add_entries([entry(79, "fill", FULL_ML)])
    station.store.write(air(20, 80, "hub/a", 91.0))
    then = Station()
    then.registry.put_nests([TUBE])
    then.registry.put_placements(
        [ROOM_PROBE] + [Placement("hub/a", TUBE.name, "r", Place.WET_END, day(20), None, 12.0)] * (cut > 20)
    )
    then.registry.add_entries([one for one in journal() if one.at_ms <= day(cut)])
    known = [*air(0, 80), *air(20, 80, "hub/a", 91.0)]
    then.store.write([one for one in known if one.at_ms < day(cut)])
    assert station.at(cut) == then.at(cut)
    station.at(80)
    assert station.at(cut) == then.at(cut)


def test_a_heated_nest_stays_heated_after_its_probe_left():
    """Its probe, 8 °C above the room, moved on on day 30, the last level was then: week by week or anew, it dries as before."""
    heated = Station()
    heated.registry.put_nests([TUBE])
    heated.registry.put_placements(
        [ROOM_PROBE, Placement("hub/a", TUBE.name, "r", Place.DRY_END, day(1), day(30), 50.0)]
    )
    heated.registry.add_entries([each for each in journal() if each.at_ms < day(30)])
    heated.store.write([*air(0, 80), *air(1, 30, "hub/a", 60.0, 29.0)])
    for number in range(20, 79, 7):
        heated.at(number)
    gone_on = heated.at(79)
    heated.cache.forget()
    anew = heated.at(79)
    assert gone_on["water_left_ml"]["p50"] == pytest.approx(FULL_ML - 78 * RATE_ML_DAY, abs=1.0)
    assert gone_on["days_left"] == pytest.approx(anew["days_left"], rel=0.03)  # eight checkpoints round


def test_what_was_learned_with_later_readings_is_not_used_for_an_earlier_instant(station):
    """A day without readings is bridged by the week after it: as of an instant in that week, only by what was known then."""
    made, then = Station(), Station()
    for one, last in ((made, 80), (then, 45)):
        one.registry.put_nests([TUBE])
        one.registry.put_placements([ROOM_PROBE])
        one.registry.add_entries([each for each in journal() if each.at_ms <= day(last)])
        readings = [*air(0, 40), *air(41, 46), *air(46, 80, rh_pct=20.0)]
        one.store.write([each for each in readings if each.at_ms < day(last)])
    made.at(51)
    assert made.at(45) == then.at(45)
