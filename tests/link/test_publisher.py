"""Publisher and hub loop over the broker in memory, on a clock that moves when told."""

import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from sensord.clock import ManualClock
from sensord.link import topics
from sensord.link.base import Message, Subscriber
from sensord.link.memory import MemoryBroker, MemoryLink
from sensord.link.outbox import Outbox, Taken
from sensord.link.publisher import Pace, Publisher
from sensord.link.receipts import Receipt, advance, encode_receipt
from sensord.link.senml import decode_pack
from sensord.link.sensing import Sense
from sensord.settings import HubSettings

PACE = Pace(pack_rows=2, window_packs=3)


class Station:
    """A recorder in memory: stores, acknowledges, gives receipts."""

    def __init__(self, broker: MemoryBroker) -> None:
        self.stored: dict[tuple[str, int], float | None] = {}
        self.upto: dict[str, int] = {}
        self.link = MemoryLink(
            broker, "record", Subscriber((topics.ALL_READINGS,), self.take, by_hand=True, keep_session=True)
        )
        self.link.start()

    def take(self, message: Message) -> None:
        topic = topics.parse(message.topic)
        pack = decode_pack(message.payload, 0, topic.hub)
        self.stored |= {(reading.probe, reading.at_ms): reading.temp_c for reading in pack.readings}
        self.upto[topic.spool] = advance(self.upto.get(topic.spool), topic.seq, pack)
        self.link.ack(message)
        receipt = encode_receipt(Receipt(topic.spool, self.upto[topic.spool]))
        self.link.publish(topics.receipts(topic.hub), receipt, retain=True)


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    made = Outbox(tmp_path / "outbox-shelf.db", boot="one")
    yield made
    made.close()


@pytest.fixture
def broker() -> MemoryBroker:
    return MemoryBroker()


@pytest.fixture
def publisher(outbox: Outbox, broker: MemoryBroker, clock: ManualClock) -> Publisher:
    made = Publisher(
        "shelf",
        outbox,
        lambda subscriber, will: MemoryLink(broker, "hub", subscriber, will),
        boot="one",
        pace=PACE,
        clock=clock,
    )
    made.start()
    return made


def fill(outbox: Outbox, count: int) -> None:
    for number in range(1, count + 1):
        outbox.append([Taken("shelf/a", 0, 1_790_000_000_000 + number, 20.0, 50.0)])


def packs(broker: MemoryBroker) -> list[int]:
    """The SEQ of every pack published."""
    found = [topics.parse(message.topic) for message in broker.published]
    return [topic.seq for topic in found if isinstance(topic, topics.ReadingsTopic) and topic.seq]


def status(broker: MemoryBroker) -> dict:
    return json.loads(broker.retained[topics.status("shelf")])


def test_receipts_empty_the_outbox(outbox: Outbox, broker: MemoryBroker, publisher: Publisher) -> None:
    station = Station(broker)
    fill(outbox, 20)
    for _ in range(6):
        publisher.step()
    assert len(station.stored) == 20
    assert outbox.fill().rows == 0


def test_without_receipts_only_a_window_goes_out_then_one_pack_now_and_then(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher, clock: ManualClock
) -> None:
    """Nobody records: the broker is not flooded and nothing leaves the outbox."""
    fill(outbox, 20)
    publisher.step()
    publisher.step()
    assert packs(broker) == [2, 4, 6]
    for _ in range(60):
        clock.advance(60)
        publisher.step()
    assert set(packs(broker)[3:]) == {2}
    assert len(packs(broker)) < 3 + 60
    assert outbox.fill().rows == 20


def test_a_pack_lost_in_the_broker_is_sent_again_and_no_receipt_passes_over_it(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher, clock: ManualClock
) -> None:
    station = Station(broker)
    fill(outbox, 6)
    lost: list[Message] = []

    def lose_second(message: Message) -> bool:
        hit = message.topic.endswith("/4") and not lost
        if hit:
            lost.append(message)
        return hit

    broker.lose = lose_second
    publisher.step()
    publisher.step()
    assert station.upto == {outbox.spool: 2}
    assert len(station.stored) == 4
    for _ in range(4):
        clock.advance(10)
        publisher.step()
    assert len(station.stored) == 6
    assert outbox.fill().rows == 0


def test_a_station_that_forgot_everything_gets_what_still_waits(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher, clock: ManualClock
) -> None:
    fill(outbox, 4)
    outbox.settle(Receipt(outbox.spool, 2))
    station = Station(broker)
    publisher.step()
    publisher.step()
    assert len(station.stored) == 2
    assert outbox.fill().rows == 0


def test_a_broker_that_comes_back_gets_all_that_waits_at_once(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher
) -> None:
    fill(outbox, 4)
    publisher.step()
    broker.stop()
    publisher.step()
    broker.restart(forget=True)
    station = Station(broker)
    publisher.step()
    publisher.step()
    assert len(station.stored) == 4
    assert outbox.fill().rows == 0


def test_status_and_last_will_follow_the_contract(outbox: Outbox, broker: MemoryBroker, publisher: Publisher) -> None:
    fill(outbox, 3)
    publisher.step()
    assert status(broker)["state"] == "up"
    assert status(broker)["outbox"] == {"rows": 3, "oldest": "2026-09-21T14:13:20.001Z"}
    assert set(status(broker)) == {"state", "since", "boot", "version", "outbox"}
    broker.vanish("hub")
    assert status(broker)["state"] == "down"


def test_goodbye_says_down_without_a_will(broker: MemoryBroker, publisher: Publisher) -> None:
    publisher.step()
    publisher.leave()
    assert status(broker)["state"] == "down"


@dataclass
class Board:
    """A machine as the test says."""

    boot: str = "one"
    serial: str = ""
    raspberry_pi: bool = True
    kept: bool = False

    def synchronised(self) -> bool:
        return self.kept


class OneProbe:
    """Scans one probe; ``fault`` and ``broken`` say what ails it and its bus."""

    def __init__(self, clock: ManualClock) -> None:
        self.clock, self.fault, self.broken = clock, "", False

    def scan(self) -> SimpleNamespace:
        if self.broken:
            raise OSError("the bus is gone")
        sample = SimpleNamespace(
            probe_full_name="shelf/a", taken_monotonic_s=self.clock.monotonic(), temp_c=24.0, rh_pct=70.0
        )
        faults = [SimpleNamespace(probe_full_name="shelf/a", text=self.fault)] if self.fault else []
        return SimpleNamespace(samples=[] if self.fault else [sample], faults=faults)


def sense(outbox: Outbox, broker: MemoryBroker, clock: ManualClock, board: Board, probe: OneProbe) -> Sense:
    hub = replace(HubSettings(), name="shelf", every_s=60)
    return Sense(hub, probe, outbox, lambda subscriber, will: MemoryLink(broker, "hub", subscriber, will), clock, board)


def test_readings_of_a_pi_that_booted_in_the_past_get_their_true_time(
    outbox: Outbox, broker: MemoryBroker, clock: ManualClock
) -> None:
    """The clock stands two years back at boot and steps when a time server is reached."""
    clock.step(-2 * 365 * 86_400)
    board, true_ms = Board(), []
    work = sense(outbox, broker, clock, board, OneProbe(clock))
    for _ in range(3):
        work.scan_once()
        true_ms.append(round(clock.monotonic() * 1000))
        clock.advance(60)
    assert outbox.rows(0, 9) == []
    clock.step(2 * 365 * 86_400)
    board.kept = True
    work.scan_once()
    true_ms.append(round(clock.monotonic() * 1000))
    offset_ms = round(clock.now().timestamp() * 1000) - true_ms[-1]
    assert [row.at_ms for row in outbox.rows(0, 9)] == [mono_ms + offset_ms for mono_ms in true_ms]


def test_a_restart_within_the_boot_knows_the_time_although_the_server_is_gone(
    outbox: Outbox, broker: MemoryBroker, clock: ManualClock
) -> None:
    board = Board(kept=True)
    sense(outbox, broker, clock, board, OneProbe(clock)).scan_once()
    board.kept = False
    clock.advance(60)
    clock.step(-500)
    sense(outbox, broker, clock, board, OneProbe(clock)).scan_once()
    first, second = outbox.rows(0, 9)
    assert second.at_ms - first.at_ms == 60_000


def test_faults_are_told_in_the_status_and_a_broken_bus_stops_nothing(
    outbox: Outbox, broker: MemoryBroker, clock: ManualClock
) -> None:
    probe = OneProbe(clock)
    work = sense(outbox, broker, clock, Board(kept=True), probe)
    work._publisher.start()
    probe.fault = "probe shelf/a does not answer"
    work.scan_once()
    work._publisher.step()
    assert status(broker)["faults"] == {"shelf/a": "probe shelf/a does not answer"}
    probe.fault, probe.broken = "", True
    work.scan_once()
    work._publisher.step()
    assert "its bus cannot be read (the bus is gone)" in status(broker)["faults"]["shelf"]
    probe.broken = False
    work.scan_once()
    work._publisher.step()
    assert "faults" not in status(broker)
    assert outbox.fill().rows == 1


def test_a_full_disk_keeps_scans_in_memory_until_it_takes_them_again(
    outbox: Outbox, broker: MemoryBroker, clock: ManualClock
) -> None:
    """The limit of pages makes SQLite itself answer that the disk is full."""
    work = sense(outbox, broker, clock, Board(kept=True), OneProbe(clock))
    work.scan_once()
    pages = outbox._connection.execute("PRAGMA page_count").fetchone()[0]
    outbox._connection.execute(f"PRAGMA max_page_count = {pages}")
    for _ in range(190):
        clock.advance(60)
        work.scan_once()
    kept = outbox.fill().rows
    outbox._connection.execute("PRAGMA max_page_count = 100000")
    clock.advance(60)
    work.scan_once()
    assert 90 < kept < 191
    times = [row.at_ms for row in outbox.rows(0, 999)]
    assert [later - earlier for earlier, later in itertools.pairwise(times)] == [60_000] * 191
