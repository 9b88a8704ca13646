"""The recorder over a broker in memory and a real store: order of store, acknowledgement and receipt; bad messages."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from sensord.clock import DAY_MS, ManualClock, to_ms
from sensord.db import open_db, transaction
from sensord.errors import StoreError
from sensord.health import Beats
from sensord.link import topics
from sensord.link.base import Message
from sensord.link.memory import MemoryBroker, MemoryLink
from sensord.link.receipts import decode_receipt
from sensord.link.senml import encode
from sensord.model import Reading
from sensord.store.ahead import Ahead
from sensord.store.aside import Aside
from sensord.store.inbox import Inbox
from sensord.store.recorder import Recorder
from sensord.store.sqlite import SqliteStore
from sensord.store.status import HubStatuses


class Station:
    """A recorder that can be killed and started again on the same files and broker."""

    def __init__(self, folder: Path, broker: MemoryBroker, clock: ManualClock) -> None:
        self.path, self.broker, self.clock = folder / "station.db", broker, clock
        self.start()

    def start(self) -> None:
        self.store, self.connection = SqliteStore(self.path), open_db(self.path)
        self.inbox = Inbox()
        self.recorder = Recorder(
            lambda subscriber: MemoryLink(self.broker, "record", subscriber),
            self.store,
            self.connection,
            self.clock,
            self.inbox,
        )
        self.recorder.start()

    def kill(self) -> None:
        """Gone without a word; what is in the inbox is lost with it."""
        self.broker.vanish("record")
        self.store.close()
        self.connection.close()

    def drain(self) -> None:
        while self.recorder.step():
            pass

    def receipt(self, hub: str = "hub-a"):
        return decode_receipt(self.broker.retained[topics.receipts(hub)])

    def aside(self) -> dict[str, int]:
        return Aside(self.connection).counts()


@pytest.fixture
def broker() -> MemoryBroker:
    return MemoryBroker()


@pytest.fixture
def station(tmp_path: Path, broker: MemoryBroker, clock: ManualClock):
    station = Station(tmp_path, broker, clock)
    yield station
    station.recorder.close()
    station.store.close()
    station.connection.close()


def pack(clock: ManualClock, number: int, hub: str = "hub-a") -> bytes:
    """The pack of one reading; it says that the one before is still waiting."""
    at_ms = to_ms(clock.now()) - DAY_MS + number * 1000
    return encode([Reading(f"{hub}/p1", at_ms, 20.0, 50.0)], after=number - 1)


def send(broker: MemoryBroker, topic: str, payload: bytes) -> None:
    broker.take(Message(topic, payload))


def test_a_reading_is_stored_and_receipted(station: Station, broker: MemoryBroker, clock: ManualClock):
    """One pack: in the store, on the receipt, nothing left at the broker."""
    send(broker, "nestclimate/1/hub-a/readings/s1/1", pack(clock, 1))
    assert topics.receipts("hub-a") not in broker.retained
    assert station.recorder.step() == 1
    assert station.store.latest()["hub-a/p1"].temp_c == 20.0
    assert (station.receipt().spool, station.receipt().upto) == ("s1", 1)
    assert broker._sessions["record"].queue == []


def test_a_foreign_sensor_is_recorded_without_a_receipt(station: Station, broker: MemoryBroker, clock: ManualClock):
    """A pack without spool and sequence is stored; any past is welcome; half a reading too."""
    old = json.dumps([{"n": "shed/p1/humidity", "u": "%RH", "v": 61.5, "t": 1_000_000_000}]).encode()
    send(broker, "nestclimate/1/shed/readings", old)
    station.drain()
    assert station.store.latest()["shed/p1"] == Reading("shed/p1", 1_000_000_000_000, None, 61.5)
    assert topics.receipts("shed") not in broker.retained


def test_a_lost_pack_holds_the_receipt_back(station: Station, broker: MemoryBroker, clock: ManualClock):
    """The broker dropped pack 2: pack 3 is stored, but the receipt stays at 1 until 2 has come."""
    for number in (1, 3):
        send(broker, f"nestclimate/1/hub-a/readings/s1/{number}", pack(clock, number))
    station.drain()
    assert (station.store.count(), station.receipt().upto) == (2, 1)
    for number in (2, 3):
        send(broker, f"nestclimate/1/hub-a/readings/s1/{number}", pack(clock, number))
    station.drain()
    assert (station.store.count(), station.receipt().upto) == (3, 3)


def test_killed_before_the_commit_it_gives_no_receipt(station: Station, broker: MemoryBroker, clock: ManualClock):
    """A message in the inbox of a recorder that dies comes again; only then is there a receipt."""
    send(broker, "nestclimate/1/hub-a/readings/s1/1", pack(clock, 1))
    station.kill()
    assert topics.receipts("hub-a") not in broker.retained
    station.start()
    station.drain()
    assert (station.store.count(), station.receipt().upto) == (1, 1)


def test_killed_between_commit_and_acknowledgement(station: Station, broker: MemoryBroker, clock: ManualClock):
    """Stored but not acknowledged: it comes again, is stored once, and the receipt is given."""
    payload = pack(clock, 1)
    send(broker, "nestclimate/1/hub-a/readings/s1/1", payload)
    station.store.write([Reading("hub-a/p1", to_ms(clock.now()) - DAY_MS + 1000, 20.0, 50.0)])
    station.kill()
    station.start()
    station.drain()
    assert (station.store.count(), station.receipt().upto) == (1, 1)


class RefusingStore(SqliteStore):
    """A store whose disk is full."""

    full = False

    def write(self, readings):
        if self.full:
            raise StoreError("database: write refused, nothing was changed (database or disk is full)")
        return super().write(readings)


def test_a_store_that_refuses_ends_the_recorder_unacknowledged(
    tmp_path: Path, broker: MemoryBroker, clock: ManualClock
):
    """The error goes up (the process ends with 1); the broker still has the message and no receipt was given."""
    store, connection = RefusingStore(tmp_path / "station.db"), open_db(tmp_path / "station.db")
    recorder = Recorder(lambda subscriber: MemoryLink(broker, "record", subscriber), store, connection, clock)
    recorder.start()
    store.full = True
    send(broker, "nestclimate/1/hub-a/readings/s1/1", pack(clock, 1))
    with pytest.raises(StoreError):
        recorder.step()
    assert len(broker._sessions["record"].queue) == 1
    assert topics.receipts("hub-a") not in broker.retained
    connection.close()


def test_receipts_are_said_again_after_a_reconnect(station: Station, broker: MemoryBroker, clock: ManualClock):
    """A broker that forgot everything gets back the receipts that were given, for the outbox heard last."""
    send(broker, "nestclimate/1/hub-a/readings/s1/1", pack(clock, 1))
    station.drain()
    clock.advance(60)
    send(broker, "nestclimate/1/hub-a/readings/s2/1", pack(clock, 1))
    station.drain()
    broker.stop()
    broker.restart(forget=True)
    assert broker.retained == {}
    station.drain()
    assert (station.receipt().spool, station.receipt().upto) == ("s2", 1)


def test_a_time_far_ahead_is_set_aside(station: Station, broker: MemoryBroker, clock: ManualClock):
    """More than a day ahead of our clock: not stored, kept with its reason; its neighbour in the pack is stored."""
    now_ms = to_ms(clock.now())
    ahead = [Reading("hub-a/p1", now_ms + DAY_MS + 1000, 20.0, 50.0), Reading("hub-a/p1", now_ms + DAY_MS, 21.0, 50.0)]
    send(broker, "nestclimate/1/hub-a/readings/s1/2", encode(ahead, after=0))
    station.drain()
    assert station.store.latest()["hub-a/p1"].temp_c == 21.0
    assert station.aside() == {"future": 1}
    assert "more than a day ahead" in Aside(station.connection).newest()[0].reason
    assert station.receipt().upto == 2


def test_what_is_ahead_of_a_clock_that_stands_back_is_stored_once_it_is_set(
    station: Station, broker: MemoryBroker, clock: ManualClock
):
    """A Pi without a battery clock starts a week back; its hub, which kept the time, sends a week's readings at once."""
    now_ms = to_ms(clock.now())
    week = [Reading("hub-a/p1", now_ms - number * 60_000, 20.0, 50.0) for number in range(10_000, 0, -1)]
    clock.step(-7 * 86_400)
    send(broker, "nestclimate/1/hub-a/readings/s1/10000", encode(week, after=0))
    station.drain()
    assert station.receipt().upto == 10_000
    assert station.store.count() < 10_000
    station.kill()
    station.start()
    clock.step(7 * 86_400)
    clock.advance(61)
    station.recorder.step()
    assert station.store.count() == 10_000
    assert station.store.latest()["hub-a/p1"].at_ms == now_ms - 60_000


def test_what_lies_farthest_ahead_is_given_up_first(station: Station):
    ahead = Ahead(station.connection, most=3)
    with transaction(station.connection):
        ahead.put([Reading("a/p", at_ms, 20.0, None) for at_ms in (9, 1, 5, 3, 7)])
    assert [each.at_ms for each in ahead.due(99)] == [1, 3, 5]


def test_nonsense_is_told_in_one_line_a_minute(
    station: Station, broker: MemoryBroker, clock: ManualClock, caplog: pytest.LogCaptureFixture
):
    for _ in range(3):
        for _ in range(500):
            send(broker, "nestclimate/1/hub-a/readings", b"nonsense")
        station.drain()
        clock.advance(30)
    lines = [record.getMessage() for record in caplog.records if "set aside" in record.getMessage()]
    assert [line.split(",")[0] for line in lines] == ["set aside: 500", "set aside: 1000"]
    assert "nestclimate/1/hub-a/readings: not JSON" in lines[0]


def test_status_is_kept(station: Station, broker: MemoryBroker):
    """The last status of a hub, and its will after that; what is none is set aside."""
    up = {"state": "up", "since": "2026-04-01T11:00:00Z", "boot": "b1", "version": "0.1.0"}
    up["outbox"] = {"rows": 7, "oldest": "2026-04-01T11:59:00Z"}
    send(broker, "nestclimate/1/hub-a/status", json.dumps(up).encode())
    station.drain()
    status = HubStatuses(station.connection).all()["hub-a"]
    assert (status.state, status.boot, status.outbox_rows) == ("up", "b1", 7)
    assert status.oldest_ms == to_ms(station.clock.now()) - 60_000
    for payload in (b'{"state": "down"}', b"", b"[]", b'{"state": "up", "since": "yesterday"}'):
        send(broker, "nestclimate/1/hub-a/status", payload)
    station.drain()
    assert HubStatuses(station.connection).all()["hub-a"].state == "down"
    assert station.aside() == {"status": 2}


def test_poison_before_good_with_restarts(station: Station, broker: MemoryBroker, clock: ManualClock):
    """A bad message first, killed before it was dealt with: it is set aside once and never blocks the good ones."""
    send(broker, "nestclimate/1/hub-a/readings/s1/1", b"\xff\xfe poison")
    for number in range(1, 101):
        send(broker, f"nestclimate/1/hub-a/readings/s1/{number}", pack(clock, number))
    for _ in range(3):
        station.kill()
        station.start()
    station.drain()
    assert (station.store.count(), station.receipt().upto, station.aside()) == (100, 100, {"pack": 1})
    station.kill()
    station.start()
    station.drain()
    assert station.aside() == {"pack": 1}


def test_beats_say_when_the_broker_is_away(station: Station, broker: MemoryBroker, clock: ManualClock):
    """A beat each 10 s, with a note while there is no connection."""
    station.drain()
    assert Beats(station.connection).all()["record"].note == ""
    broker.stop()
    clock.advance(11)
    station.drain()
    beat = Beats(station.connection).all()["record"]
    assert (beat.at_ms, beat.note) == (to_ms(clock.now()), "not connected to the broker")


BAD = (
    lambda chance, good: chance.randbytes(chance.randint(0, 400)),
    lambda chance, good: good[: chance.randint(0, len(good) - 1)],
    lambda chance, good: b"[" * chance.randint(1_000, 30_000),
    lambda chance, good: b'{"a":' * chance.randint(1_000, 30_000) + b"1",
    lambda chance, good: good.replace(b'"v":20.0', b'"v":1e' + str(chance.randint(5, 999)).encode()),
    lambda chance, good: good.replace(b'"v":20.0', b'"v":' + b"9" * chance.randint(10, 6_000)),
    lambda chance, good: good.replace(b'"v":20.0', chance.choice([b'"v":NaN', b'"v":"20"', b'"v":null', b'"v":[1]'])),
    lambda chance, good: good.replace(b"hub-a/", chance.choice([b"hub-b/", b"HUB/", b"../", b"", b"\\ud800/"])),
    lambda chance, good: good.replace(b'"Cel"', chance.choice([b'"K"', b'"F"', b"7", b'"\\u0000"'])),
    lambda chance, good: good.replace(b'"bt":', b'"bt":1' + b"0" * chance.randint(3, 400)),
    lambda chance, good: b'[{"n":"hub-a/p1/co2","u":"ppm","v":1}]',
    lambda chance, good: chance.choice([b"", b"null", b"[]", b"{}", b"0", b"true", b'"x"', b"[[]]", b"[1]", b"[{}]"]),
    lambda chance, good: good.decode().encode("utf-16"),
    lambda chance, good: b'[{"bver":11,' + good[2:],
)


def bad_payloads(count: int, good: bytes):
    """Mutations of a good pack, garbage, deep and huge JSON, from a fixed sequence of chance; some of 1 MB."""
    chance = random.Random(20260401)
    for number in range(count):
        payload = BAD[number % len(BAD)](chance, good)
        assert payload != good
        yield payload if number % 1_000 else b"x" * 1_000_000


def test_ten_thousand_bad_payloads_stop_nothing(station: Station, broker: MemoryBroker, clock: ManualClock):
    """10,500 bad ones with 525 good ones between: each bad one counted exactly, each good one stored and receipted."""
    good = 0
    for number, payload in enumerate(bad_payloads(10_500, pack(clock, 1)), 1):
        send(broker, f"nestclimate/1/hub-a/readings/s1/{number}", payload)
        if number % 20 == 0:
            good += 1
            send(broker, f"nestclimate/1/hub-a/readings/s1/{good}", pack(clock, good))
        if number % 500 == 0:
            station.drain()
    station.drain()
    assert station.aside() == {"pack": 10_500}
    assert station.store.count() == station.receipt().upto == good == 525
    assert len(Aside(station.connection).newest(5_000)) == 1_000
    assert all("\n" not in item.reason for item in Aside(station.connection).newest(1_000))
    assert broker._sessions["record"].queue == []


def test_bad_topics_are_counted_too(station: Station, broker: MemoryBroker, clock: ManualClock):
    """Names and numbers that are not allowed in a topic: set aside as such."""
    for topic in ("H!/readings/s1/1", "hub-a/readings/s1/0", "hub-a/readings/s1", "hub-a/readings/s1/1/2", "/readings"):
        send(broker, f"nestclimate/1/{topic}", pack(clock, 1))
    station.drain()
    assert station.aside() == {"topic": 5}
    assert station.store.count() == 0
