"""Drains an outbox to the broker and forgets what the recorder says it has.

Packs go out in order, few at a time. When receipts stop coming (the recorder is away, or a broker dropped a pack) it
goes back to the oldest waiting reading and sends one pack now and then, until a receipt opens the window again.
A repeat harms nobody: the store knows each (probe, instant). Readings that the disk does not take go out as those of any
sensor, without a number and a receipt, so that the nests are watched meanwhile.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from sensord import __version__
from sensord.clock import Clock, SystemClock
from sensord.errors import PayloadError, StoreError
from sensord.link import topics
from sensord.link.base import Link, Message, Subscriber, Will
from sensord.link.namesake import Namesake
from sensord.link.outbox import Outbox
from sensord.link.receipts import Receipt, decode_receipt
from sensord.link.senml import encode
from sensord.link.status import Status, encode_status
from sensord.model import Reading

STATUS_EVERY_S = 30.0
_TICK_S = 0.5
_LEAVE_WITHIN_S = 5.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Pace:
    """How much may be on its way, and how long to wait for a receipt before sending again (seconds, doubling)."""

    pack_rows: int = 500
    window_packs: int = 20
    first_wait_s: float = 5.0
    longest_wait_s: float = 60.0


class Publisher:
    """One hub's way to the station. ``step`` does what is due; ``run`` steps until told to stop.

    Args:
        connect: makes the link for what this hub listens to and its last will.
        boot: this boot of the machine, for the status.
        up_since_ms, now_ms: when the hub came up, and the present; None while the time is not known.
        tells: whether the hub's status is published; not for readings that a hub of former days left behind.
        clock: real time, for the waits.
    """

    def __init__(
        self,
        hub: str,
        outbox: Outbox,
        connect: Callable[[Subscriber, Will], Link],
        *,
        boot: str,
        up_since_ms: Callable[[], int | None] = lambda: None,
        now_ms: Callable[[], int | None] = lambda: None,
        pace: Pace | None = None,
        clock: Clock | None = None,
        tells: bool = True,
    ) -> None:
        self._tells = tells
        self._hub, self._outbox, self._boot = hub, outbox, boot
        self._up_since_ms, self._now_ms = up_since_ms, now_ms
        self._pace, self._clock = pace or Pace(), clock or SystemClock()
        self._receipts: deque[Receipt] = deque()
        self._came_up = threading.Event()
        self._wake = threading.Event()
        self._flying: deque[int] = deque()
        self._spool, self._namesake = outbox.spool, Namesake()
        self._sent_upto, self._stored_upto, self._window = 0, 0, self._pace.window_packs
        self._wait_s, self._resend_at_s = self._pace.first_wait_s, 0.0
        self._unsaved: deque[Sequence[Reading]] = deque(maxlen=1)
        self._faults: Mapping[str, str] = {}
        self._told_faults: Mapping[str, str] = {}
        self._status_at_s = float("-inf")
        self._told = b""
        self._problem = ""
        subscriber = Subscriber((topics.receipts(hub),), self._on_message, self._on_up)
        self._link = connect(subscriber, Will(topics.status(hub), encode_status(self._status("down", up_since_ms()))))

    def nudge(self, faults: Mapping[str, str] | None = None, unsaved: Sequence[Reading] = ()) -> None:
        """There is something new in the outbox; ``faults``: what ails which probe now; ``unsaved``: what the disk did not
        take. From any thread.
        """
        if faults is not None:
            self._faults = dict(faults)
        if unsaved:
            self._unsaved.append(unsaved)
        self._wake.set()

    def run(self, stop: threading.Event) -> None:
        """Publish until told to stop, then say goodbye."""
        self._link.start()
        try:
            while not stop.is_set():
                self._wake.clear()
                self._step_guarded()
                self._clock.wait(self._wake, _TICK_S)
        finally:
            self.leave()

    def start(self) -> None:
        """Begin to connect; for whoever calls ``step`` himself."""
        self._link.start()

    def leave(self) -> None:
        """Say that the hub goes down, wait a little until the broker has all that was sent, and disconnect."""
        if self._tells:
            goodbye = encode_status(self._status("down", self._now_ms()))
            self._link.publish(topics.status(self._hub), goodbye, retain=True)
        self._link.close(_LEAVE_WITHIN_S)

    def step(self) -> None:
        """Take the receipts that came, send again what is overdue, send what is new.

        Raises:
            StoreError: the outbox cannot be read or written.
        """
        if self._link.connected:
            self._greet()
            self._tell_status()
            self._tell_unsaved()
        self._take_receipts()
        if self._outbox.spool != self._spool:  # a new file, or a card that was copied: its numbers begin anew
            self._spool, self._stored_upto = self._outbox.spool, 0
            self._go_back(self._pace.window_packs)
        if self._link.connected:
            self._send()

    def _greet(self) -> None:
        """After coming up: what was on its way over the old connection may be gone."""
        if self._came_up.is_set():
            self._came_up.clear()
            self._status_at_s = float("-inf")
            self._told = b""
            self._go_back(self._pace.window_packs)

    def _tell_unsaved(self) -> None:
        while self._unsaved:
            if not self._link.publish(topics.foreign_readings(self._hub), encode(self._unsaved[0])):
                return
            self._unsaved.popleft()

    def _send(self) -> None:
        now_s = self._clock.monotonic()
        if self._flying and now_s >= self._resend_at_s:
            self._wait_s = min(self._pace.longest_wait_s, self._wait_s * 2)
            self._go_back(1)
        while len(self._flying) < self._window and self._send_next(now_s):
            pass

    def _send_next(self, now_s: float) -> bool:
        """The next pack; False when there is none or the link takes no more."""
        rows = self._outbox.rows(self._sent_upto, self._pace.pack_rows)
        if not rows:
            return False
        readings = [Reading(row.probe, row.at_ms, row.temp_c, row.rh_pct) for row in rows]
        payload = encode(readings, after=self._outbox.waiting_before(rows[0].seq))
        last_seq = rows[-1].seq
        if not self._link.publish(topics.readings(self._hub, self._outbox.spool, last_seq), payload):
            return False
        if not self._flying:
            self._expect_receipt(now_s)
        self._flying.append(last_seq)
        self._sent_upto = last_seq
        return True

    def _expect_receipt(self, now_s: float) -> None:
        self._resend_at_s = now_s + self._wait_s * random.uniform(1.0, 1.5)  # noqa: S311 - spreads hubs, no secret

    def _go_back(self, window: int) -> None:
        self._flying.clear()
        self._sent_upto, self._window = 0, window

    def _take_receipts(self) -> None:
        while self._receipts:
            receipt = self._receipts[0]
            if self._outbox.settle(receipt):
                self._progress(receipt.upto)
            elif receipt.spool not in (self._outbox.spool, self._spool):
                self._hear_namesake(receipt)
            self._receipts.popleft()

    def _hear_namesake(self, receipt: Receipt) -> None:
        now_s = self._clock.monotonic()
        known = self._namesake.spool(now_s)
        self._namesake = self._namesake.hear(receipt, now_s)
        if not known and self._namesake.spool(now_s):
            _log.warning("%s", self._all_faults()[self._hub])

    def _all_faults(self) -> dict[str, str]:
        """By the name of hub or probe; what ails the hub itself in one line."""
        other = self._namesake.spool(self._clock.monotonic())
        line = (
            f"hub {self._hub}: another hub of this name publishes to the same broker (outbox {other}): "
            "give each [[hub]] a name of its own"
        )
        own = [self._faults[self._hub]] if self._hub in self._faults else []
        said = "; ".join([*own, line] if other else own)
        return {**self._faults, **({self._hub: said} if said else {})}

    def _progress(self, upto: int) -> None:
        if upto <= self._stored_upto:
            return
        self._stored_upto = upto
        while self._flying and self._flying[0] <= upto:
            self._flying.popleft()
        self._window, self._wait_s = self._pace.window_packs, self._pace.first_wait_s
        self._expect_receipt(self._clock.monotonic())

    def _tell_status(self) -> None:
        now_s, faults = self._clock.monotonic(), self._all_faults()
        if not self._tells or (now_s - self._status_at_s < STATUS_EVERY_S and faults == self._told_faults):
            return
        payload = encode_status(self._status("up", self._up_since_ms()))
        if payload == self._told or self._link.publish(topics.status(self._hub), payload, retain=True):
            self._told, self._told_faults, self._status_at_s = payload, faults, now_s

    def _status(self, state: str, since_ms: int | None) -> Status:
        fill = self._outbox.fill()
        return Status(
            state,
            since_ms,
            self._boot,
            __version__,
            fill.rows,
            fill.oldest_ms,
            fill.given_up,
            fill.undated,
            self._all_faults() if state == "up" else {},
        )

    def _step_guarded(self) -> None:
        try:
            self.step()
            problem = ""
        except StoreError as error:
            problem = str(error)
        except Exception as error:  # noqa: BLE001 - a hub that scans and publishes nothing would look healthy
            problem = f"hub {self._hub}: publishing failed ({type(error).__name__}: {error})"
        if problem and problem != self._problem:
            _log.error("%s; trying again", problem)
        self._problem = problem

    def _on_message(self, message: Message) -> None:
        try:
            self._receipts.append(decode_receipt(message.payload))
        except PayloadError as error:
            _log.warning("%s: %s", message.topic, error)
        self._wake.set()

    def _on_up(self, _kept: bool) -> None:
        self._came_up.set()
        self._wake.set()
