"""The hub's loop: scan, date, keep on disk, publish. Whatever fails is told once and tried again at the next scan."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from sensord.clock import Clock, to_ms
from sensord.errors import StoreError
from sensord.link.base import Link, Subscriber, Will
from sensord.link.clockfix import ClockFix, is_sure
from sensord.link.machine import Machine
from sensord.link.outbox import Outbox, Taken
from sensord.link.publisher import Pace, Publisher
from sensord.model import Reading
from sensord.settings import HubSettings

MOST_UNSAVED_SCANS = 100
"""Kept in memory while the disk takes nothing."""

HANGS_AFTER_S = 300.0
"""No scan takes that long: 128 probes take two seconds, a slow card half a minute, and what can be read of a damaged outbox
of half a million readings is taken over in half a minute on a PC."""

_log = logging.getLogger(__name__)


class Sampled(Protocol):
    """One measurement of a scan."""

    @property
    def probe_full_name(self) -> str:
        """``HUB/PROBE``."""

    @property
    def taken_monotonic_s(self) -> float:
        """Of the clock that the loop runs on."""

    @property
    def temp_c(self) -> float:
        """°C."""

    @property
    def rh_pct(self) -> float:
        """%RH."""


class Fault(Protocol):
    """What ails one probe."""

    @property
    def probe_full_name(self) -> str:
        """``HUB/PROBE``."""

    @property
    def text(self) -> str:
        """One line, complete in itself."""


class Scanned(Protocol):
    """What a scan brought."""

    @property
    def samples(self) -> Sequence[Sampled]:
        """One for each probe that gave one."""

    @property
    def faults(self) -> Sequence[Fault]:
        """Of all probes."""


class Scans(Protocol):
    """Whatever can scan: the Scanner, over a real bus or a simulated one."""

    def scan(self) -> Scanned:
        """Read every probe once."""


class Sense:
    """One hub at work.

    Args:
        clock: time of the room; scans run on its monotonic side, so that no step of the wall clock moves them.
        connect: makes the hub's link for a subscriber and a will.
    """

    def __init__(
        self,
        hub: HubSettings,
        scanner: Scans,
        outbox: Outbox,
        connect: Callable[[Subscriber, Will], Link],
        clock: Clock,
        machine: Machine,
        *,
        pace: Pace | None = None,
    ) -> None:
        self._hub, self._scanner, self._outbox, self._clock, self._machine = hub, scanner, outbox, clock, machine
        self._fix = ClockFix()
        self._looked = False
        self._scanning_since_s: float | None = None
        self._started_mono_ms = self._mono_ms()
        self._unsaved: deque[list[Taken]] = deque(maxlen=MOST_UNSAVED_SCANS)
        self._disk_problem = ""
        self._faults: dict[str, str] = {}
        self._look_at_clock()
        self._publisher = Publisher(
            hub.name,
            outbox,
            connect,
            boot=machine.boot,
            up_since_ms=lambda: self._fix.date_ms(self._started_mono_ms),
            now_ms=lambda: self._fix.date_ms(self._mono_ms()),
            pace=pace,
        )

    def run(self, stop: threading.Event) -> None:
        """Scan on schedule until told to stop; publishing runs beside it, on a thread of its own."""
        publishing = threading.Thread(target=self._publisher.run, args=(stop,), name=f"publish {self._hub.name}")
        publishing.start()
        try:
            due_s = self._clock.monotonic()
            while not stop.is_set():
                self.scan_once()
                due_s = _next_due(due_s, self._hub.every_s, self._clock.monotonic())
                self._clock.wait(stop, due_s - self._clock.monotonic())
        finally:
            stop.set()  # whatever ended the scans, the publisher must not stay behind alone
            self._publisher.nudge()
            publishing.join()

    @property
    def offset_ms(self) -> int | None:
        """UTC minus monotonic time in this boot; None while the time is not known. From any thread."""
        return self._fix.offset_ms

    @property
    def hangs(self) -> bool:
        """Whether a scan does not come to its end, as when the bus or the disk never answers. From any thread."""
        since_s = self._scanning_since_s
        return since_s is not None and self._clock.monotonic() - since_s > HANGS_AFTER_S

    def scan_once(self) -> None:
        """One scan, on disk when this returns, unless the disk takes nothing."""
        self._scanning_since_s = self._clock.monotonic()
        try:
            self._scan_and_keep()
        finally:
            self._scanning_since_s = None

    def _scan_and_keep(self) -> None:
        scan = self._scan()
        self._look_at_clock()
        if scan:
            self._unsaved.append([self._taken(sample) for sample in scan.samples])
            self._tell_faults({fault.probe_full_name: fault.text for fault in scan.faults})
        self._save()
        self._publisher.nudge(self._all_faults(), self._newest_unsaved())

    def _all_faults(self) -> dict[str, str]:
        """Of the probes, and of the hub itself in one line."""
        hub = self._hub.name
        disk = f"hub {hub}: {self._disk_problem}" if self._disk_problem else ""
        said = "; ".join(line for line in (self._faults.get(hub), disk) if line)
        return {**self._faults, **({hub: said} if said else {})}

    def _newest_unsaved(self) -> list[Reading]:
        newest = self._dated(self._unsaved[-1]) if self._unsaved else []
        return [Reading(row.probe, row.at_ms, row.temp_c, row.rh_pct) for row in newest if row.at_ms is not None]

    def _scan(self) -> Scanned | None:
        try:
            return self._scanner.scan()
        except (OSError, RuntimeError, ValueError) as error:  # the bus itself; a probe's fault comes with the scan
            self._tell_faults({self._hub.name: f"hub {self._hub.name}: its bus cannot be read ({error})"})
            return None

    def _taken(self, sample: Sampled) -> Taken:
        mono_ms = round(sample.taken_monotonic_s * 1000)
        return Taken(sample.probe_full_name, mono_ms, self._fix.date_ms(mono_ms), sample.temp_c, sample.rh_pct)

    def _save(self) -> None:
        try:
            while self._unsaved:
                self._outbox.append(self._dated(self._unsaved[0]))
                self._unsaved.popleft()
            if self._disk_problem:
                _log.info(
                    "hub %s: the outbox takes readings again; those that waited in memory are in it", self._hub.name
                )
            self._disk_problem = ""
        except StoreError as error:
            problem = f"{error}; readings stay in memory meanwhile, at most {MOST_UNSAVED_SCANS} scans"
            if problem != self._disk_problem:
                _log.error("%s", problem)
            self._disk_problem = problem

    def _dated(self, readings: list[Taken]) -> list[Taken]:
        """Readings that waited in memory may have been taken before the time was known."""
        return [
            Taken(each.probe, each.mono_ms, self._fix.date_ms(each.mono_ms), each.temp_c, each.rh_pct)
            if each.at_ms is None
            else each
            for each in readings
        ]

    def _look_at_clock(self) -> None:
        machine = self._machine
        sure = is_sure(self._hub.clock, synchronised=machine.synchronised(), raspberry_pi=machine.raspberry_pi)
        fix = self._fix.observe(to_ms(self._clock.now()), self._mono_ms(), sure=sure)
        try:
            if fix.offset_ms is None and not self._looked:  # an earlier process of this boot may have known
                fix = ClockFix(self._outbox.offset_ms)
            if fix.offset_ms is not None and fix.offset_ms != self._fix.offset_ms:
                self._adopt(fix.offset_ms)
        except StoreError as error:
            _log.error("%s: the time is looked at again with the next scan", error)
            return
        if fix.offset_ms is None and not self._looked:
            _log.warning("hub %s: the clock is not set yet; readings wait for their date", self._hub.name)
        self._fix, self._looked = fix, True

    def _adopt(self, offset_ms: int) -> None:
        dated = self._outbox.learn_offset(offset_ms)
        if self._fix.offset_ms is not None:
            _log.warning("hub %s: the clock was set by %+d ms", self._hub.name, offset_ms - self._fix.offset_ms)
        elif dated:
            _log.info("hub %s: the time is known; %d readings got their date", self._hub.name, dated)

    def _tell_faults(self, faults: dict[str, str]) -> None:
        for name, text in faults.items():
            if self._faults.get(name) != text:
                _log.warning("%s", text)
        for name in self._faults.keys() - faults.keys():
            _log.info("%s: well again", name)
        self._faults = faults

    def _mono_ms(self) -> int:
        return round(self._clock.monotonic() * 1000)


def _next_due(due_s: float, every_s: float, now_s: float) -> float:
    """The next instant of the schedule that is not past; scans that were missed are not made up for."""
    missed = max(0, int((now_s - due_s) // every_s))
    return due_s + every_s * (missed + 1)
