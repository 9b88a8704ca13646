"""Publisher and hub loop over the broker in memory, on a clock that moves when told."""

import itertools
import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from sensord.clock import ManualClock, from_ms
from sensord.errors import StoreError
from sensord.link import topics
from sensord.link.base import Message, Subscriber
from sensord.link.leftover import Leftover, former_hubs
from sensord.link.memory import MemoryBroker, MemoryLink
from sensord.link.outbox import Outbox, Taken
from sensord.link.publisher import Pace, Publisher
from sensord.link.receipts import Receipt, advance, encode_receipt
from sensord.link.senml import decode_pack
from sensord.link.sensing import HANGS_AFTER_S, Sense
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


def limit_pages(outbox: Outbox, most: int | None = None) -> None:
    """The limit of pages makes SQLite itself answer that the disk is full; by default at once."""
    pages = most or outbox._connection.execute("PRAGMA page_count").fetchone()[0]
    outbox._connection.execute(f"PRAGMA max_page_count = {pages}")


def test_on_a_full_disk_the_nests_are_watched_all_the_same_and_the_station_is_told(
    outbox: Outbox, broker: MemoryBroker, clock: ManualClock
) -> None:
    """Each scan goes out as any sensor's does; with room again all of them go the sure way too."""
    work = sense(outbox, broker, clock, Board(kept=True), OneProbe(clock))
    work._publisher.start()
    for _ in range(5):
        outbox.append([Taken("shelf/a", 0, 1_790_000_000_000, 20.0, 50.0)] * 100)
    limit_pages(outbox)
    heard: list[Message] = []
    MemoryLink(broker, "any", Subscriber((topics.ALL_READINGS,), heard.append)).start()
    for _ in range(100):
        clock.advance(60)
        work.scan_once()
        work._publisher.step()
    unnumbered = [message for message in heard if message.topic == "nestclimate/1/shelf/readings"]
    assert unnumbered
    at_ms = decode_pack(unnumbered[-1].payload, 0, "shelf").readings[0].at_ms
    assert at_ms == round(clock.now().timestamp() * 1000)
    assert "takes nothing (database or disk is full)" in status(broker)["faults"]["shelf"]
    limit_pages(outbox, 100_000)
    clock.advance(60)
    work.scan_once()
    work._publisher.step()
    assert "faults" not in status(broker)
    assert sum(row.at_ms != 1_790_000_000_000 for row in outbox.rows(0, 9_999)) == 101


def test_a_receipt_that_the_full_disk_does_not_take_silences_nothing(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(outbox, 2)
    publisher.step()

    def refuse(_receipt: Receipt) -> bool:
        raise StoreError("outbox: takes nothing")

    monkeypatch.setattr(outbox, "settle", refuse)
    Station(broker)
    publisher.nudge({"shelf/a": "does not answer"})
    publisher._receipts.append(Receipt(outbox.spool, 2))
    with pytest.raises(StoreError):
        publisher.step()
    assert status(broker)["faults"] == {"shelf/a": "does not answer"}


def test_a_new_outbox_is_sent_from_its_first_reading_on(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher, tmp_path: Path
) -> None:
    """Found damaged while all was sent: the numbers begin at 1 again, below what was sent before."""
    station = Station(broker)
    fill(outbox, 40)
    for _ in range(12):
        publisher.step()
    assert outbox.fill().rows == 0
    outbox._begin_anew(StoreError("damaged"))
    outbox.append([Taken("shelf/a", 0, 1_790_000_100_000, 20.0, 50.0)])
    publisher.step()
    publisher.step()
    assert ("shelf/a", 1_790_000_100_000) in station.stored
    assert outbox.fill().rows == 0


def test_another_hub_of_the_same_name_is_told_once_and_forgotten_when_it_is_gone(
    outbox: Outbox, broker: MemoryBroker, publisher: Publisher, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    other = MemoryLink(broker, "other", Subscriber())
    other.start()
    publisher.step()

    def receipt(upto: int) -> None:
        other.publish(topics.receipts("shelf"), encode_receipt(Receipt("elsewhere", upto)), retain=True)
        publisher.step()

    for upto in (5, 9):  # of an outbox of our own former days: a burst, then the station says the last one again
        receipt(upto)
    clock.advance(3_600)
    receipt(9)
    assert "faults" not in status(broker)
    for upto in (12, 15, 18):
        receipt(upto)
        clock.advance(70)
    publisher.step()
    assert (
        "another hub of this name publishes to the same broker (outbox elsewhere)" in status(broker)["faults"]["shelf"]
    )
    assert caplog.text.count("another hub of this name") == 1
    clock.advance(1_000)
    publisher.step()
    assert "faults" not in status(broker)


def test_whatever_goes_wrong_while_publishing_is_told_and_tried_again(
    outbox: Outbox, publisher: Publisher, caplog: pytest.LogCaptureFixture
) -> None:
    """The thread lives on: a hub that scans and publishes nothing would look healthy."""
    outbox.append([Taken("shelf/a", 0, 1_790_000_000_000, 20.0, 50.0), Taken("loft/a", 0, 1_790_000_000_000, 1.0, 5.0)])
    for _ in range(3):
        publisher._step_guarded()
    assert caplog.text.count("publishing failed (InputError: a pack holds readings of one hub") == 1


def test_what_a_renamed_hub_left_behind_goes_out_under_its_old_name(
    broker: MemoryBroker, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """And nothing is said of its state, for nobody scans under that name."""
    for name, rows in (("shelf", 5), ("loft", 1)):
        outbox = Outbox(tmp_path / f"outbox-{name}.db", boot="one")
        fill(outbox, rows)
        outbox.close()
    outbox = Outbox(tmp_path / "outbox-shelf.db", boot="two")
    outbox.append([Taken("shelf/a", 5_000, None, 20.0, 50.0)])  # of this boot, renamed before the time was known
    outbox.close()
    (tmp_path / "outbox-shelf.db.damaged-1").touch()
    assert former_hubs(tmp_path, {"loft"}) == ["shelf"]
    station, outbox = Station(broker), Outbox(tmp_path / "outbox-shelf.db", boot="two")
    left = Leftover(
        "shelf",
        outbox,
        lambda heard, _will: MemoryLink(broker, "hub", heard),
        boot="two",
        offset_ms=lambda: 1_790_000_000_000,
        clock=ManualClock(from_ms(0)),
    )
    left.run(threading.Event())
    assert len(station.stored) == 6
    assert ("shelf/a", 1_790_000_005_000) in station.stored
    assert topics.status("shelf") not in broker.retained
    assert "the 6 readings that still wait go out under that name" in caplog.text
    outbox.close()


def test_a_scan_that_does_not_end_hangs(outbox: Outbox, broker: MemoryBroker, clock: ManualClock) -> None:
    """Seen from another thread, as the one that says to systemd that all is well."""
    probe = OneProbe(clock)
    work = sense(outbox, broker, clock, Board(kept=True), probe)
    said: list[bool] = []

    def read_for_ever(scan: Callable[[], SimpleNamespace] = probe.scan) -> SimpleNamespace:
        for _ in range(3):
            said.append(work.hangs)
            clock.advance(HANGS_AFTER_S / 2 + 1)
        return scan()

    probe.scan = read_for_ever
    work.scan_once()
    clock.advance(3_600)
    assert [*said, work.hangs] == [False, False, True, False]
