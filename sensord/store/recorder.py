"""From MQTT to the store: readings are stored, then acknowledged to the broker, then the hub gets its receipt.

In that order, so that whatever dies in between is sent again, and the key (probe, instant) makes the repeat harmless.
What cannot be recorded is set aside with its reason and acknowledged; nothing that arrives stops the recorder. Readings
ahead of our clock wait until it gets there (ahead.py). An error of the store does: it ends the process, unacknowledged messages wait at the broker, unreceipted readings at the hub.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from sensord.clock import DAY_MS, Clock, iso, to_ms
from sensord.db import transaction
from sensord.errors import PayloadError
from sensord.health import BEAT_EVERY_S, Beats
from sensord.link import topics
from sensord.link.base import Link, Message, Subscriber
from sensord.link.receipts import Receipt, advance, encode_receipt
from sensord.link.senml import LARGEST_BYTES, decode_pack
from sensord.model import Reading
from sensord.store.ahead import Ahead
from sensord.store.aside import Aside, SetAside, set_aside
from sensord.store.base import ReadingStore
from sensord.store.given_receipts import GivenReceipts
from sensord.store.inbox import Inbox
from sensord.store.status import HubStatus, HubStatuses, decode_status

MOST_MESSAGES = 1_000
MOST_BYTES = 8_000_000
MAINTAIN_EVERY_S = 60.0
TELL_EVERY_S = 60.0
LONGEST_AHEAD_MS = DAY_MS

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Batch:
    """What a handful of messages comes to."""

    readings: list[Reading] = field(default_factory=list)
    ahead: list[Reading] = field(default_factory=list)
    aside: list[SetAside] = field(default_factory=list)
    statuses: list[HubStatus] = field(default_factory=list)
    receipts: dict[tuple[str, str], int] = field(default_factory=dict)


class Recorder:
    """Writes what a link receives. All but ``Subscriber`` handlers run on the caller's thread.

    Args:
        open_link: makes the link for a subscriber. store, connection: of the caller's thread, on the same station.
    """

    def __init__(
        self,
        open_link: Callable[[Subscriber], Link],
        store: ReadingStore,
        connection: sqlite3.Connection,
        clock: Clock,
        inbox: Inbox | None = None,
    ) -> None:
        self._store, self._connection, self._clock = store, connection, clock
        self._aside, self._statuses = Aside(connection), HubStatuses(connection)
        self._given, self._beats, self._ahead = GivenReceipts(connection), Beats(connection), Ahead(connection)
        self._inbox = inbox or Inbox()
        self._came_up = threading.Event()
        self._since_ms = to_ms(clock.now())
        self._beat_due_s = self._maintain_due_s = self._tell_due_s = clock.monotonic()
        self._untold = 0
        self._link = open_link(
            Subscriber(
                filters=(topics.ALL_READINGS, topics.ALL_STATUS),
                on_message=self._inbox.put,
                on_up=self._on_up,
                by_hand=True,
                keep_session=True,
            )
        )

    def run(self, stop: threading.Event) -> None:
        """Record until told to stop.

        Raises:
            StoreError: the store refuses; nothing of what it refused was acknowledged.
        """
        self._link.start()
        try:
            while not stop.is_set():
                self.step(wait_s=0.5)
        finally:
            self.close()

    def start(self) -> None:
        """Connect, for whoever calls ``step`` by himself."""
        self._link.start()

    def close(self) -> None:
        """Leave the broker; what was not acknowledged is sent again."""
        self._inbox.close()
        self._link.close()

    def step(self, wait_s: float = 0.0) -> int:
        """Record what is there; waits for the first message at most ``wait_s`` real seconds. How many messages."""
        messages = self._inbox.take(wait_s, MOST_MESSAGES, MOST_BYTES)
        if messages:
            self._record(messages)
        if self._came_up.is_set():
            self._came_up.clear()
            self._publish(self._given.current())
        self._upkeep()
        return len(messages)

    def _on_up(self, kept: bool) -> None:
        if not kept:
            _log.info("the broker had no session of ours: what it missed meanwhile, the hubs send again")
        self._came_up.set()

    def _record(self, messages: list[Message]) -> None:
        now_ms = to_ms(self._clock.now())
        batch = _Batch()
        for message in messages:
            self._sort(message, now_ms, batch)
        if batch.readings:
            self._store.write(batch.readings)
        if batch.receipts or batch.ahead or batch.aside or batch.statuses:
            with transaction(self._connection):
                self._given.put(batch.receipts, now_ms)
                self._statuses.put(batch.statuses)
                if batch.ahead:
                    self._ahead.put(batch.ahead)
                if batch.aside:
                    self._aside.put(batch.aside)
        for message in messages:
            self._link.ack(message)
        self._publish({hub: Receipt(spool, upto) for (hub, spool), upto in batch.receipts.items()})
        self._tell_aside(batch.aside)

    def _tell_aside(self, items: Sequence[SetAside]) -> None:
        """One line a minute at most, however much nonsense arrives."""
        self._untold += len(items)
        if items and self._clock.monotonic() >= self._tell_due_s:
            self._tell_due_s = self._clock.monotonic() + TELL_EVERY_S
            _log.warning("set aside: %d, the last on %s: %s", self._untold, items[-1].topic, items[-1].reason)
            self._untold = 0

    def _sort(self, message: Message, now_ms: int, batch: _Batch) -> None:
        """Put one message where it belongs; whatever is wrong with it ends here."""
        kind = "topic"
        try:
            topic = topics.parse(message.topic)
            if isinstance(topic, topics.ReadingsTopic):
                kind = "pack"
                self._sort_pack(topic, message, now_ms, batch)
            elif isinstance(topic, topics.StatusTopic) and message.payload:  # an empty one clears what was retained
                kind = "status"
                batch.statuses.append(decode_status(topic.hub, message.payload, now_ms))
        except PayloadError as error:
            batch.aside.append(set_aside(now_ms, message.topic, kind, str(error), message.payload))
        except Exception as error:  # noqa: BLE001 - no message may stop the recorder
            reason = f"cannot be decoded ({type(error).__name__}: {error})"
            batch.aside.append(set_aside(now_ms, message.topic, kind, reason, message.payload))

    def _sort_pack(self, topic: topics.ReadingsTopic, message: Message, now_ms: int, batch: _Batch) -> None:
        if len(message.payload) > LARGEST_BYTES:
            raise PayloadError(f"pack of {len(message.payload)} bytes; allowed are {LARGEST_BYTES}")
        pack = decode_pack(message.payload, now_ms, topic.hub)
        for reading in pack.readings:
            if reading.at_ms > now_ms + LONGEST_AHEAD_MS:
                batch.ahead.append(reading)
                reason = (
                    f"probe {reading.probe}: its time {iso(reading.at_ms)} is more than a day ahead of our clock, "
                    f"{iso(now_ms)}; it is stored once that is within a day of it: is our clock right?"
                )
                batch.aside.append(set_aside(now_ms, message.topic, "future", reason, repr(reading).encode()))
            else:
                batch.readings.append(reading)
        if topic.spool is not None and topic.seq is not None:
            key = (topic.hub, topic.spool)
            upto = batch.receipts[key] if key in batch.receipts else self._given.upto(*key)
            batch.receipts[key] = advance(upto, topic.seq, pack)

    def _publish(self, receipts: dict[str, Receipt]) -> None:
        for hub, receipt in receipts.items():
            if receipt.upto > 0 and not self._link.publish(topics.receipts(hub), encode_receipt(receipt), retain=True):
                if self._link.connected:  # too much on its way: say all of it again with the next step
                    self._came_up.set()
                return  # else coming up again says it

    def _upkeep(self) -> None:
        monotonic_s, now_ms = self._clock.monotonic(), to_ms(self._clock.now())
        if monotonic_s >= self._beat_due_s:
            self._beat_due_s = monotonic_s + BEAT_EVERY_S
            note = "" if self._link.connected else "not connected to the broker"
            self._beats.beat("record", now_ms, since_ms=self._since_ms, pid=os.getpid(), note=note)
        if monotonic_s >= self._maintain_due_s:
            self._maintain_due_s = monotonic_s + MAINTAIN_EVERY_S
            self._store_what_is_due(now_ms + LONGEST_AHEAD_MS)
            self._store.maintain(now_ms)

    def _store_what_is_due(self, until_ms: int) -> None:
        while due := self._ahead.due(until_ms):
            self._store.write(due)
            self._ahead.forget(due)
