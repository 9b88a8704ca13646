"""What nobody acknowledges goes to somebody else: through the watch, the outbox and real webhooks on loopback."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path

from endpoints import Webhook, webhook

from sensord.alarms.deliveries import Deliveries
from sensord.alarms.engine import tuning_of
from sensord.alarms.log import AlarmLog
from sensord.alarms.push import RouteWorker, Sender
from sensord.alarms.teller import Teller
from sensord.alarms.watch import Watch
from sensord.clock import MINUTE_MS, ManualClock, to_ms
from sensord.config import load_config
from sensord.db import open_db
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.settings import AlarmSettings, RouteSettings
from sensord.store.sqlite import SqliteStore
from sensord.wiring import Room

LIBRARY = load_species(None)
FINE, DRY, VERY_HOT = (24.0, 80.0), (24.0, 40.0), (39.0, 80.0)


class Called:
    """One nest, a keeper's phone, and a neighbour who is called after half an hour."""

    def __init__(self, path: Path, clock: ManualClock, keeper: Webhook, neighbour: Webhook) -> None:
        self.clock, self.keeper, self.neighbour = clock, keeper, neighbour
        self.store = SqliteStore(path)
        connection = open_db(path)
        registry = Registry(connection)
        registry.put_nests([Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")])
        registry.put_placements([Placement("hub/p1", "T1", "cellar", Place.WET_END, 0)])
        self.log, self.deliveries = AlarmLog(connection), Deliveries(connection)
        routes = [RouteSettings("phone"), RouteSettings("neighbour", escalation=True)]
        teller = Teller(
            self.log, self.deliveries, routes, UTC, "http://wall.example",
            remind_ms=60 * MINUTE_MS, escalate_ms=30 * MINUTE_MS,
        )  # fmt: skip
        self.watch = Watch(
            self.store, registry, connection, teller, clock, Keeping(LIBRARY), tuning_of(AlarmSettings())
        )
        senders = [Sender("phone", keeper.address()), Sender("neighbour", neighbour.address())]
        self.workers = [RouteWorker(sender, path, clock) for sender in senders]

    def minutes(self, count: int, air: tuple[float, float] = FINE) -> None:
        for number in range(count):
            self.clock.advance(60)
            at_ms = to_ms(self.clock.now())
            self.store.write([Reading("hub/p1", at_ms, air[0] + number % 7 / 1000, air[1])])
            self.watch.cycle()
            for worker in self.workers:
                while worker.work(self.deliveries):
                    pass

    def acknowledge(self) -> None:
        for alarm in self.log.active():
            self.log.acknowledge(alarm.id, to_ms(self.clock.now()), "keeper")


@contextmanager
def called(folder: Path, clock: ManualClock) -> Iterator[Called]:
    with webhook() as keeper, webhook() as neighbour:
        yield Called(folder / "station.db", clock, keeper, neighbour)


def about(hook: Webhook, word: str) -> list[str]:
    return [title for title in hook.titles() if word in title]


def test_an_alarm_nobody_acknowledges_goes_to_the_neighbour_once_and_so_does_its_all_clear(
    tmp_path: Path, clock: ManualClock
) -> None:
    with called(tmp_path, clock) as room:
        room.minutes(5)
        room.minutes(46, DRY)  # told 15 minutes after it began, half an hour before now
        assert about(room.neighbour, "dry") == ["nest T1: too dry, and nobody has acknowledged it"]
        room.minutes(120, DRY)
        room.minutes(30)
        assert about(room.neighbour, "dry") == [
            "nest T1: too dry, and nobody has acknowledged it", "Over: nest T1 too dry",
        ]  # fmt: skip
        assert about(room.keeper, "dry") == ["nest T1: too dry", "Over: nest T1 too dry"]


def test_an_alarm_acknowledged_in_time_never_reaches_the_neighbour(tmp_path: Path, clock: ManualClock) -> None:
    with called(tmp_path, clock) as room:
        room.minutes(5)
        room.minutes(44, DRY)
        room.acknowledge()
        room.minutes(120, DRY)
        room.minutes(30)
        assert about(room.keeper, "dry") == ["nest T1: too dry", "Over: nest T1 too dry"]
        assert room.neighbour.titles() == []


def test_one_that_grew_worse_after_it_was_acknowledged_is_escalated_anew(tmp_path: Path, clock: ManualClock) -> None:
    """A nest too hot is acknowledged; then it gets far too hot, which nobody has seen."""
    with called(tmp_path, clock) as room:
        room.minutes(5)
        room.minutes(10, (35.0, 80.0))
        room.acknowledge()
        room.minutes(60, (35.0, 80.0))
        assert room.neighbour.titles() == []
        room.minutes(40, VERY_HOT)
        assert about(room.neighbour, "hot") == ["URGENT: nest T1: too hot, and nobody has acknowledged it"]


def test_the_neighbour_is_called_while_the_keepers_own_phone_takes_nothing(tmp_path: Path, clock: ManualClock) -> None:
    with called(tmp_path, clock) as room:
        room.keeper.mood = "refuse"
        room.minutes(5)
        room.minutes(60, VERY_HOT)
        assert room.keeper.titles() == []
        assert len(about(room.neighbour, "hot")) == 1


def test_a_low_alarm_is_never_escalated(tmp_path: Path, clock: ManualClock) -> None:
    """A swing of eight degrees that stands for more than an hour does not get anybody else out of bed."""
    with called(tmp_path, clock) as room:
        room.minutes(30)
        room.minutes(70, (32.0, 80.0))
        (alarm,) = room.log.standing()
        assert str(alarm.priority) == "low"
        assert to_ms(clock.now()) - alarm.raised_ms > 45 * MINUTE_MS
        assert room.neighbour.titles() == []


def test_a_message_says_where_to_acknowledge(tmp_path: Path, clock: ManualClock) -> None:
    with called(tmp_path, clock) as room:
        room.minutes(5)
        room.minutes(20, DRY)
        room.minutes(30)
        begun, over = (got["message"] for got in room.keeper.received)
        assert "http://wall.example/nest/T1\nAcknowledge: http://wall.example/alarms" in begun
        assert "Acknowledge" not in over


def test_the_settings_say_who_is_called_and_when(tmp_path: Path, clock: ManualClock) -> None:
    """``escalate_after_min = 5`` and ``escalation = true`` in station.toml, through the room as the programs build it."""
    (tmp_path / "address").write_text("json://127.0.0.1:9/x", encoding="utf-8")
    (tmp_path / "station.toml").write_text(
        '[station]\n[push]\nescalate_after_min = 5\n[[push.route]]\nname = "phone"\nurl_file = "address"\n'
        '[[push.route]]\nname = "neighbour"\nurl_file = "address"\nescalation = true\n',
        encoding="utf-8",
    )
    room = Room(load_config(tmp_path), clock)
    room.registry.put_nests([Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")])
    room.registry.put_placements([Placement("hub/p1", "T1", "cellar", Place.WET_END, 0)])
    watch, owed = room.watch(), []
    for number in range(24):
        clock.advance(60)
        room.store.write([Reading("hub/p1", to_ms(clock.now()), 24 + number % 7 / 1000, 40.0)])
        watch.cycle()
        owed.append(Deliveries(room.connection).waiting())
    told = next(number for number, each in enumerate(owed) if each)
    assert owed[told] == owed[told + 4] == {"phone": 1}
    assert owed[told + 5] == {"phone": 1, "neighbour": 1}
