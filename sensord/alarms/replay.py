"""Stored readings through bands and rules: the alarms they would raise, by the very code that runs live, and the counts.

Counts follow ANSI/ISA-18.2 and IEC 62682: alarms per ten minutes, floods (more than ten in ten minutes, over when fewer
than five), chattering (three or more raises of one alarm within a minute), stale (standing for more than 24 h).
"""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from sensord.alarms import lifecycle
from sensord.alarms.aside import HUMIDITY, Causes, aside_of
from sensord.alarms.calibrated import Calibrated
from sensord.alarms.conditions import Event, Raised, Worse
from sensord.alarms.engine import Engine
from sensord.alarms.lifecycle import Alarm
from sensord.alarms.log import born_alarm
from sensord.alarms.reservoir import Outlook, ReservoirRules
from sensord.alarms.standing import Standing, Standings
from sensord.alarms.tuning import Tuning
from sensord.clock import DAY_MS, MINUTE_MS
from sensord.model import AlarmKind, Reading
from sensord.store.base import Columns

RESERVOIRS_EVERY_MS = DAY_MS
TEN_MINUTES_MS = 10 * MINUTE_MS
FLOOD_BEGINS_ABOVE = 10
FLOOD_ENDS_BELOW = 5


@dataclass(frozen=True, slots=True)
class Counts:
    """How good a set of bands would be to live with.

    Attributes:
        per_nest_day: alarms a nest and day. busiest_10_min: most alarms within any ten minutes.
        floods, chattering, stale: how many of each there were.
    """

    alarms: int
    readings: int
    nests: int
    days: float
    per_nest_day: float
    per_10_min: float
    busiest_10_min: int
    floods: int
    chattering: int
    stale: int
    by_kind: dict[str, int]
    by_priority: dict[str, int]


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay found: every alarm, in order of raising, and the counts."""

    alarms: list[Alarm]
    counts: Counts


@dataclass(frozen=True, slots=True)
class Evaluated:
    """What the rules found: events probe by probe, not in order of time, the rules as they ended, and the newest instant."""

    events: list[Event]
    engine: Engine
    readings: int
    newest_ms: int


class Readings(Protocol):
    """What a replay needs of a store: all of it, or the probes of one nest."""

    def probes(self) -> list[str]:
        """Whose readings."""

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe."""


def replay(
    store: Readings,
    standings: Standings,
    tuning: Tuning,
    from_ms: int,
    until_ms: int,
    *,
    calibrated: Calibrated | None = None,
    outlook: Outlook | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> Replayed:
    """Evaluate every reading of ``from_ms <= at < until_ms``.

    Silence is judged until the newest reading of any probe in that time: beyond it nothing is known. Reservoirs are
    judged once a day where ``outlook`` is given. What hubs said of themselves is not stored, so it is not replayed.
    """
    found = evaluate(store, standings, tuning, from_ms, until_ms, calibrated=calibrated, progress=progress)
    events = found.events + (reservoirs(outlook, standings, tuning, from_ms, until_ms) if outlook else [])
    alarms = alarms_of(events, found.engine, standings)
    nests = {placement.nest for placement in standings.placements if placement.nest is not None}
    counts = count(alarms, found.readings, max(1, len(nests)), from_ms, until_ms, found.newest_ms)
    return Replayed(alarms, counts)


def evaluate(
    store: Readings,
    standings: Standings,
    tuning: Tuning,
    from_ms: int,
    until_ms: int,
    *,
    calibrated: Calibrated | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> Evaluated:
    """Every reading of ``from_ms <= at < until_ms`` through the rules, probe by probe."""
    engine = Engine(tuning, standings)
    events: list[Event] = []
    readings, newest_ms = 0, from_ms
    probes = store.probes()
    for number, probe in enumerate(probes):
        read = engine.of(probe).read
        calibrate = calibrated if calibrated is not None and calibrated.of(probe) else None
        columns = store.raw(probe, from_ms, until_ms)
        for at_ms, temp_c, rh_pct in zip(columns.at_ms, columns.temp_c, columns.rh_pct, strict=True):
            temp = temp_c if temp_c == temp_c else None  # noqa: PLR0124  NaN is a missing value
            rh = rh_pct if rh_pct == rh_pct else None  # noqa: PLR0124
            if calibrate is not None:
                given = calibrate(Reading(probe, at_ms, temp, rh))
                temp, rh = given.temp_c, given.rh_pct
            found = read(at_ms, temp, rh)
            if found:
                events += found
        readings += len(columns)
        newest_ms = max(newest_ms, columns.at_ms[-1] if len(columns) else from_ms)
        progress((number + 1) / len(probes))
    events += engine.tick(newest_ms)
    return Evaluated(events, engine, readings, newest_ms)


def reservoirs(outlook: Outlook, standings: Standings, tuning: Tuning, from_ms: int, until_ms: int) -> list[Event]:
    """What the reservoirs' rules find in the outlook of each day, made with nothing later than its instant."""
    rules, events = ReservoirRules(tuning), list[Event]()
    for at_ms in range(from_ms, until_ms, RESERVOIRS_EVERY_MS):
        events += rules.gone(at_ms, [nest for nest in rules.standing if standings.of_nest(nest, at_ms) is None])
        events += rules.evaluate(at_ms, outlook(at_ms))
    return events


def alarms_of(events: Sequence[Event], engine: Engine, standings: Standings) -> list[Alarm]:
    """Events to alarms through the lifecycle, in order of raising. What a faulty probe says of humidity is suppressed by
    design, here as live; once the probe is well again, what still stands counts."""
    worst = dict(engine.worst())
    standing: dict[tuple[str, AlarmKind], Alarm] = {}
    done: list[Alarm] = []
    for event in events:
        point = lifecycle.point(event.nest, event.probe, event.kind, event.hub)
        if isinstance(event, Raised):
            standing[point] = born_alarm(event, _where(event, standings))
        elif point in standing and isinstance(event, Worse):
            standing[point] = lifecycle.grow_worse(standing[point], event.priority, event.value)
        elif point in standing:
            done.append(lifecycle.back_to_normal(standing.pop(point), event.at_ms, event.value))
        _settle(event, standing)
    done += [
        lifecycle.grow_worse(alarm, alarm.priority, worst.get(alarm.point, alarm.worst)) for alarm in standing.values()
    ]
    return sorted(done, key=lambda alarm: (alarm.raised_ms, alarm.id))


def _where(event: Raised, standings: Standings) -> Standing | None:
    if event.probe is not None:
        return standings.of(event.probe, event.at_ms)
    return standings.of_nest(event.nest or "", event.at_ms)


def _settle(event: Event, standing: dict[tuple[str, AlarmKind], Alarm]) -> None:
    """Suppress what the event makes meaningless, of its probe alone; bring back what it no longer does."""
    if event.probe is None or event.kind not in (AlarmKind.FAULTY, *HUMIDITY):
        return
    faulty = {event.probe} if (f"probe {event.probe}", AlarmKind.FAULTY) in standing else set()
    for point in [(f"probe {event.probe}", kind) for kind in HUMIDITY]:
        if point in standing:
            alarm = standing[point]
            aside = aside_of(alarm, Causes(faulty=faulty))
            if aside is None:
                standing[point] = lifecycle.bring_back(alarm)
            else:
                standing[point] = lifecycle.set_aside(alarm, aside.state, aside.because, aside.by)


def count(alarms: Sequence[Alarm], readings: int, nests: int, from_ms: int, until_ms: int, newest_ms: int) -> Counts:
    """The counts of the standards over a time. What is suppressed by design troubles nobody and does not count."""
    alarms = [alarm for alarm in alarms if alarm.aside is None]
    days = max(until_ms - from_ms, 1) / DAY_MS
    raised = sorted(alarm.raised_ms for alarm in alarms)
    return Counts(
        alarms=len(alarms),
        readings=readings,
        nests=nests,
        days=days,
        per_nest_day=len(alarms) / (nests * days),
        per_10_min=len(alarms) / (days * DAY_MS / TEN_MINUTES_MS),
        busiest_10_min=busiest(raised, TEN_MINUTES_MS),
        floods=floods(raised),
        chattering=chattering(alarms),
        stale=sum(((alarm.returned_ms or newest_ms) - alarm.raised_ms) > DAY_MS for alarm in alarms),
        by_kind=dict(Counter(str(alarm.kind) for alarm in alarms)),
        by_priority=dict(Counter(str(alarm.priority) for alarm in alarms)),
    )


def busiest(raised_ms: Sequence[int], width_ms: int) -> int:
    """The most instants within any stretch of that width; the instants ascend."""
    recent: deque[int] = deque()
    most = 0
    for at_ms in raised_ms:
        recent.append(at_ms)
        while recent[0] <= at_ms - width_ms:
            recent.popleft()
        most = max(most, len(recent))
    return most


def floods(raised_ms: Sequence[int]) -> int:
    """How many floods: more than ten alarms within ten minutes begin one, fewer than five end it."""
    recent: deque[int] = deque()
    flooding, found = False, 0
    for at_ms in raised_ms:
        while recent and recent[0] <= at_ms - TEN_MINUTES_MS:
            recent.popleft()
            flooding = flooding and len(recent) >= FLOOD_ENDS_BELOW
        recent.append(at_ms)
        if not flooding and len(recent) > FLOOD_BEGINS_ABOVE:
            flooding, found = True, found + 1
    return found


def chattering(alarms: Sequence[Alarm]) -> int:
    """How many alarm points were raised three times or more within a minute."""
    by_point: defaultdict[object, list[int]] = defaultdict(list)
    for alarm in alarms:
        by_point[alarm.point].append(alarm.raised_ms)
    return sum(busiest(sorted(raised), MINUTE_MS) >= 3 for raised in by_point.values())
