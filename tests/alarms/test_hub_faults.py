"""What hubs say of themselves and their probes, through the watch on a real database."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from sensord.alarms.deliveries import Deliveries
from sensord.alarms.engine import tuning_of
from sensord.alarms.lifecycle import AlarmState
from sensord.alarms.log import AlarmLog
from sensord.alarms.teller import Teller
from sensord.alarms.watch import Watch
from sensord.clock import ManualClock, to_ms
from sensord.db import open_db
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.link.status import Status, encode_status
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Priority, Reading
from sensord.settings import AlarmSettings, RouteSettings
from sensord.store.sqlite import SqliteStore
from sensord.store.status import HubStatuses, decode_status

LIBRARY = load_species(None)
ABSENT = "probe hub-a/p1 does not answer at 0x44; check its plug, its cable and its address"


class HubRoom:
    """Two rooms on one hub, a probe a nest, read once a minute; the hub's status goes the way it goes in the recorder."""

    def __init__(self, path: Path, clock: ManualClock, nests: int = 60) -> None:
        self.path, self.clock = path, clock
        self.store = SqliteStore(path)
        self.numbers = range(nests)
        registry = Registry(open_db(path))
        rooms = ["cellar" if number % 2 else "loft" for number in self.numbers]
        nest_rows = [Nest(f"T{n}", NestKind.TUBE, rooms[n], "A", "Lasius niger") for n in self.numbers]
        registry.put_nests(nest_rows)
        registry.put_placements([
            Placement(f"hub-a/p{n}", f"T{n}", rooms[n], Place.WET_END, 0) for n in self.numbers
        ])  # fmt: skip
        self.open()

    def open(self) -> None:
        """A new process of the watch."""
        self.connection = open_db(self.path)
        self.log, self.statuses = AlarmLog(self.connection), HubStatuses(self.connection)
        teller = Teller(self.log, Deliveries(self.connection), [RouteSettings("phone")], UTC, "http://wall.example")
        self.watch = Watch(
            self.store, Registry(self.connection), self.connection, teller, self.clock,
            Keeping(LIBRARY, "north", UTC), tuning_of(AlarmSettings()), hubs=self.statuses.all,
        )  # fmt: skip

    def says(self, state: str = "up", **faults: str) -> None:
        """The hub publishes its status."""
        now_ms = to_ms(self.clock.now())
        lines = {f"hub-a/{probe}": line for probe, line in faults.items()}
        payload = encode_status(Status(state, now_ms, "boot", "1", faults=lines))
        self.statuses.add(decode_status("hub-a", payload, now_ms))

    def minutes(self, count: int, *, without: tuple[int, ...] = ()) -> None:
        """Readings of all but some probes, and the watch's looks at them."""
        for number in range(count):
            self.clock.advance(60)
            at_ms = to_ms(self.clock.now())
            self.store.write([
                Reading(f"hub-a/p{n}", at_ms, 24 + number % 7 / 1000, 80.0) for n in self.numbers if n not in without
            ])  # fmt: skip
            self.watch.cycle()
            self.clock.advance(5)
            self.watch.cycle()
            self.clock.advance(-5)

    def messages(self) -> list[tuple[str, str]]:
        return self.connection.execute("SELECT title, body FROM messages ORDER BY at_ms, id").fetchall()


@pytest.fixture
def room(tmp_path: Path, clock: ManualClock) -> HubRoom:
    return HubRoom(tmp_path / "station.db", clock)


def test_an_absent_probe_is_one_faulty_alarm_with_the_hubs_own_words(room: HubRoom) -> None:
    """Not a silent one beside it; told within six minutes, and over ten minutes after it answers again."""
    room.minutes(5)
    start_ms = to_ms(room.clock.now())
    room.says(p1=ABSENT)
    room.minutes(40, without=(1,))
    (alarm,) = room.log.since(0)
    assert (alarm.kind, alarm.nest, alarm.priority) == (AlarmKind.FAULTY, "T1", Priority.MEDIUM)
    assert alarm.raised_ms - start_ms <= 6 * 60_000
    (message,) = room.messages()
    assert message[0] == "nest T1: probe faulty"
    assert f"From the hub: {ABSENT}" in message[1]
    room.says()
    room.minutes(15)
    assert room.log.standing() == []
    assert [title for title, _ in room.messages()][1:] == ["Over: nest T1 probe faulty"]


def test_a_doubtful_probe_that_is_still_read_is_a_low_alarm(room: HubRoom) -> None:
    room.minutes(5)
    room.says(p2="probe hub-a/p2 has been at 99.5 %RH or above for a quarter of an hour at 0x44")
    room.minutes(10)
    (alarm,) = room.log.since(0)
    assert (alarm.kind, alarm.priority) == (AlarmKind.FAULTY, Priority.LOW)
    assert "99.5 %RH" in alarm.detail


def test_a_fault_that_comes_and_goes_raises_nothing(room: HubRoom) -> None:
    """One wrong checksum in a scan now and then is no alarm: the readings between show that the probe works."""
    room.minutes(5)
    for _ in range(10):
        room.says(p1="probe hub-a/p1 answers with wrong checksums")
        room.minutes(2)
        room.says()
        room.minutes(1)
    assert room.log.since(0) == []


def test_a_hub_that_is_off_is_told_within_five_minutes_and_its_probes_silence_is_suppressed(room: HubRoom) -> None:
    """One message at its last will, an urgent one once nobody has seen the nests for a quarter of an hour, one all-clear.
    The sixty probes' own silence stands in the log, suppressed by design (ANSI/ISA-18.2), and is never told."""
    room.minutes(5)
    room.says("down")
    down_ms = to_ms(room.clock.now())
    room.minutes(40, without=tuple(room.numbers))
    (hub,) = [alarm for alarm in room.log.since(0) if alarm.hub]
    assert (hub.hub, hub.kind, hub.raised_ms - down_ms) == ("hub-a", AlarmKind.SILENT, 300_000)
    silent = [alarm for alarm in room.log.standing() if alarm.probe]
    assert {(alarm.kind, alarm.state) for alarm in silent} == {(AlarmKind.SILENT, AlarmState.SUPPRESSED)}
    assert len(silent) == 60
    assert room.log.transitions(silent[0].id)[0].because == "hub hub-a is down"
    assert [title for title, _ in room.messages()] == ["hub hub-a: no readings", "URGENT: hub hub-a: no readings"]
    body = room.messages()[0][1]
    assert "Hub hub-a: it is off or cannot reach the broker; 60 probes are not read" in body
    assert "First: Check hub hub-a: its power" in body
    told_ms = room.connection.execute("SELECT min(at_ms) FROM messages").fetchone()[0]
    assert told_ms - down_ms <= 315_000
    room.says()
    room.minutes(30)
    assert [title for title, _ in room.messages()][2:] == ["Over: hub hub-a no readings"]
    assert room.log.standing() == []
    assert {alarm.state for alarm in room.log.since(0) if alarm.probe} == {AlarmState.NORMAL}


def test_a_short_restart_of_a_hub_tells_nothing(room: HubRoom) -> None:
    room.minutes(5)
    room.says("down")
    room.minutes(4, without=tuple(room.numbers))
    room.says()
    room.minutes(20)
    assert room.log.since(0) == []


def test_a_probe_that_does_not_come_back_with_its_hub_is_told_by_itself(room: HubRoom) -> None:
    room.minutes(5)
    room.says("down")
    room.minutes(30, without=tuple(room.numbers))
    room.says()
    room.minutes(14, without=(7,))
    assert not any("T7" in title for title, _ in room.messages())
    room.minutes(10, without=(7,))
    assert [title for title, _ in room.messages()][2:] == ["Over: hub hub-a no readings", "nest T7: still no readings"]
    (alarm,) = room.log.standing()
    assert (alarm.nest, alarm.state) == ("T7", AlarmState.UNACKNOWLEDGED)
    assert [step.what for step in room.log.transitions(alarm.id)] == ["raised", "brought_back"]


def test_a_hub_is_told_once_over_restarts_of_the_watch(room: HubRoom) -> None:
    room.minutes(5)
    room.says("down")
    for _ in range(12):
        room.minutes(1, without=tuple(room.numbers))
        room.connection.close()
        room.open()
    assert [title for title, _ in room.messages()] == ["hub hub-a: no readings"]
    room.says()
    room.connection.close()
    room.open()
    room.minutes(5)
    assert [title for title, _ in room.messages()] == ["hub hub-a: no readings", "Over: hub hub-a no readings"]
    assert len([alarm for alarm in room.log.since(0) if alarm.hub]) == 1


def test_a_last_will_that_comes_late_is_not_believed_while_the_readings_go_on(room: HubRoom) -> None:
    """A hub that took over its own half-open connection may be followed by the will of the old one."""
    room.minutes(5)
    room.says("down")
    room.minutes(30)
    assert room.log.since(0) == []


def test_a_hub_that_reads_no_probe_is_not_missed(room: HubRoom, clock: ManualClock) -> None:
    """It was taken down for good: its placements have ended."""
    room.minutes(5)
    registry, now_ms = Registry(room.connection), to_ms(clock.now())
    registry.put_placements([replace(each, until_ms=now_ms) for each in registry.placements()])
    room.minutes(2)
    room.says("down")
    room.minutes(30, without=tuple(room.numbers))
    assert room.log.since(0) == []


def test_a_faulty_probe_raises_no_alarm_of_humidity_but_heat_is_told(room: HubRoom) -> None:
    """At 100 %RH for hours nobody can say how wet it is there; how hot it is, one can."""
    room.minutes(5)
    room.says(p2="probe hub-a/p2 has been at 99.5 %RH or above for a quarter of an hour at 0x44")
    room.minutes(10)
    for number in range(60):
        room.clock.advance(60)
        wet = Reading("hub-a/p2", to_ms(room.clock.now()), 36.0 + number % 7 / 1000, 40.0)
        room.store.write([wet])
        room.watch.cycle()
    states = {alarm.kind: alarm.state for alarm in room.log.standing() if alarm.probe == "hub-a/p2"}
    assert states == {
        AlarmKind.FAULTY: AlarmState.UNACKNOWLEDGED,
        AlarmKind.HOT: AlarmState.UNACKNOWLEDGED,
        AlarmKind.DRY: AlarmState.SUPPRESSED,
    }
    assert not any("dry" in title for title, _ in room.messages())


def test_a_bus_held_low_is_one_message_for_all_its_probes(room: HubRoom) -> None:
    room.minutes(5)
    room.says(**{f"p{n}": f"probe hub-a/p{n} cannot be reached: the bus is held low" for n in room.numbers})
    room.minutes(30, without=tuple(room.numbers))
    assert {alarm.kind for alarm in room.log.since(0)} == {AlarmKind.FAULTY}
    assert [title for title, _ in room.messages()] == ["60 nests of hub hub-a: probe faulty"]


def test_restarts_of_the_watch_neither_lose_nor_repeat_a_reported_fault(room: HubRoom) -> None:
    room.minutes(5)
    room.says(p1=ABSENT)
    for _ in range(12):
        room.minutes(1, without=(1,))
        room.connection.close()
        room.open()
    room.minutes(20, without=(1,))
    assert [alarm.kind for alarm in room.log.since(0)] == [AlarmKind.FAULTY]
    room.connection.close()
    room.open()
    room.says()
    room.minutes(15)
    assert room.log.standing() == []
    assert len(room.messages()) == 2


def test_a_hub_speaks_of_its_own_probes_only() -> None:
    payload = b'{"state": "up", "faults": {"hub-b/p1": "x", "hub-a/p1": "y", "hub-a": "z", "hub-a/p2": 5}}'
    assert decode_status("hub-a", payload, 0).faults == {"hub-a": "z", "hub-a/p1": "y"}
