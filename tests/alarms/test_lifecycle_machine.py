"""The lifecycle under random sequences of readings, time, clock steps, commands and restarts (hypothesis)."""

from __future__ import annotations

import itertools
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from sensord.alarms.deliveries import Deliveries
from sensord.alarms.engine import tuning_of
from sensord.alarms.lifecycle import AlarmState
from sensord.alarms.log import AlarmLog
from sensord.alarms.replay import chattering
from sensord.alarms.teller import Teller
from sensord.alarms.watch import Watch
from sensord.clock import MINUTE_MS, ManualClock, to_ms
from sensord.db import open_db
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.settings import AlarmSettings, RouteSettings
from sensord.store.sqlite import SqliteStore
from sensord.store.status import HubStatus, HubStatuses

LIBRARY = load_species(None)
N, U, A, R, S = (
    AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED, AlarmState.SHELVED,
)  # fmt: skip
ALLOWED = {
    # from, to: the transitions of the state diagram of ANSI/ISA-18.2 (normal, by a raise, begins an alarm here)
    (None, U), (None, S), (U, U), (U, A), (U, R), (U, S), (A, N), (A, S), (A, U), (R, N), (S, S), (S, U), (S, A), (S, R),
    (S, N),
}  # fmt: skip
PROBES = ("hub/a", "hub/b")


class Station(RuleBasedStateMachine):
    """A watch on a real database, whose keeper acknowledges and shelves, and which is killed at will."""

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "station.db"
        self.clock = ManualClock(datetime(2026, 6, 1, tzinfo=UTC))
        self.number = 0
        self.store = SqliteStore(self.path)
        registry = Registry(open_db(self.path))
        registry.put_nests([Nest(f"T{probe[-1]}", NestKind.TUBE, "cellar", "A", "Lasius niger") for probe in PROBES])
        registry.put_placements([Placement(probe, f"T{probe[-1]}", "cellar", Place.WET_END, 0) for probe in PROBES])
        self.open()

    def open(self) -> None:
        self.connection = open_db(self.path)
        self.log, self.deliveries = AlarmLog(self.connection), Deliveries(self.connection)
        routes = [RouteSettings("phone"), RouteSettings("neighbour", escalation=True)]
        teller = Teller(
            self.log, self.deliveries, routes, UTC, "http://wall",
            remind_ms=60 * MINUTE_MS, escalate_ms=30 * MINUTE_MS,
        )  # fmt: skip
        keeping = Keeping(LIBRARY, "north", UTC)
        self.statuses = HubStatuses(self.connection)
        self.watch = Watch(
            self.store, Registry(self.connection), self.connection, teller, self.clock, keeping,
            tuning_of(AlarmSettings()), hubs=self.statuses.all,
        )  # fmt: skip

    def now_ms(self) -> int:
        return to_ms(self.clock.now())

    @rule(
        probe=st.sampled_from(PROBES),
        temp_c=st.sampled_from([24.0, 33.8, 34.2, 38.0, 9.0, 5.0]),
        rh_pct=st.sampled_from([80.0, 57.0, 54.0, 40.0, None]),
        count=st.integers(1, 30),
    )
    def read(self, probe: str, temp_c: float, rh_pct: float | None, count: int) -> None:
        for _ in range(count):
            self.number += 1
            self.clock.advance(60)
            at_ms, noise = self.now_ms() - 500, self.number % 17 / 1000
            both = [Reading(each, at_ms, temp_c + noise, rh_pct) for each in PROBES if each == probe or self.number % 3]
            self.store.write(both)
        self.watch.cycle()

    @rule(minutes=st.integers(1, 90))
    def wait(self, minutes: int) -> None:
        self.clock.advance(60 * minutes)
        self.watch.cycle()

    @rule(seconds=st.sampled_from([-3600, -30, 30, 3600]))
    def step(self, seconds: int) -> None:
        self.clock.step(seconds)
        self.watch.cycle()

    @rule(ailing=st.sets(st.sampled_from(PROBES)), state=st.sampled_from(["up", "down"]))
    def hub_says(self, ailing: set[str], state: str) -> None:
        """Its status, with the probes that ail just now."""
        faults = {probe: "does not answer" for probe in ailing if state == "up"}
        self.statuses.add(HubStatus("hub", state, None, "", "", 0, None, self.now_ms(), faults))
        self.watch.cycle()

    @rule()
    def kill(self) -> None:
        """Nothing in memory survives."""
        self.connection.close()
        self.open()
        self.watch.cycle()

    @precondition(lambda self: self.log.active())
    @rule(data=st.data())
    def acknowledge(self, data: st.DataObject) -> None:
        alarm = data.draw(st.sampled_from(self.log.active()))
        self.log.acknowledge(alarm.id, self.now_ms(), "keeper")

    @precondition(lambda self: any(alarm.stands for alarm in self.log.active()))
    @rule(data=st.data(), minutes=st.integers(1, 120))
    def shelve(self, data: st.DataObject, minutes: int) -> None:
        alarm = data.draw(st.sampled_from([alarm for alarm in self.log.active() if alarm.stands]))
        now_ms = self.now_ms()
        self.log.shelve(alarm.id, now_ms + minutes * MINUTE_MS, "being mended", "keeper", now_ms)

    @invariant()
    def no_transition_is_forbidden(self) -> None:
        for alarm in self.log.since(0):
            states = [None, *(step.state for step in self.log.transitions(alarm.id))]
            assert states[-1] == alarm.state
            assert set(itertools.pairwise(states)) <= ALLOWED, (alarm, states)

    @invariant()
    def at_most_one_alarm_of_a_point_stands(self) -> None:
        points = [alarm.point for alarm in self.log.since(0) if alarm.stands]
        assert len(points) == len(set(points))

    @invariant()
    def none_is_lost(self) -> None:
        """Each alarm raised while not shelved is told by a message, or waits to be."""
        told, waiting = self._told(), {(alarm, what) for _, what, alarm in self.deliveries.news()}
        for alarm in self.log.since(0):
            if self.log.transitions(alarm.id)[0].state == U:
                assert any(each == alarm.id for each, _ in told) or (alarm.id, "raised") in waiting

    @invariant()
    def none_is_told_twice(self) -> None:
        """At most the raise, each gain of priority, an ended shelf, and the return; beside reminders of high ones."""
        rows = self._tellings()
        for alarm in self.log.since(0):
            steps = [step.what for step in self.log.transitions(alarm.id)]
            allowed = sum(steps.count(what) for what in ("raised", "worse", "returned", "shelf_ended"))
            sorts = [topic.split()[0] for each, topic, _ in rows if each == alarm.id]
            assert sorts.count("begun") + sorts.count("over") <= allowed
            assert sorts.count("unheeded") <= 1 + steps.count("worse")

    @invariant()
    def only_what_nobody_acknowledged_goes_to_the_neighbour(self) -> None:
        for alarm, topic, at_ms in self._tellings():
            if topic.startswith("unheeded"):
                before = [step.state for step in self.log.transitions(alarm) if step.at_ms < at_ms]
                assert before
                assert before[-1] in (U, S), (before, at_ms)  # a shelf may have ended just then

    @invariant()
    def nothing_chatters(self) -> None:
        assert chattering(self.log.since(0)) == 0

    def _tellings(self) -> list[tuple[str, str, int]]:
        """Alarm, topic and instant of every message."""
        return self.connection.execute(
            "SELECT alarm, topic, at_ms FROM message_alarms JOIN messages ON messages.id = message"
        ).fetchall()

    def _told(self) -> set[tuple[str, str]]:
        rows = self.connection.execute(
            "SELECT alarm, topic FROM message_alarms JOIN messages ON messages.id = message"
        ).fetchall()
        return set(rows)

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.store.close()
            self.connection.close()
            self.folder.cleanup()


TestStation = Station.TestCase
TestStation.settings = settings(
    max_examples=40, stateful_step_count=15, deadline=timedelta(seconds=20), derandomize=True,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
