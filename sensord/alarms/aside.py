"""When an alarm is set aside with no word about that alarm: its place is out of service, or its cause is told. Pure.

Out of service: the keeper mends a nest, a probe or a hub and has said so. Suppressed by design: a hub that is down makes
its probes silent, and a faulty probe tells nothing of humidity. Heat and cold are told even of a faulty probe: a look too
many costs a minute. ANSI/ISA-18.2 knows both states; the alarm works on underneath, and the log shows every step.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from sensord.alarms.lifecycle import Alarm, AlarmState
from sensord.model import AlarmKind

K = AlarmKind
HUMIDITY = (K.DRY, K.WET)


@dataclass(frozen=True, slots=True)
class Aside:
    """How an alarm is set aside, why, and who said so."""

    state: AlarmState
    because: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class Taken:
    """Out of service since an instant, until another (None: until the keeper says so). ``subject``: ``nest NAME`` and so on."""

    subject: str
    since_ms: int
    until_ms: int | None
    because: str
    by: str


@dataclass(frozen=True, slots=True)
class Causes:
    """All that sets alarms aside at an instant.

    Attributes:
        taken: what is out of service, by subject. hubs_down: hubs that are down or have only just come back.
        faulty: probes with a standing alarm of their own.
    """

    taken: Mapping[str, Taken] = field(default_factory=dict)
    hubs_down: Collection[str] = ()
    faulty: Collection[str] = ()


def aside_of(alarm: Alarm, causes: Causes) -> Aside | None:
    """How an alarm is to be set aside; None where it is to be told."""
    for subject in subjects_of(alarm):
        taken = causes.taken.get(subject)
        if taken is not None:
            return Aside(AlarmState.OUT_OF_SERVICE, taken.because, taken.by)
    hub = hub_of(alarm)
    if alarm.kind == K.SILENT and alarm.probe is not None and hub in causes.hubs_down:
        return Aside(AlarmState.SUPPRESSED, f"hub {hub} is down")
    if alarm.kind in HUMIDITY and alarm.probe in causes.faulty:
        return Aside(AlarmState.SUPPRESSED, f"probe {alarm.probe} is faulty")
    return None


def subjects_of(alarm: Alarm) -> list[str]:
    """The nest, the probe and the hub whose being out of service sets an alarm aside."""
    named = (("nest", alarm.nest), ("probe", alarm.probe), ("hub", hub_of(alarm)))
    return [f"{what} {name}" for what, name in named if name]


def hub_of(alarm: Alarm) -> str:
    """The hub of an alarm: the silent one itself, else that of its probe; empty where it has none."""
    hub, slash, _ = (alarm.probe or "").partition("/")
    return alarm.hub or (hub if slash else "")
