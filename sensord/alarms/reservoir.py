"""Reservoirs that will soon be dry: the outlook in, alarm events out. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from sensord.alarms.conditions import Event, Raised, Returned, Worse
from sensord.alarms.tuning import Tuning
from sensord.model import AlarmKind, Priority

CLEARS_BEYOND_DAYS = 2.0

Outlook = Callable[[int], Mapping[str, "DaysLeft"]]
"""Of each nest that anything can be said of, at an instant."""


@dataclass(frozen=True, slots=True)
class DaysLeft:
    """Days until a reservoir is dry: the low tenth and the middle of the outlook."""

    p10: float
    p50: float


class ReservoirRules:
    """Raises once a reservoir is due soon, lifts the priority once it is urgent, clears with a margin of two days.

    Attributes:
        standing: nests with an alarm, and its priority.
    """

    def __init__(self, tuning: Tuning, standing: Mapping[str, Priority] | None = None) -> None:
        self._tuning, self.standing = tuning, dict(standing or {})

    def evaluate(self, at_ms: int, outlook: Mapping[str, DaysLeft]) -> list[Event]:
        """What follows from an outlook made at ``at_ms``. A nest it does not name keeps its state."""
        events: list[Event] = []
        for nest, left in sorted(outlook.items()):
            event = self._evaluate(at_ms, nest, left)
            if event is not None:
                events.append(event)
        return events

    def gone(self, at_ms: int, nests: Iterable[str]) -> list[Event]:
        """Nests whose colony is dead or that stand no more: their alarms are over."""
        return [
            Returned(None, nest, AlarmKind.RESERVOIR, at_ms, 0.0)
            for nest in sorted(nests)
            if self.standing.pop(nest, None)
        ]

    def _evaluate(self, at_ms: int, nest: str, left: DaysLeft) -> Event | None:
        kind, limit = AlarmKind.RESERVOIR, self._tuning.reservoir_days
        priority = Priority.MEDIUM if left.p50 <= self._tuning.reservoir_urgent_days else Priority.LOW
        before = self.standing.get(nest)
        if before is None:
            if left.p50 > limit:
                return None
            self.standing[nest] = priority
            return Raised(None, nest, kind, priority, at_ms, left.p50, limit)
        if left.p50 > limit + CLEARS_BEYOND_DAYS:
            del self.standing[nest]
            return Returned(None, nest, kind, at_ms, left.p50)
        if before == Priority.LOW and priority == Priority.MEDIUM:
            self.standing[nest] = priority
            return Worse(None, nest, kind, priority, at_ms, left.p50, limit)
        return None
