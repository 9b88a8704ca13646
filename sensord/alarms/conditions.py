"""One condition of one probe or nest: when it counts as an alarm, and when as over. Pure; time is the readings' own.

On-delay: it must hold for the whole delay before the alarm is raised. Off-delay: the alarm is held for the delay after
the value recovers. Deadband: a high alarm clears only below limit minus deadband, a low one only above limit plus
deadband; it affects clearing, never raising. (OPC 10000-9, Annex B.1.5.)
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from sensord.model import AlarmKind, Priority

NEVER_MS = 1 << 62


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm begins. ``value`` is the worst so far; both in the unit of the kind (°C, %RH, °C/h, days, seconds).

    Attributes:
        detail: what the hub says of it, one line; empty where it says nothing.
        hub: the hub that is silent as a whole; empty for an alarm of a probe or a nest.
    """

    probe: str | None
    nest: str | None
    kind: AlarmKind
    priority: Priority
    at_ms: int
    value: float
    limit: float
    detail: str = ""
    hub: str = ""


@dataclass(frozen=True, slots=True)
class Worse:
    """A standing alarm gains priority."""

    probe: str | None
    nest: str | None
    kind: AlarmKind
    priority: Priority
    at_ms: int
    value: float
    limit: float
    hub: str = ""


@dataclass(frozen=True, slots=True)
class Returned:
    """What an alarm was about is over. ``value`` is the worst there was."""

    probe: str | None
    nest: str | None
    kind: AlarmKind
    at_ms: int
    value: float
    hub: str = ""


Event = Raised | Worse | Returned


@dataclass(frozen=True, slots=True)
class Delays:
    """Of one kind, in milliseconds. On and off together are at least a minute: then nothing can chatter.

    (Chattering, in the standards' sense, is three raises within a minute.)
    """

    on_ms: int
    off_ms: int

    def __post_init__(self) -> None:
        if self.on_ms < 0 or self.off_ms < 0 or self.on_ms + self.off_ms < 60_000:
            raise ValueError(f"delays of {self.on_ms} ms and {self.off_ms} ms: together at least 60000 ms")


@dataclass(slots=True)
class Condition:
    """The state of one condition. All instants in milliseconds; None while it is not so.

    Attributes:
        sign: 1 where more is worse, -1 where less is.
        beyond_ms, severe_ms, inside_ms: since when the value is beyond its limit, far beyond it, back inside.
        raised_ms: since when the alarm stands. escalated: whether its priority was lifted for being far beyond.
        again: how many times in a row it came back soon after it was over.
    """

    sign: int
    limit: float = 0.0
    worst: float = 0.0
    priority: Priority = Priority.LOW
    beyond_ms: int | None = None
    severe_ms: int | None = None
    inside_ms: int | None = None
    raised_ms: int | None = None
    escalated: bool = False
    again: int = 0

    def feed(self, at_ms: int, value: float, limit: float, deadband: float, severe_margin: float | None = None) -> None:
        """Take note of a value; whether something follows from it, ``due_ms`` tells."""
        excess = (value - limit) * self.sign
        if self.raised_ms is None:
            self.limit = limit
        self.mark(at_ms, value, beyond=excess > 0, cleared=excess < -deadband or (deadband == 0 and excess <= 0))
        if severe_margin is None or excess <= severe_margin:
            self.severe_ms = None
        elif self.severe_ms is None:
            self.severe_ms = at_ms

    def mark(self, at_ms: int, value: float, *, beyond: bool, cleared: bool) -> None:
        """Take note of what a value means: beyond the limit, cleared (inside by the deadband), or neither."""
        if beyond:
            if self.beyond_ms is None:
                self.beyond_ms = at_ms
                if self.raised_ms is None:
                    self.worst = value
            if (value - self.worst) * self.sign > 0:
                self.worst = value
        else:
            self.beyond_ms = None
        if self.raised_ms is None or not cleared:
            self.inside_ms = None
        elif self.inside_ms is None:
            self.inside_ms = at_ms

    def restart(self) -> None:
        """Forget what was pending: a gap in the readings proves nothing either way."""
        self.beyond_ms = self.severe_ms = self.inside_ms = None

    @property
    def idle(self) -> bool:
        """Whether nothing is raised or pending."""
        return self.raised_ms is None and self.beyond_ms is None

    def due_ms(self, delays: Delays, severe_on_ms: int) -> int:
        """When the next change follows, if no reading says otherwise."""
        if self.raised_ms is None:
            due = NEVER_MS if self.beyond_ms is None else self.beyond_ms + delays.on_ms
        else:
            due = NEVER_MS if self.inside_ms is None else self.inside_ms + delays.off_ms
        if self.severe_ms is not None and not self.escalated:
            due = min(due, self.severe_ms + severe_on_ms)
        return due

    def save(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)

    @classmethod
    def load(cls, saved: dict[str, Any]) -> Condition:
        """From JSON."""
        return cls(**{**saved, "priority": Priority(saved["priority"])})
