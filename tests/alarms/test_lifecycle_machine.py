"""The lifecycle under random sequences of readings, time, clock steps, commands and restarts (hypothesis)."""

from __future__ import annotations

import itertools
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from sensord.alarms.aside import Taken
from sensord.alarms.deliveries import Deliveries
from sensord.alarms.engine import tuning_of
from sensord.alarms.lifecycle import Alarm, AlarmState
from sensord.alarms.log import AlarmLog
from sensord.alarms.replay import chattering
from sensord.alarms.teller import Teller
from sensord.alarms.watch import Watch
from sensord.clock import MINUTE_MS, ManualClock, to_ms
from sensord.db import open_db
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Reading
from sensord.settings import AlarmSettings, RouteSettings
from sensord.store.sqlite import SqliteStore
from sensord.store.status import HubStatus, HubStatuses

LIBRARY = load_species(None)
N, U, A, R, S, P, OUT = (
    AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED, AlarmState.SHELVED,
    AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE,
)  # fmt: skip
ALLOWED = {
    # from, to: the transitions of the state diagram of ANSI/ISA-18.2 (normal, by a raise, begins an alarm here)
    (None, U), (None, S), (None, P), (None, OUT),
    (U, U), (U, A), (U, R), (U, S), (U, P), (U, OUT), (A, N), (A, S), (A, U), (A, P), (A, OUT), (R, N),
    (S, S), (S, U), (S, A), (S, R), (S, N), (P, P), (P, U), (P, A), (P, N), (P, OUT), (OUT, OUT), (OUT, U), (OUT, A), (OUT, N), (OUT, P),
}  # fmt: skip
ASIDE = {S, P, OUT}
PROBES = ("hub/a", "hub/b")
SUBJECTS = ("nest Ta", "probe hub/b", "hub hub")


class Station(RuleBasedStateMachine):
    """A watch on a real database, whose keeper acknowledges and shelves, and which is killed at will."""

    @initialize()
    def begin(self) -> None:
        memory = Path("/dev/shm")  # what need not outlive the test is quicker there
        self.folder = tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None)
        self.path = Path(self.folder.name) / "station.db"
        self.clock = ManualClock(datetime(2026, 6, 1, tzinfo=UTC))
        self.number, self.stepped_back = 0, False
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
            quiet=("01:00", "03:00"), remind_ms=60 * MINUTE_MS, escalate_ms=30 * MINUTE_MS,
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

    @precondition(lambda self: self.on_show())
    @rule(data=st.data())
    def shelve_and_worsen(self, data: st.DataObject) -> None:
        """What is on the shelf grows worse there."""
        alarm = data.draw(st.sampled_from(self.on_show()))
        now_ms = self.now_ms()
        self.log.shelve(alarm.id, now_ms + 30 * MINUTE_MS, "being mended", "keeper", now_ms)
        self.read(alarm.probe or PROBES[0], 38.0, 40.0, 5)

    @rule(minutes=st.integers(1, 90))
    def wait(self, minutes: int) -> None:
        self.clock.advance(60 * minutes)
        self.watch.cycle()

    @rule(seconds=st.sampled_from([-3600, -30, 30, 3600]))
    def step(self, seconds: int) -> None:
        self.stepped_back |= seconds < 0
        self.clock.step(seconds)
        self.watch.cycle()

    @rule(hours=st.integers(3, 9), rh_pct=st.sampled_from([100.0, 40.0]))
    def condense(self, hours: int, rh_pct: float) -> None:
        """One probe gets wet and cannot be believed, or stands at one value; read every ten minutes."""
        for _ in range(hours):
            batch = []
            for _ in range(6):
                self.clock.advance(600)
                batch.append(Reading("hub/a", self.now_ms() - 500, 24.0, rh_pct))
            self.store.write(batch)
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

    @precondition(lambda self: self.on_show())
    @rule(data=st.data(), minutes=st.integers(1, 120))
    def shelve(self, data: st.DataObject, minutes: int) -> None:
        alarm = data.draw(st.sampled_from(self.on_show()))
        now_ms = self.now_ms()
        self.log.shelve(alarm.id, now_ms + minutes * MINUTE_MS, "being mended", "keeper", now_ms)

    def on_show(self) -> list[Alarm]:
        """What the keeper may shelve."""
        return [alarm for alarm in self.log.active() if alarm.stands and alarm.aside in (None, S)]

    @rule(subject=st.sampled_from(SUBJECTS), minutes=st.sampled_from([None, 30, 240]))
    def take_out_of_service(self, subject: str, minutes: int | None) -> None:
        now_ms = self.now_ms()
        until_ms = None if minutes is None else now_ms + minutes * MINUTE_MS
        self.log.take_out_of_service(Taken(subject, now_ms, until_ms, "being cleaned", "keeper"))

    @precondition(lambda self: self.log.out_of_service(self.now_ms()))
    @rule(data=st.data())
    def bring_back(self, data: st.DataObject) -> None:
        now_ms = self.now_ms()
        taken = data.draw(st.sampled_from(self.log.out_of_service(now_ms)))
        self.log.bring_back_into_service(taken.subject, now_ms)

    @precondition(lambda self: any(alarm.aside == S for alarm in self.log.active()))
    @rule(data=st.data())
    def unshelve(self, data: st.DataObject) -> None:
        alarm = data.draw(st.sampled_from([alarm for alarm in self.log.active() if alarm.aside == S]))
        self.log.bring_back(alarm.id, self.now_ms(), "keeper")

    @invariant()
    def nothing_out_of_service_is_told_and_nothing_in_service_is_kept_quiet(self) -> None:
        """After a look of the watch: what stands is set aside if, and only if, the keeper or its cause says so."""
        self.watch.cycle()
        taken = {each.subject for each in self.log.out_of_service(self.now_ms())}
        hubs = {alarm.hub for alarm in self.log.standing() if alarm.hub}
        for alarm in self.log.standing():
            if alarm.aside == S:
                continue
            subjects = {f"nest {alarm.nest}", f"probe {alarm.probe}", f"hub {(alarm.probe or alarm.hub).split('/')[0]}"}
            assert (alarm.aside == OUT) == bool(subjects & taken), (alarm, taken)
            if alarm.aside != OUT and alarm.kind == AlarmKind.SILENT and alarm.probe and hubs:
                assert alarm.aside == P, alarm

    @invariant()
    def no_transition_is_forbidden(self) -> None:
        for alarm in self.log.since(0):
            states = [None, *(step.state for step in self.log.transitions(alarm.id))]
            assert states[-1] == alarm.state
            assert set(itertools.pairwise(states)) <= ALLOWED, (alarm, states)

    @invariant()
    def what_is_set_aside_comes_back_by_its_end_and_is_not_told_meanwhile(self) -> None:
        tellings = self._tellings()
        for alarm in self.log.since(0):
            steps = self.log.transitions(alarm.id)
            for before, after in itertools.pairwise(steps):
                if before.state in ASIDE and after.state not in ASIDE:
                    assert after.what in ("shelf_ended", "brought_back", "raised_again"), (alarm, after)
            aside_ms = [after.at_ms for before, after in itertools.pairwise(steps) if before.state not in ASIDE]
            if alarm.aside is not None and steps[-1].state in ASIDE and not self.stepped_back:
                since_ms = aside_ms[-1] if aside_ms else steps[0].at_ms
                late = [topic for each, topic, at_ms in tellings if each == alarm.id and at_ms > since_ms]
                assert not late, (alarm, late)

    @invariant()
    def what_stands_in_the_log_stands_in_the_rules(self) -> None:
        """Else it would never end, or never be told."""
        self.watch.cycle()
        standing = {alarm.point for alarm in self.log.standing() if alarm.probe}
        raised = {point for point, _ in self.watch._engine.worst()}
        assert standing == raised, (standing, raised)

    @invariant()
    def at_most_one_alarm_of_a_point_stands(self) -> None:
        points = [alarm.point for alarm in self.log.since(0) if alarm.stands]
        assert len(points) == len(set(points))

    @invariant()
    def none_is_lost(self) -> None:
        """Each alarm that was ever to be told, and was not set aside at once, is told by a message or waits to be; what
        stands unacknowledged is so since it was raised or came back."""
        tellings = self._tellings()
        waiting = {alarm for _, what, alarm in self.deliveries.news() if what in ("raised", "worse", "still")}
        for alarm in self.log.since(0):
            steps = self.log.transitions(alarm.id)
            told = [number for each, topic, number in tellings if each == alarm.id and topic.startswith("begun")]
            if steps[0].state == U and not any(step.state in ASIDE for step in steps):
                assert told or alarm.id in waiting, (alarm, steps)
            if alarm.state == U:
                by_hand = any(step.what == "brought_back" and step.by == "keeper" for step in steps)
                assert told or alarm.id in waiting or by_hand, (alarm, steps)

    @invariant()
    def none_is_told_twice(self) -> None:
        """At most the raise, each gain of priority, an ended shelf, and the return; beside reminders of high ones."""
        rows = self._tellings()
        for alarm in self.log.since(0):
            steps = [step.what for step in self.log.transitions(alarm.id)]
            allowed = sum(steps.count(what) for what in ("raised", "worse", "returned", "shelf_ended", "brought_back"))
            sorts = [topic.split()[0] for each, topic, _ in rows if each == alarm.id]
            assert sorts.count("begun") + sorts.count("over") <= allowed
            assert sorts.count("unheeded") <= 1 + steps.count("worse")

    @invariant()
    def only_what_nobody_acknowledged_goes_to_the_neighbour(self) -> None:
        for alarm, topic, at_ms in self._tellings():
            if topic.startswith("unheeded"):
                before = [step.state for step in self.log.transitions(alarm) if step.at_ms < at_ms]
                last = before if self.stepped_back else before[-1:]  # instants tell no order once the clock went back
                assert {U, *ASIDE} & set(last), (before, at_ms)  # what set it aside may have ended just then

    @invariant()
    def nothing_chatters(self) -> None:
        assert chattering(self.log.since(0)) == 0

    def _tellings(self) -> list[tuple[str, str, int]]:
        """Alarm, topic and instant of every message."""
        return self.connection.execute(
            "SELECT alarm, topic, at_ms FROM message_alarms JOIN messages ON messages.id = message"
        ).fetchall()

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.store.close()
            self.connection.close()
            self.folder.cleanup()


QUICK = settings(
    max_examples=40, stateful_step_count=20, deadline=timedelta(seconds=60), derandomize=True,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
TestStation = Station.TestCase
TestStation.settings = QUICK


@pytest.mark.slow
def test_more_and_longer_sequences() -> None:
    """The same machine, many more steps."""
    run_state_machine_as_test(Station, settings=settings(QUICK, max_examples=150, stateful_step_count=35))
