"""The winter month through the product: rules, lifecycle, log and the words of the push; and what a keeper says of it."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np
from winter_month import COUNT, START_MS, ZONE, Incident, K, Month, hub_of, standings
from winter_room import DAY_MIN

from sensord.alarms.conditions import Event
from sensord.alarms.deliveries import Deliveries
from sensord.alarms.doubt import STUCK_READINGS
from sensord.alarms.hubs import HubProbes, HubRules
from sensord.alarms.lifecycle import Alarm, AlarmState
from sensord.alarms.log import AlarmLog
from sensord.alarms.replay import evaluate
from sensord.alarms.rules import ProbeRules
from sensord.alarms.standing import Standings
from sensord.alarms.teller import LONGEST_WAIT_MS, Teller
from sensord.alarms.tuning import Tuning
from sensord.clock import HOUR_MS, MINUTE_MS, SECOND_MS, from_ms
from sensord.db import open_db, transaction
from sensord.model import AlarmKind, Priority
from sensord.probes.quality import CONDENSED_AFTER_S, CONDENSED_PCT
from sensord.settings import RouteSettings
from sensord.store.status import HubStatus

FAULT_AFTER_MIN = {
    "stuck": 120, "condensed": 360, "humidity missing": 15, "unplugged": 15, "flaky cable": 240, "hub without a network": 15,
}  # fmt: skip
SURE_PCT, SURE_C = 3.0, 0.5
"""So far beyond its limit no probe of ±2 %RH and ±0.2 °C with its noise can miss it."""


@dataclass
class Heard:
    """What the keeper got: messages (instant, topic, title, body) and alarms, with the instant each was told."""

    messages: list[tuple[int, str, str, str]]
    alarms: list[Alarm]
    told_ms: dict[str, int]


def hub_events(month: Month, tuning: Tuning) -> list[Event]:
    """What a station that hears every hub's status makes of the reboots."""
    rules, events = HubRules(tuning), []
    for hub, minute, length in sorted(month.outages, key=lambda each: each[1]):
        begin_ms, end_ms = START_MS + minute * MINUTE_MS, START_MS + (minute + length) * MINUTE_MS
        count = sum(hub_of(nest) == hub for nest in range(COUNT))
        for now_ms in range(begin_ms, end_ms + 3 * MINUTE_MS, 5 * SECOND_MS):
            down = now_ms < end_ms
            status = HubStatus(hub, "down" if down else "up", None, "", "", 0, None, begin_ms if down else end_ms)
            events += rules.evaluate(now_ms, {hub: status}, {hub: HubProbes(count, begin_ms if down else now_ms)})
    return events


def hub_words(month: Month) -> dict[str, list[tuple[int, str]]]:
    """What the hubs say of their probes: condensed after a quarter of an hour at 99.5 %RH, and no answer where there is none."""
    found: dict[str, list[tuple[int, str]]] = defaultdict(list)
    by = {incident.name: incident for incident in month.found}
    mute = {by[name].nests[0] for name in ("unplugged", "flaky cable") if name in by}
    for column, probe in enumerate(month.names()):
        rows = np.flatnonzero(month.there[:, column])
        at_ms = month.at_ms[rows, column]
        wet = month.read_pct[rows, column] >= CONDENSED_PCT
        since, said = -1, False
        for at, is_wet in zip(at_ms.tolist(), wet.tolist(), strict=True) if wet.any() else ():
            since = (at if since < 0 else since) if is_wet else -1
            now = is_wet and at - since >= CONDENSED_AFTER_S * SECOND_MS
            if now != said:
                said = now
                found[probe].append((at, "has been at 99.5 %RH or above for a quarter of an hour" if now else ""))
        if column in mute:
            others = [n for n in range(COUNT) if hub_of(n) == probe.partition("/")[0] and n not in mute]
            scans = (month.there[:, column] | ~month.there[:, others].any(axis=1)).tolist()
            scans = [each or here for each, here in zip(scans, lone(month, column), strict=True)]
            for row in range(1, len(scans)):
                if scans[row] != scans[row - 1]:
                    found[probe].append((int(month.at_ms[row, column]), "" if scans[row] else "does not answer"))
            found[probe].sort()
    return found


def lone(month: Month, column: int) -> list[bool]:
    """Where a single scan is missing: that is no word from the hub."""
    there = month.there[:, column]
    before, after = np.roll(there, 1), np.roll(there, -1)
    return (before & after).tolist()


def events_of(month: Month, tuning: Tuning, stand: Standings, until_ms: int) -> list[Event]:
    """As the watch works it out live: readings, the passing of time, and what the hubs say."""
    words = hub_words(month)
    told = [probe for probe in month.names() if probe in words]
    events = evaluate(_Without(month, set(told)), stand, tuning, START_MS, until_ms).events
    for probe in told:
        rules = ProbeRules(probe, tuning, stand.of)
        columns = month.raw(probe, START_MS, until_ms)
        readings = [
            (at, 1, (temp, None if rh != rh else rh))
            for at, temp, rh in zip(columns.at_ms, columns.temp_c, columns.rh_pct, strict=True)
        ]
        said = [(at, 0, line) for at, line in words[probe]]
        ticks = [(at, 2, None) for at in range(START_MS, until_ms, 3 * MINUTE_MS)]
        for at_ms, sort, what in sorted(readings + said + ticks, key=lambda each: each[:2]):
            if sort == 0:
                rules.report(at_ms, what)
            elif sort == 1:
                events += rules.read(at_ms, *what)
            else:
                events += rules.tick(at_ms)
    return events


class _Without:
    def __init__(self, month: Month, left_out: set[str]) -> None:
        self._month, self._out = month, left_out
        self.raw = month.raw

    def probes(self) -> list[str]:
        return [probe for probe in self._month.names() if probe not in self._out]


def live_with(month: Month, *, tuning: Tuning | None = None, quiet: tuple[str, str] = ("", "")) -> Heard:
    tuning, stand = tuning or Tuning(), standings()
    until_ms = START_MS + month.house.days * DAY_MIN * MINUTE_MS
    events = events_of(month, tuning, stand, until_ms) + hub_events(month, tuning)
    events.sort(key=lambda event: event.at_ms)
    connection = open_db(":memory:")
    log, deliveries = AlarmLog(connection), Deliveries(connection)
    teller = Teller(
        log, deliveries, [RouteSettings("phone")], ZONE, "http://wall.example", quiet=quiet, remind_ms=HOUR_MS
    )
    waiting = defaultdict(list)
    for event in events:
        waiting[event.at_ms // MINUTE_MS].append(event)
    for minute in range(START_MS // MINUTE_MS, until_ms // MINUTE_MS + 60):
        if not (waiting[minute] or minute % 5 == 0):
            continue
        now_ms = minute * MINUTE_MS
        with transaction(connection):
            news = [log.take(event, where(stand, event)) for event in waiting[minute]]
            teller.hear([each for each in news if each] + log.end_shelves(now_ms) + log.settle(now_ms))
            teller.insist(now_ms)
            teller.tell(now_ms)
        if minute % 15 == 0:
            keeper_acknowledges(log, deliveries, now_ms)
    messages = connection.execute("SELECT at_ms, topic, title, body FROM messages ORDER BY at_ms, id").fetchall()
    told = dict(
        connection.execute("SELECT alarm, min(at_ms) FROM message_alarms JOIN messages ON id = message GROUP BY alarm")
    )
    return Heard(messages, log.since(0), told)


def where(stand: Standings, event: Event):
    if event.probe is not None:
        return stand.of(event.probe, event.at_ms)
    return stand.of_nest(event.nest, event.at_ms) if event.nest else None


def keeper_acknowledges(log: AlarmLog, deliveries: Deliveries, now_ms: int) -> None:
    """By day within half an hour, at night only what is urgent."""
    awake = 7 <= from_ms(now_ms).astimezone(ZONE).hour < 23
    for alarm in log.active():
        if alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED) and (
            awake or alarm.priority == Priority.HIGH
        ):
            told = deliveries.tellings(alarm.id)
            if told and told[0].at_ms <= now_ms - 15 * MINUTE_MS:
                log.acknowledge(alarm.id, now_ms, "keeper")


@dataclass
class Limits:
    """The bands as they held for every probe and row: °C and %RH."""

    low_c: np.ndarray
    high_c: np.ndarray
    low_pct: np.ndarray
    high_pct: np.ndarray
    rests: np.ndarray


def limits_of(month: Month) -> Limits:
    stand, shape = standings(), month.temp_c.shape
    found = Limits(*(np.zeros(shape) for _ in range(4)), np.zeros(shape, bool))
    for column, probe in enumerate(month.names()):
        at_ms, row = month.at_ms[:, column], 0
        while row < shape[0]:
            here = stand.of(probe, int(at_ms[row]))
            end = int(np.searchsorted(at_ms, here.until_ms))
            temp, rh = here.bands.temp_c, here.bands.rh_pct
            found.low_c[row:end, column], found.high_c[row:end, column] = temp.limit_low, temp.limit_high
            found.low_pct[row:end, column], found.high_pct[row:end, column] = rh.limit_low, rh.limit_high
            found.rests[row:end, column] = here.season == "winter_rest"
            row = end
    return found


def excess(month: Month, limits: Limits, kind: AlarmKind) -> np.ndarray:
    """How far the true air is beyond its limit, every row and probe; of a swing, the range of the last hour beyond 6 °C."""
    if kind == K.SWING:
        width = 60 // month.house.every_min + 1
        high, low = month.temp_c.copy(), month.temp_c.copy()
        for back in range(1, width):
            high[back:] = np.maximum(high[back:], month.temp_c[:-back])
            low[back:] = np.minimum(low[back:], month.temp_c[:-back])
        return high - low - 6.0
    return {
        K.DRY: limits.low_pct - month.rh_pct, K.WET: month.rh_pct - limits.high_pct,
        K.HOT: month.temp_c - limits.high_c, K.COLD: limits.low_c - month.temp_c,
    }[kind]  # fmt: skip


AIR = (K.DRY, K.WET, K.HOT, K.COLD, K.SWING)


@dataclass
class Judged:
    """``verdict``: incident NAME, real (nobody wrote it down, but the air was so), near (within the probe's accuracy), false."""

    alarm: Alarm
    verdict: str


@dataclass
class Verdict:
    judged: list[Judged]
    missed: list[str]
    late: list[str]
    demanded: dict[str, int] = field(default_factory=dict)


def columns_of(alarm: Alarm, month: Month) -> list[int]:
    if alarm.probe:
        return [month.names().index(alarm.probe)]
    return [nest for nest in range(COUNT) if hub_of(nest) == alarm.hub]


def judge(month: Month, heard: Heard, tuning: Tuning | None = None) -> Verdict:
    tuning, limits = tuning or Tuning(), limits_of(month)
    over = {kind: excess(month, limits, kind) for kind in AIR}
    judged = [
        Judged(alarm, verdict_of(alarm, month, over, tuning))
        for alarm in heard.alarms
        if alarm.id in heard.told_ms or alarm.aside is None
    ]
    result = Verdict(judged, [], [])
    for incident in month.found:
        if incident.must:
            expect(incident, month, over, heard, tuning, result)
    return result


def verdict_of(alarm: Alarm, month: Month, over: dict, tuning: Tuning) -> str:
    columns, raised_min = columns_of(alarm, month), (alarm.raised_ms - START_MS) / MINUTE_MS
    for incident in month.found:
        hit = not incident.nests or set(columns) & set(incident.nests)
        if hit and alarm.kind in incident.kinds and incident.from_min <= raised_min <= incident.until_min + 45:
            return f"incident {incident.name}"
    rows = month.at_ms[:, columns[0]]
    end = int(np.searchsorted(rows, alarm.raised_ms, side="right"))
    if alarm.kind == K.SILENT:
        gone = 15 if alarm.probe else 1
        begin = int(np.searchsorted(rows, alarm.raised_ms - gone * MINUTE_MS + 1))
        return "real" if not month.there[begin:end, columns].any() else "false"
    if alarm.kind not in AIR:
        return "false"
    delay_min = 15 + tuning.delays[alarm.kind].on_ms // MINUTE_MS
    begin = max(0, end - 1 - delay_min // month.house.every_min)
    worst = over[alarm.kind][begin:end, columns[0]]
    if np.median(worst[-max(1, len(worst) // 2) :]) > 0 or (alarm.kind == K.SWING and worst.max() > 0):
        return "real"
    near = {K.DRY: SURE_PCT, K.WET: SURE_PCT}.get(alarm.kind, SURE_C)
    return "near" if worst.max() > -near else "false"


def expect(incident: Incident, month: Month, over: dict, heard: Heard, tuning: Tuning, result: Verdict) -> None:
    """Whether it was told wherever it surely held for the on-delay: raised in time, and told in time, the first of it at once,
    the rest of a crowd within the longest wait of a topic."""
    found: list[tuple[int, int]] = []
    for column in incident.nests or range(120):
        due_ms = due_of(incident, column, month, over, tuning)
        if due_ms is None:
            continue
        result.demanded[incident.name] = result.demanded.get(incident.name, 0) + 1
        ours = [alarm for alarm in heard.alarms if concerns(alarm, incident, month.names()[column])]
        told_ms = min((heard.told_ms[alarm.id] for alarm in ours if alarm.id in heard.told_ms), default=None)
        if told_ms is not None:
            found.append((due_ms, told_ms))
        elif not any(alarm.aside for alarm in ours):
            result.missed.append(f"{incident.name} {month.names()[column]}")
        if ours and min(alarm.raised_ms for alarm in ours) > due_ms:
            result.late.append(f"{incident.name} {month.names()[column]} raised late")
    if found and min(told for _, told in found) > min(due for due, _ in found) + MINUTE_MS:
        result.late.append(f"{incident.name} told late")
    result.late += [f"{incident.name} one of a crowd told late" for due, told in found if told > due + LONGEST_WAIT_MS]


def due_of(incident: Incident, column: int, month: Month, over: dict, tuning: Tuning) -> int | None:
    """When at the latest an alarm must be raised there; None where the probe cannot surely see it.

    After the on-delay, one reading and 15 s; a swing must have lasted for ten minutes, and is looked at every five.
    """
    kind, every = incident.kinds[0], month.house.every_min
    if kind not in AIR:
        readings = STUCK_READINGS if incident.name == "stuck" else 4  # three are missed, the fourth tells
        after = max(FAULT_AFTER_MIN[incident.name], readings * every)
        return START_MS + (incident.from_min + after + every) * MINUTE_MS + 15 * SECOND_MS
    begin, end = incident.from_min // every, min(incident.until_min // every, len(month.at_ms))
    sure = {K.DRY: SURE_PCT, K.WET: SURE_PCT, K.SWING: 3 * SURE_C}.get(kind, SURE_C)
    resting = kind == K.HOT and month_rests(month, column, begin)
    delay_ms = tuning.resting_hot_on_ms if resting else tuning.delays[kind].on_ms
    first = first_run(over[kind][begin:end, column] > sure, -(-delay_ms // MINUTE_MS // every) + 1)
    if first is None:
        return None
    brief_ms = 15 * MINUTE_MS if kind == K.SWING else 0
    return int(month.at_ms[begin + first, column]) + delay_ms + brief_ms + every * MINUTE_MS + 15 * SECOND_MS


def concerns(alarm: Alarm, incident: Incident, probe: str) -> bool:
    """Whether an alarm tells of an incident at a probe; a swing that crosses a limit may be told as heat or cold."""
    begin_ms, end_ms = (START_MS + minute * MINUTE_MS for minute in (incident.from_min, incident.until_min))
    kinds = incident.kinds[:1] if incident.kinds[0] in (K.DRY, K.WET, K.HOT, K.COLD) else incident.kinds
    here = alarm.probe == probe or (alarm.hub and probe.startswith(f"{alarm.hub}/"))
    return (
        bool(here)
        and alarm.kind in kinds
        and (alarm.returned_ms or end_ms) >= begin_ms
        and alarm.raised_ms <= end_ms + HOUR_MS
    )


def month_rests(month: Month, column: int, row: int) -> bool:
    here = standings().of(month.names()[column], int(month.at_ms[row, column]))
    return here.season == "winter_rest"


def first_run(beyond: np.ndarray, length: int) -> int | None:
    run = 0
    for row, each in enumerate(beyond):
        run = run + 1 if each else 0
        if run >= length:
            return row - length + 1
    return None


def repeats(heard: Heard, within_ms: int = 2 * HOUR_MS) -> Counter:
    """Alarms of one point that were raised again within two hours of the last one's end."""
    by, found = defaultdict(list), Counter()
    for alarm in sorted(heard.alarms, key=lambda alarm: alarm.raised_ms):
        if alarm.id in heard.told_ms:
            by[alarm.point].append(alarm)
    for point, alarms in by.items():
        for before, after in itertools.pairwise(alarms):
            if before.returned_ms and after.raised_ms - before.returned_ms < within_ms:
                found[point] += 1
    return found
