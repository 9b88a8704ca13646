"""Hubs that are down, as they say themselves or as their last will says: statuses in, alarm events out. Pure.

A short restart tells nothing. A hub that stays down is one alarm, however many probes it reads; once it has been down as
long as a probe may be silent, that alarm is urgent: nobody sees those nests. Its probes' own silence is then suppressed by
design (aside.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sensord.alarms.conditions import Condition, Delays, Event, Raised, Returned, Worse
from sensord.alarms.tuning import Tuning
from sensord.clock import MINUTE_MS, SECOND_MS
from sensord.model import AlarmKind, Priority
from sensord.store.status import HubStatus

UP_FOR_MS = MINUTE_MS
ALIVE_AFTER_MS = 30 * SECOND_MS
"""Readings so much younger than the word that a hub is down show that it is not; a hub's clock may be that wrong."""


@dataclass(frozen=True, slots=True)
class HubProbes:
    """How many probes a hub is to read, and the instant of their newest reading."""

    count: int
    newest_ms: int


class HubRules:
    """The rules of every hub.

    Args:
        standing: alarms that stand, by hub: since when, and how urgent.
    """

    def __init__(self, tuning: Tuning, standing: Mapping[str, tuple[int, Priority]] | None = None) -> None:
        self._delays = Delays(tuning.hub_down_after_ms, UP_FOR_MS)
        self._blind_ms = tuning.silent_after_ms
        self._conditions = {
            hub: Condition(1, raised_ms=since_ms, priority=priority, escalated=priority == Priority.HIGH)
            for hub, (since_ms, priority) in (standing or {}).items()
        }

    def evaluate(self, now_ms: int, statuses: Mapping[str, HubStatus], probes: Mapping[str, HubProbes]) -> list[Event]:
        """What follows at ``now_ms``. A hub that is to read no probe is not missed; one whose readings go on is up, whatever
        a last will said that came late."""
        events: list[Event] = []
        for hub in sorted(statuses.keys() | self._conditions.keys()):
            status, read = statuses.get(hub), probes.get(hub, HubProbes(0, 0))
            since_ms = now_ms
            down = False
            if status is not None and status.state == "down" and read.count > 0:
                since_ms = min(now_ms, status.heard_at_ms)
                down = read.newest_ms < since_ms + ALIVE_AFTER_MS
            if down or hub in self._conditions:
                events += self._follow(hub, now_ms, since_ms if down else now_ms, read.count, down=down)
        return events

    def step(self, by_ms: int) -> None:
        """The wall clock was moved: delays are counted on as if it had not been."""
        for condition in self._conditions.values():
            for name in ("beyond_ms", "inside_ms", "severe_ms"):
                at_ms = getattr(condition, name)
                setattr(condition, name, None if at_ms is None else at_ms + by_ms)

    def _follow(self, hub: str, now_ms: int, since_ms: int, probes: int, *, down: bool) -> list[Event]:
        condition = self._conditions.setdefault(hub, Condition(1, limit=self._delays.on_ms / SECOND_MS))
        began_ms = condition.beyond_ms if condition.beyond_ms is not None else since_ms
        condition.mark(since_ms, (now_ms - began_ms) / SECOND_MS, beyond=down, cleared=not down)
        condition.severe_ms = condition.beyond_ms
        due_ms = condition.due_ms(self._delays, self._blind_ms)
        events: list[Event] = []
        if due_ms <= now_ms:
            events = self._happens(hub, condition, now_ms, due_ms, probes)
        if condition.idle:
            del self._conditions[hub]
        return events

    def _happens(self, hub: str, condition: Condition, now_ms: int, due_ms: int, probes: int) -> list[Event]:
        kind, worst, limit = AlarmKind.SILENT, condition.worst, condition.limit
        blind = condition.severe_ms is not None and now_ms >= condition.severe_ms + self._blind_ms
        priority = Priority.HIGH if blind else Priority.MEDIUM
        if condition.raised_ms is None:
            condition.raised_ms, condition.priority, condition.escalated = due_ms, priority, blind
            detail = f"it is off or cannot reach the broker; {probes} probes are not read"
            return [Raised(None, None, kind, priority, due_ms, worst, limit, detail, hub=hub)]
        if blind:
            condition.priority, condition.escalated = priority, True
            return [Worse(None, None, kind, priority, now_ms, worst, limit, hub=hub)]
        at_ms = max(due_ms, condition.raised_ms)
        condition.raised_ms, condition.escalated = None, False
        return [Returned(None, None, kind, at_ms, worst, hub=hub)]
