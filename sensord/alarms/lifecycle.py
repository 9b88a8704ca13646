"""The states of an alarm, as in ANSI/ISA-18.2 and IEC 62682. Pure: an alarm and what happened give the alarm after it.

An alarm stands (``returned_ms`` None) or not, somebody saw it (``acknowledged_ms``) or not; beside that it may be set
aside: shelved by the keeper until an instant, suppressed by design, or out of service. All three keep the alarm fully at
work underneath (OPC 10000-9, 4.8), so nothing is lost while it is aside.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from enum import StrEnum

from sensord.errors import InputError
from sensord.model import AlarmKind, Place, Priority

RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}
LONGEST_SHELF_MS = 30 * 86_400_000


class AlarmState(StrEnum):
    """ANSI/ISA-18.2 states; ``returned`` is back to normal while nobody has acknowledged it."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm from its raising on. Instants in ms, None while it is not so; ``worst`` and ``limit`` in the kind's unit.

    Attributes:
        aside: shelved, suppressed by design, out of service, or None.
        aside_until_ms: end of the shelving. aside_because, aside_by: the reason, and who gave it.
        detail: what the hub said of it when it was raised, one line; empty where it said nothing.
        hub: the hub that is silent as a whole; empty for an alarm of a probe or a nest.
    """

    id: str
    nest: str | None
    probe: str | None
    place: Place | None
    room: str
    rack: str
    species: str
    kind: AlarmKind
    priority: Priority
    raised_ms: int
    worst: float
    limit: float
    returned_ms: int | None = None
    acknowledged_ms: int | None = None
    acknowledged_by: str = ""
    aside: AlarmState | None = None
    aside_until_ms: int | None = None
    aside_because: str = ""
    aside_by: str = ""
    detail: str = ""
    hub: str = ""

    @property
    def state(self) -> AlarmState:
        """Its state by the standard."""
        if self.aside is not None:
            return self.aside
        if self.returned_ms is None:
            return AlarmState.UNACKNOWLEDGED if self.acknowledged_ms is None else AlarmState.ACKNOWLEDGED
        return AlarmState.RETURNED if self.acknowledged_ms is None else AlarmState.NORMAL

    @property
    def stands(self) -> bool:
        """Whether what it is about still holds."""
        return self.returned_ms is None

    @property
    def point(self) -> tuple[str, AlarmKind]:
        """What it is an alarm of: at most one stands for each."""
        return point(self.nest, self.probe, self.kind, self.hub)


def point(nest: str | None, probe: str | None, kind: AlarmKind, hub: str = "") -> tuple[str, AlarmKind]:
    """The alarm point: a whole hub, else the probe where there is one, else the nest, and the kind."""
    return (f"hub {hub}" if hub else f"probe {probe}" if probe else f"nest {nest}"), kind


def alarm_id(nest: str | None, probe: str | None, kind: AlarmKind, raised_ms: int, hub: str = "") -> str:
    """The same for the same alarm, however often it is worked out."""
    text = f"{nest or ''}|{probe or ''}|{kind}|{raised_ms}" + (f"|hub {hub}" if hub else "")
    return hashlib.blake2b(text.encode(), digest_size=6).hexdigest()


def back_to_normal(alarm: Alarm, at_ms: int, worst: float) -> Alarm:
    """What it was about is over; said twice it changes nothing."""
    return (
        alarm if alarm.returned_ms is not None else replace(alarm, returned_ms=max(at_ms, alarm.raised_ms), worst=worst)
    )


def grow_worse(alarm: Alarm, priority: Priority, worst: float) -> Alarm:
    """It gained priority: who acknowledged the lesser one has not seen this. It never loses priority."""
    if not alarm.stands:
        return alarm
    if RANK[priority] <= RANK[alarm.priority]:
        return replace(alarm, worst=worst)
    return replace(alarm, priority=priority, worst=worst, acknowledged_ms=None, acknowledged_by="")


def acknowledge(alarm: Alarm, at_ms: int, by: str) -> Alarm:
    """Somebody saw it; the first one counts."""
    if alarm.acknowledged_ms is not None:
        return alarm
    return replace(alarm, acknowledged_ms=max(at_ms, alarm.raised_ms), acknowledged_by=by)


def shelve(alarm: Alarm, at_ms: int, until_ms: int, because: str, by: str) -> Alarm:
    """Set aside by the keeper, with a reason and an end.

    Raises:
        InputError: no reason, an end that is not ahead or more than 30 days ahead, or an alarm that is over, suppressed
            or out of service.
    """
    if not because.strip():
        raise InputError(f"alarm {alarm.id}: shelving needs a reason: --because TEXT")
    if not at_ms < until_ms <= at_ms + LONGEST_SHELF_MS:
        raise InputError(f"alarm {alarm.id}: shelving must end in the future and within 30 days")
    if alarm.aside not in (None, AlarmState.SHELVED):
        raise InputError(f"alarm {alarm.id}: is {alarm.aside}; only one that stands or is shelved can be shelved")
    if alarm.aside is None and not alarm.stands:
        raise InputError(f"alarm {alarm.id}: is over since it returned to normal; there is nothing to shelve")
    return replace(alarm, aside=AlarmState.SHELVED, aside_until_ms=until_ms, aside_because=because.strip(), aside_by=by)


def unshelve(alarm: Alarm) -> Alarm:
    """Back from its shelf before its time; what is on none stays as it is.

    Raises:
        InputError: it is suppressed by design or out of service, which its cause alone ends.
    """
    if alarm.aside not in (None, AlarmState.SHELVED):
        raise InputError(f"alarm {alarm.id}: is {alarm.aside}: {alarm.aside_because}; it comes back when that is over")
    return bring_back(alarm)


def set_aside(alarm: Alarm, state: AlarmState, because: str, by: str) -> Alarm:
    """Suppressed by design (the system's logic says so) or taken out of service (the keeper mends something).

    Raises:
        InputError: another state.
    """
    if state not in (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE):
        raise InputError(f"alarm {alarm.id}: {state} is not a way to set an alarm aside without an end")
    return replace(alarm, aside=state, aside_until_ms=None, aside_because=because, aside_by=by)


def bring_back(alarm: Alarm) -> Alarm:
    """No longer set aside: it is again what it was underneath."""
    return replace(alarm, aside=None, aside_until_ms=None, aside_because="", aside_by="")


def release(alarm: Alarm, at_ms: int) -> Alarm:
    """No longer suppressed or out of service. What came and went meanwhile nobody was told of: it asks for no word."""
    back = bring_back(alarm)
    return back if back.stands else acknowledge(back, at_ms, "over while set aside")


def shelf_ends(alarm: Alarm, at_ms: int) -> bool:
    """Whether a shelving has run out."""
    return alarm.aside == AlarmState.SHELVED and alarm.aside_until_ms is not None and at_ms >= alarm.aside_until_ms
