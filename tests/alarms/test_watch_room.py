"""The watch on a real database: from readings in the store to messages in the outbox, over crowds and restarts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from sensord.alarms.conditions import Raised, Returned
from sensord.alarms.deliveries import Deliveries
from sensord.alarms.engine import tuning_of
from sensord.alarms.lifecycle import AlarmState
from sensord.alarms.log import AlarmLog
from sensord.alarms.reservoir import DaysLeft
from sensord.alarms.teller import Teller, is_quiet
from sensord.alarms.watch import Watch
from sensord.clock import ManualClock, parse_instant, to_ms
from sensord.db import open_db
from sensord.health import Beats
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Entry, EntryKind, Nest, NestKind, Place, Placement, Priority, Reading
from sensord.settings import AlarmSettings, RouteSettings
from sensord.store.sqlite import SqliteStore

LIBRARY = load_species(None)
FINE = (24.0, 80.0)


@dataclass
class Room:
    """Sixty nests of Lasius niger with a probe each, read once a minute, and a watch that looks every five seconds."""

    path: Path
    clock: ManualClock
    nests: int = 60
    outlook: Callable[[int], dict[str, DaysLeft]] | None = None
    quiet: tuple[str, str] = ("", "")

    def __post_init__(self) -> None:
        self.store = SqliteStore(self.path)
        self.names = [f"T{number}" for number in range(self.nests)]
        registry = Registry(open_db(self.path))
        registry.put_nests([Nest(name, NestKind.TUBE, "cellar", "A", "Lasius niger") for name in self.names])
        registry.put_placements([Placement(f"hub/{n.lower()}", n, "cellar", Place.WET_END, 0) for n in self.names])
        self.open()

    def open(self) -> None:
        self.connection = open_db(self.path)
        self.log, self.deliveries = AlarmLog(self.connection), Deliveries(self.connection)
        routes = [RouteSettings("phone"), RouteSettings("siren", priorities=("high",))]
        teller = Teller(
            self.log, self.deliveries, routes, ZoneInfo("Europe/Lisbon"), "http://wall.example/", quiet=self.quiet,
            remind_ms=3_600_000,
        )  # fmt: skip
        keeping = Keeping(LIBRARY, "north", UTC)
        self.watch = Watch(
            self.store, Registry(self.connection), self.connection, teller, self.clock, keeping,
            tuning_of(AlarmSettings()), outlook=self.outlook,
        )  # fmt: skip

    def restart(self) -> None:
        self.connection.close()
        self.open()

    def minutes(
        self, count: int, values: dict[str, tuple[float, float]] | None = None, *, silent: bool = False
    ) -> None:
        for number in range(count):
            self.clock.advance(60)
            at_ms = to_ms(self.clock.now())
            if not silent:
                self.store.write([self.reading(name, at_ms, number, values or {}) for name in self.names])
            self.watch.cycle()
            self.clock.advance(5)
            self.watch.cycle()
            self.clock.advance(-5)

    def reading(self, name: str, at_ms: int, number: int, values: dict[str, tuple[float, float]]) -> Reading:
        temp_c, rh_pct = values.get(name, FINE)
        return Reading(f"hub/{name.lower()}", at_ms, temp_c + number % 7 / 1000, rh_pct)

    def messages(self) -> list[tuple[str, str]]:
        return self.connection.execute("SELECT title, body FROM messages ORDER BY at_ms, id").fetchall()


@pytest.fixture
def room(tmp_path: Path, clock: ManualClock) -> Room:
    return Room(tmp_path / "station.db", clock)


def test_a_dry_nest_becomes_one_message_that_says_all_and_an_all_clear(room: Room) -> None:
    room.minutes(5)
    room.minutes(30, {"T7": (24.0, 40.0)})
    room.minutes(30)
    assert [title for title, _ in room.messages()] == ["nest T7: too dry", "Over: nest T7 too dry"]
    body = room.messages()[0][1]
    assert "nest T7 (A, cellar), wet end: 40.0 %RH (limit 55.0 %RH), since 01 Apr 13:21" in body
    assert "First: Look at the reservoir and the cotton" in body
    assert "http://wall.example/nest/T7" in body


def test_a_whole_room_too_hot_is_one_message_and_one_all_clear(room: Room) -> None:
    room.minutes(5)
    room.minutes(10, dict.fromkeys(room.names, (36.0, 80.0)))
    hot = [title for title, _ in room.messages() if "hot" in title]
    assert hot == ["60 nests of rack A in cellar: too hot"]
    room.minutes(20)
    assert [title for title, _ in room.messages() if "hot" in title][1:] == [
        "Over: 60 nests of rack A in cellar too hot"
    ]
    assert len(room.log.since(0)) >= 60


def test_nests_that_get_hot_one_by_one_never_flood_the_keeper(room: Room) -> None:
    """A flood begins above ten alarms in ten minutes (ANSI/ISA-18.2): the messages stay below."""
    room.minutes(5)
    for number in range(40):
        room.minutes(1, dict.fromkeys(room.names[: number + 1], (36.0, 80.0)))
    at_ms = [row[0] for row in room.connection.execute("SELECT at_ms FROM messages ORDER BY at_ms")]
    assert max(sum(0 <= other - each < 600_000 for other in at_ms) for each in at_ms) <= 10
    told = {row[0] for row in room.connection.execute("SELECT alarm FROM message_alarms")}
    waiting = {alarm for _, _, alarm in room.deliveries.news()}
    assert {alarm.id for alarm in room.log.since(0)} == told | waiting


def test_very_hot_goes_to_every_route_that_wants_high(room: Room) -> None:
    room.minutes(5)
    room.minutes(2, {"T1": (39.0, 80.0)})
    title = next(title for title, _ in room.messages() if "hot" in title)
    assert title == "URGENT: nest T1: too hot"
    assert room.deliveries.waiting()["siren"] == 1


def test_a_restart_in_the_middle_of_a_delay_tells_once_and_in_time(room: Room) -> None:
    room.minutes(5)
    for _ in range(30):
        room.minutes(1, {"T7": (24.0, 40.0)})
        room.restart()
    alarms = room.log.since(0)
    assert [(alarm.kind, (alarm.raised_ms - to_ms(room.clock.now())) // 60_000) for alarm in alarms] == [
        (AlarmKind.DRY, -14)
    ]
    assert len(room.messages()) == 1


def test_after_an_outage_of_the_watch_old_readings_raise_nothing(room: Room) -> None:
    """Six hours nobody watched: the nest was dry for two of them and is fine again."""
    room.minutes(5)
    for number in range(360):
        room.clock.advance(60)
        values = {"T7": (24.0, 30.0)} if 60 < number < 180 else {}
        room.store.write([room.reading(name, to_ms(room.clock.now()), number, values) for name in room.names])
    room.restart()
    room.minutes(10)
    assert room.log.since(0) == []


def test_a_hub_that_comes_back_with_old_readings_raises_nothing_from_them(room: Room) -> None:
    room.minutes(5)
    start_ms = to_ms(room.clock.now())
    room.minutes(120, silent=True)
    silent = room.log.since(0)
    assert {alarm.kind for alarm in silent} == {AlarmKind.SILENT}
    assert [title for title, _ in room.messages()] == ["60 nests of rack A in cellar: no readings"]
    late = [room.reading("T7", start_ms + number * 60_000, number, {"T7": (50.0, 5.0)}) for number in range(1, 100)]
    room.store.write(late)
    room.minutes(5)
    assert {alarm.kind for alarm in room.log.since(0)} == {AlarmKind.SILENT}
    assert room.log.standing() == []


def test_a_shelved_alarm_is_quiet_until_its_shelf_ends(room: Room) -> None:
    room.minutes(5)
    room.minutes(20, {"T7": (24.0, 40.0)})
    alarm = room.log.active()[0]
    now_ms = to_ms(room.clock.now())
    room.log.shelve(alarm.id, now_ms + 3_600_000, "tube is being changed", "keeper", now_ms)
    room.minutes(30, {"T7": (24.0, 40.0)})
    room.minutes(20)
    room.minutes(5, {"T7": (24.0, 40.0)})
    assert len(room.messages()) == 1
    room.minutes(40, {"T7": (24.0, 40.0)})
    assert [title for title, _ in room.messages()] == ["nest T7: too dry", "nest T7: too dry"]


def test_a_reservoir_due_soon_is_told_from_the_outlook(tmp_path: Path, clock: ManualClock) -> None:
    left = {"T3": DaysLeft(4.0, 6.5)}
    room = Room(tmp_path / "station.db", clock, nests=4, outlook=lambda _at_ms: left)
    room.minutes(5)
    room.restart()
    room.minutes(70)
    left["T3"] = DaysLeft(60.0, 80.0)
    room.minutes(70)
    titles = [title for title, _ in room.messages()]
    assert titles == ["nest T3: reservoir runs dry soon", "Over: nest T3 reservoir runs dry soon"]


def test_the_watch_beats(room: Room) -> None:
    import threading

    stop = threading.Event()
    stop.set()
    room.watch.run(stop)
    room.watch._beat("")
    assert Beats(room.connection).all()["watch"].ok(to_ms(room.clock.now()))


def test_a_probe_that_is_read_hourly_raises_live_as_well(tmp_path: Path, clock: ManualClock) -> None:
    room = Room(tmp_path / "station.db", clock, nests=1)
    for number in range(12):
        clock.advance(3600)
        values = {"T0": (24.0, 40.0)} if number >= 8 else {}
        room.store.write([room.reading("T0", to_ms(clock.now()), number, values)])
        room.watch.cycle()
    assert [alarm.kind for alarm in room.log.since(0)] == [AlarmKind.DRY]


def test_in_quiet_hours_only_what_is_urgent_is_told_and_the_rest_after_them(tmp_path: Path, clock: ManualClock) -> None:
    """Noon UTC is 13:00 in Lisbon in April (summer time); the quiet hours run to 14:00 there."""
    room = Room(tmp_path / "station.db", clock, nests=4, quiet=("22:00", "14:00"))
    room.minutes(5)
    room.minutes(20, {"T1": (24.0, 40.0), "T2": (39.0, 80.0)})
    assert [title for title, _ in room.messages() if "swing" not in title] == ["URGENT: nest T2: too hot"]
    room.minutes(36, {"T1": (24.0, 40.0), "T2": (39.0, 80.0)})
    assert "nest T1: too dry" in [title for title, _ in room.messages()]


def test_a_high_alarm_that_nobody_acknowledges_is_told_again(tmp_path: Path, clock: ManualClock) -> None:
    room = Room(tmp_path / "station.db", clock, nests=1)
    room.minutes(5)
    room.minutes(130, {"T0": (39.0, 80.0)})
    titles = [title for title, _ in room.messages() if "hot" in title]
    assert titles == ["URGENT: nest T0: too hot", "URGENT: nest T0: still too hot", "URGENT: nest T0: still too hot"]
    hot = next(alarm for alarm in room.log.standing() if alarm.kind == AlarmKind.HOT)
    room.log.acknowledge(hot.id, to_ms(clock.now()), "keeper")
    room.minutes(130, {"T0": (39.0, 80.0)})
    assert len([title for title, _ in room.messages() if "hot" in title]) == 3


@pytest.mark.parametrize(
    ("clock_time", "quiet"), [("21:59", False), ("22:00", True), ("23:59", True), ("00:00", True), ("06:59", True), ("07:00", False)]
)  # fmt: skip
def test_quiet_hours_run_over_midnight(clock_time: str, quiet: bool) -> None:
    at_ms = to_ms(parse_instant(f"2026-06-01T{clock_time}:00Z"))
    assert is_quiet(("22:00", "07:00"), at_ms, UTC) == quiet


def test_the_reservoir_of_a_colony_that_died_is_no_alarm_any_more(tmp_path: Path, clock: ManualClock) -> None:
    """Its outlook is no longer made, so that nothing else would end it."""
    left = {"T3": DaysLeft(1.0, 1.5)}
    room = Room(tmp_path / "station.db", clock, nests=4, outlook=lambda _at_ms: left)
    room.minutes(5)
    died = Entry(to_ms(clock.now()), "T3", EntryKind.DIED)
    Registry(room.connection).add_entries([died])
    left.clear()
    room.minutes(5)
    assert [alarm for alarm in room.log.standing() if alarm.kind == AlarmKind.RESERVOIR] == []


def test_a_clock_that_goes_back_evaluates_no_reading_twice_and_loses_no_alarm(
    tmp_path: Path, clock: ManualClock
) -> None:
    """Dry at noon and well again, told; then the clock goes back an hour and the nest is dry at the very same instants."""
    room = Room(tmp_path / "station.db", clock, nests=1)
    room.minutes(5)
    room.minutes(20, {"T0": (24.0, 40.0)})
    room.minutes(35)
    told = [title for title, _ in room.messages()]
    assert told == ["nest T0: too dry", "Over: nest T0 too dry"]
    clock.step(-3600)
    room.watch.cycle()
    room.minutes(2)
    assert [title for title, _ in room.messages()] == told
    room.minutes(5)
    room.minutes(30, {"T0": (24.0, 39.0)})
    assert [alarm.kind for alarm in room.log.standing()] == [AlarmKind.DRY]


def test_an_alarm_raised_at_the_instant_of_one_that_is_over_is_another_one(tmp_path: Path, clock: ManualClock) -> None:
    """As after a clock that went back; while the first stands, the same again is the same alarm."""
    log = Room(tmp_path / "station.db", clock, nests=1).log
    raised = Raised("hub/t0", "T0", AlarmKind.DRY, Priority.MEDIUM, 1_000_000, 40.0, 55.0)
    assert log.take(raised, None) is not None
    assert log.take(raised, None) is None
    log.take(Returned("hub/t0", "T0", AlarmKind.DRY, 2_000_000, 40.0), None)
    again = log.take(raised, None)
    assert again is not None
    assert len({alarm.id for alarm in log.since(0)}) == 2
    assert [alarm.raised_ms for alarm in log.standing()] == [1_000_001]


def test_what_grows_worse_on_its_shelf_stays_there(room: Room) -> None:
    room.minutes(5)
    room.minutes(5, {"T1": (34.5, 80.0)})
    (alarm,) = [each for each in room.log.standing() if each.kind == AlarmKind.HOT]
    now_ms = to_ms(room.clock.now())
    room.log.shelve(alarm.id, now_ms + 3_600_000, "mat is being changed", "keeper", now_ms)
    room.minutes(5, {"T1": (39.0, 80.0)})
    after = room.log.get(alarm.id)
    assert (after.priority, after.aside) == (Priority.HIGH, AlarmState.SHELVED)
    assert [title for title, _ in room.messages() if "hot" in title] == ["nest T1: too hot"]
