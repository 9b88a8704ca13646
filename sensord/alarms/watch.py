"""The watch: takes new readings from the store, evaluates, logs, tells, beats. It may be killed at any moment.

What it worked out of a probe and the alarms that follow are written in one transaction; after a restart it goes on from
there, and since the rules are the same for the same readings, nothing is told twice and nothing is lost.
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from sensord.air.calibration import Calibration
from sensord.alarms.calibrated import Calibrated
from sensord.alarms.conditions import Event, Raised
from sensord.alarms.engine import Engine
from sensord.alarms.hubs import HubRules
from sensord.alarms.log import AlarmLog, News
from sensord.alarms.reservoir import Outlook, ReservoirRules
from sensord.alarms.standing import Standings
from sensord.alarms.teller import Teller
from sensord.alarms.tuning import Tuning
from sensord.clock import DAY_MS, MINUTE_MS, SECOND_MS, Clock, to_ms
from sensord.db import transaction
from sensord.errors import NestclimateError
from sensord.health import BEAT_EVERY_S, Beats
from sensord.keeping.colony import moved_out_ms
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.model import AlarmKind, EntryKind
from sensord.store.base import ReadingStore
from sensord.store.status import HubStatus

log = logging.getLogger(__name__)

CYCLE_S = 5.0
ALIVE_S = 60.0
GRACE_MS = 8 * SECOND_MS
KNOW_EVERY_MS = MINUTE_MS
SAVE_EVERY_MS = 5 * MINUTE_MS
OUTLOOK_EVERY_MS = MINUTE_MS
STEP_MS = 5 * SECOND_MS
FORGOTTEN_MS = 7 * DAY_MS

FindCalibrations = Callable[[], Iterable[Calibration]]
Hubs = Callable[[], Mapping[str, HubStatus]]


def standings_of(registry: Registry, keeping: Keeping) -> Standings:
    """All that the registry knows of the room."""
    ends: defaultdict[str, list[int]] = defaultdict(list)
    nests, entries = registry.history(), registry.entries(kinds=(EntryKind.DIED, EntryKind.MOVE))
    for entry in entries:
        if entry.kind is EntryKind.DIED:
            ends[entry.nest].append(entry.at_ms)
    for name, out in moved_out_ms(nests, [entry for entry in entries if entry.kind is EntryKind.MOVE]).items():
        ends[name] = sorted([*ends[name], *out])
    return Standings(
        placements=registry.placements(),
        nests=nests,
        keeping=keeping,
        died_ms=dict(ends),
    )


def no_calibrations() -> Iterable[Calibration]:
    """None at all: readings mean what they say."""
    return ()


def no_hubs() -> Mapping[str, HubStatus]:
    """No hub ever told of itself."""
    return {}


class Watch:
    """One room's watch. All of it belongs to one thread."""

    def __init__(
        self,
        store: ReadingStore,
        registry: Registry,
        connection: sqlite3.Connection,
        teller: Teller,
        clock: Clock,
        keeping: Keeping,
        tuning: Tuning,
        *,
        calibrations: FindCalibrations = no_calibrations,
        outlook: Outlook | None = None,
        hubs: Hubs = no_hubs,
    ) -> None:
        self._store, self._registry, self._connection, self._teller = store, registry, connection, teller
        self._clock, self._keeping, self._tuning = clock, keeping, tuning
        self._calibrations, self._outlook, self._hubs = calibrations, outlook, hubs
        self._status: Mapping[str, HubStatus] = {}
        self._calibrate = Calibrated()
        self._log, self._beats = AlarmLog(connection), Beats(connection)
        self._since_ms = self._wall_ms = to_ms(clock.now())
        self._monotonic_s = self._cycled_s = clock.monotonic()
        self._known_ms = self._outlook_ms = -1
        self._saved_ms = self._since_ms
        self._load()

    def run(self, stop: threading.Event) -> None:
        """Cycle until stopped; an error of the store or the database is told in the beat, and tried again."""
        beaten_s = self._clock.monotonic() - BEAT_EVERY_S
        note = ""
        while not stop.is_set():
            try:
                self.cycle()
                self._cycled_s = self._clock.monotonic()
                note = ""
            except NestclimateError as error:
                note = str(error).splitlines()[0]
                log.warning("%s", note)
            if self._clock.monotonic() - beaten_s >= BEAT_EVERY_S:
                beaten_s = self._clock.monotonic()
                self._beat(note)
            self._clock.wait(stop, CYCLE_S)
        self.save()

    def alive(self) -> bool:
        """Whether a cycle was completed within the last minute; for other threads."""
        return self._clock.monotonic() - self._cycled_s < ALIVE_S

    def cycle(self) -> int:
        """One look at everything new; how many alarm events followed.

        Raises:
            StoreError: nothing of this cycle was kept; the next one sees the same readings again.
        """
        now_ms = self._now_ms()
        self._know(now_ms)
        self._listen(now_ms)
        read = self._evaluate(now_ms)
        events = self._hub_rules.evaluate(now_ms, self._status, self._engine.by_hub()) + read
        events += [self._explained(event) for event in self._engine.tick(now_ms - GRACE_MS)]
        events += self._reservoirs(now_ms)
        try:
            self._keep(events, now_ms)
        except NestclimateError:
            self._load()
            raise
        return len(events)

    def save(self) -> None:
        """Write down where every probe's evaluation stands."""
        with transaction(self._connection):
            self._log.save_evaluations(self._engine.save())

    def _load(self) -> None:
        self._engine = Engine(self._tuning, standings_of(self._registry, self._keeping))
        self._engine.load(self._log.saved_evaluations())
        self._ailing = {probe for probe, rules in self._engine.rules.items() if rules.reported}
        reservoirs = {
            alarm.nest: alarm.priority
            for alarm in self._log.standing()
            if alarm.probe is None and alarm.nest is not None
        }
        self._reservoir = ReservoirRules(self._tuning, reservoirs)
        hubs = {alarm.hub: (alarm.raised_ms, alarm.priority) for alarm in self._log.standing() if alarm.hub}
        self._hub_rules = HubRules(self._tuning, hubs)

    def _now_ms(self) -> int:
        """The wall clock; when it was stepped, the rules are told by how much."""
        now_ms, monotonic_s = to_ms(self._clock.now()), self._clock.monotonic()
        step_ms = (now_ms - self._wall_ms) - round((monotonic_s - self._monotonic_s) * SECOND_MS)
        if abs(step_ms) > STEP_MS:
            log.warning("the clock was moved by %d s", step_ms // SECOND_MS)
            self._engine.step(step_ms, now_ms)
            self._hub_rules.step(step_ms)
        self._wall_ms, self._monotonic_s = now_ms, monotonic_s
        return now_ms

    def _know(self, now_ms: int) -> None:
        """Take note of moved probes, new nests and deaths."""
        if 0 <= now_ms - self._known_ms < KNOW_EVERY_MS:
            return
        self._known_ms = now_ms
        standings = standings_of(self._registry, self._keeping)
        if standings != self._engine.standings:
            self._engine.know(standings)
        self._calibrate = Calibrated(self._calibrations())
        latest = self._store.latest()
        for placement in standings.placements:
            if placement.holds(now_ms):
                last = latest.get(placement.probe)
                at_ms = max(placement.since_ms, last.at_ms if last else self._since_ms)
                if now_ms - at_ms < FORGOTTEN_MS:
                    self._engine.of(placement.probe).expect(min(at_ms, now_ms) - 1)

    def _listen(self, now_ms: int) -> None:
        """Take note of what the hubs say of themselves and their probes."""
        self._status = self._hubs()
        faults = {
            probe: line for status in self._status.values() for probe, line in status.faults.items() if "/" in probe
        }
        for probe in faults.keys() | self._ailing:
            self._engine.of(probe).report(now_ms, faults.get(probe, ""))
        self._ailing = set(faults)

    def _explained(self, event: Event) -> Event:
        """Silence of a probe, with what its hub said of itself."""
        if not isinstance(event, Raised) or event.kind != AlarmKind.SILENT:
            return event
        hub = (event.probe or "").partition("/")[0]
        status = self._status.get(hub)
        if status is None:
            return event
        if status.state == "down":
            return replace(event, detail=f"hub {hub} is off or cannot reach the broker")
        return replace(event, detail=status.faults.get(hub, ""))

    def _evaluate(self, now_ms: int) -> list[Event]:
        """New readings, oldest first. Those older than a silence are history: they raise nothing."""
        fresh: dict[str, int] = {}
        for probe, latest in self._store.latest().items():
            rules = self._engine.of(probe)
            oldest_ms = now_ms - rules.patience_ms
            if latest.at_ms >= oldest_ms and latest.at_ms > rules.last_ms:
                fresh[probe] = max(rules.last_ms + 1, oldest_ms)
                if rules.seen and rules.last_ms < oldest_ms:
                    rules.skip_to(oldest_ms)
        if not fresh:
            return []
        events: list[Event] = []
        for batch in self._store.stream(min(fresh.values()), now_ms + MINUTE_MS):
            for reading in batch:
                if reading.at_ms >= fresh.get(reading.probe, now_ms + DAY_MS):
                    given = self._calibrate(reading)
                    events += self._engine.of(reading.probe).read(given.at_ms, given.temp_c, given.rh_pct)
        return events

    def _reservoirs(self, now_ms: int) -> list[Event]:
        if self._outlook is None or 0 <= now_ms - self._outlook_ms < OUTLOOK_EVERY_MS:
            return []
        self._outlook_ms = now_ms
        standings = self._engine.standings
        gone = [nest for nest in self._reservoir.standing if standings.of_nest(nest, now_ms) is None]
        return self._reservoir.gone(now_ms, gone) + self._reservoir.evaluate(now_ms, self._outlook(now_ms))

    def _keep(self, events: list[Event], now_ms: int) -> None:
        save_all = not 0 <= now_ms - self._saved_ms < SAVE_EVERY_MS
        changed = {event.probe for event in events if event.probe is not None}
        with transaction(self._connection):
            news = [found for event in events if (found := self._take(event)) is not None]
            news += self._log.end_shelves(now_ms) + self._log.settle(now_ms)
            self._teller.hear(news)
            self._teller.insist(now_ms)
            self._teller.tell(now_ms)
            if save_all:
                self._log.note_worst(self._engine.worst())
            if save_all or changed:
                self._log.save_evaluations(self._engine.save(None if save_all else changed))
        if save_all:
            self._saved_ms = now_ms

    def _take(self, event: Event) -> News | None:
        standings = self._engine.standings
        if event.hub:
            standing = None
        elif event.probe is not None:
            standing = standings.of(event.probe, event.at_ms)
        else:
            standing = standings.of_nest(event.nest or "", event.at_ms)
        return self._log.take(event, standing)

    def _beat(self, note: str) -> None:
        try:
            self._beats.beat("watch", to_ms(self._clock.now()), since_ms=self._since_ms, pid=os.getpid(), note=note)
        except NestclimateError as error:
            log.warning("%s", error)
