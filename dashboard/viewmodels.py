"""From a snapshot to what the wall says. Pure: no store, no clock, no markup."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from dashboard import text
from dashboard.snapshot import AlarmNow, NestNow, ProcessNow, Snapshot, Water
from dashboard.units import degrees
from sensord.clock import DAY_MS, MINUTE_MS, from_ms
from sensord.keeping.bands import State, Verdict, state_of

LATE_AFTER_MS = 2 * MINUTE_MS + MINUTE_MS // 2
"""A reading older than this shows its age: at one scan a minute, two were missed."""
BEAT_LATE_MS = 25_000
"""Two beats of 10 s missed, and a little."""
NO_NEW_MS = 4 * MINUTE_MS
TEMP_TREND_C_H, RH_TREND_PCT_H = 0.4, 2.0
"""Slower than that is steady: within the SHT31's own ±0.2 °C and ±2 %RH an hour."""
MOST_DAYS = 365
"""The outlook looks no further."""
TOGETHER = 4
"""From that many nests of one room with one trouble, one line speaks for all."""

_RANK = {"act": 0, "blind": 1, "drift": 2, "ok": 3}
_PRIORITY = {"high": 0, "medium": 1, "low": 2}
_SPEAKING = {"unacknowledged", "acknowledged"}
_CLIMATE = {"dry", "wet", "hot", "cold", "swing"}


@dataclass(frozen=True, slots=True)
class Card:
    """One nest on the wall.

    Attributes:
        state: ok, drift, act or blind. reason: in words, empty while well. side: high or low, of the worst value.
        rh, temp, days: as written. trends: up, down or steady, empty where unknown.
        age: of a late reading, else empty. water: share of the reservoir that is left, 0 to 1, None where unknown.
        water_for: how long it lasts, in words. bare: it has no probe, so that nothing can be told but its water.
    """

    name: str
    kind: str
    species: str
    state: str
    reason: str
    side: str
    rh: str
    rh_trend: str
    temp: str
    temp_trend: str
    days: str
    age: str
    water: float | None
    water_for: str = ""
    bare: bool = False


@dataclass(frozen=True, slots=True)
class Need:
    """One line above the shelves."""

    state: str
    who: str
    what: str
    since: str
    href: str


@dataclass(frozen=True, slots=True)
class Rack:
    """One shelf: its cards from left to right."""

    title: str
    cards: tuple[Card, ...]


@dataclass(frozen=True, slots=True)
class Wall:
    """The whole wall. ``notices`` are what makes all of it doubtful, worst first."""

    station: str
    clock: str
    notices: tuple[str, ...]
    needs: tuple[Need, ...]
    calm: str
    racks: tuple[Rack, ...]
    counts: dict[str, int]


def wall_of(snapshot: Snapshot) -> Wall:
    """What the wall says of this snapshot."""
    alarmed = _worst_alarms(snapshot.alarms)
    cards = {now.nest.name: card_of(now, snapshot, alarmed.get(now.nest.name, "")) for now in snapshot.nests}
    needs = needs_of(snapshot, cards)
    counts = {state: sum(card.state == state for card in cards.values()) for state in _RANK}
    calm = "" if needs else _calm(counts, len(cards))
    return Wall(
        station=snapshot.station,
        clock=local(snapshot.at_ms, snapshot.time_zone, "%H:%M"),
        notices=notices_of(snapshot),
        needs=needs,
        calm=calm,
        racks=_racks(snapshot.nests, cards),
        counts=counts,
    )


def _worst_alarms(alarms: Iterable[AlarmNow]) -> dict[str, str]:
    """The kind of each nest's worst active climate alarm; where the air stands goes before how fast it came there."""
    speaking = [alarm for alarm in alarms if alarm.nest and alarm.state in _SPEAKING and alarm.kind in _CLIMATE]
    speaking.sort(key=lambda alarm: (_PRIORITY.get(alarm.priority, 1), alarm.kind == "swing"), reverse=True)
    return {alarm.nest: alarm.kind for alarm in speaking if alarm.nest}


def _calm(counts: dict[str, int], total: int) -> str:
    if not total:
        return ""
    return text.ALL_WELL.format(count=total) if counts["ok"] == total else text.ALL_QUIET


def _racks(nests: Iterable[NestNow], cards: dict[str, Card]) -> tuple[Rack, ...]:
    shelves: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for now in nests:
        shelves[now.nest.room, now.nest.rack].append(cards[now.nest.name])
    rooms = {room for room, _ in shelves}
    return tuple(
        Rack((f"{room} · " if len(rooms) > 1 else "") + (rack or text.NO_RACK), tuple(shelf))
        for (room, rack), shelf in sorted(shelves.items(), key=lambda item: (natural(item[0][0]), natural(item[0][1])))
    )


def natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key under which A-2 stands before A-10."""
    parts: list[tuple[int, int, str]] = []
    digits = letters = ""
    for sign in name + "\0":
        if sign.isdecimal():
            if letters:
                parts.append((1, 0, letters))
            letters, digits = "", digits + sign
        else:
            if digits:
                parts.append((0, int(digits), digits))
            digits, letters = "", letters + sign.casefold()
    parts.append((1, 0, letters))
    return tuple(parts)


def card_of(now: NestNow, snapshot: Snapshot, alarm: str = "") -> Card:
    """One nest: its state by the contract, and what is written on it. ``alarm`` is the kind of its active climate alarm."""
    air, water = now.air, now.water
    old_ms = snapshot.at_ms - air.at_ms if air else 0
    state, reason, side = _state(now, snapshot, old_ms, alarm)
    full, bare = now.nest.reservoir_ml, now.placement is None
    return Card(
        name=now.nest.name,
        kind=now.nest.kind.value,
        species=short_species(now.species or now.nest.species),
        state=state,
        reason=reason,
        side=side,
        rh="" if bare else _number(air.rh_pct if air else None, 0) + "%",
        rh_trend=_trend(air.rh_trend_pct_h if air else None, RH_TREND_PCT_H),
        temp="" if bare else _temperature(air.temp_c if air else None, snapshot.temperature_unit),
        temp_trend=_trend(air.temp_trend_c_h if air else None, TEMP_TREND_C_H),
        days=_days(water.days_p50) if water else "",
        age=text.age(old_ms) if air and old_ms > LATE_AFTER_MS * max(1.0, snapshot.speed / 30) else "",
        water=min(1.0, max(0.0, water.left_ml / full)) if water and water.left_ml is not None and full else None,
        water_for=text.water_for(water.days_p50) if water else "",
        bare=bare,
    )


def _state(now: NestNow, snapshot: Snapshot, old_ms: int, alarm: str) -> tuple[str, str, str]:
    """State, reason and side: urgent water and alarms come first, then doubt, then the worse of the two quantities."""
    days = now.water.days_p50 if now.water else float("inf")
    if alarm:
        return "act", text.KINDS[alarm], "low" if alarm in {"dry", "cold"} else "high"
    if days <= snapshot.urgent_days:
        return "act", text.NEEDS_WATER, "low"
    doubt = _doubt(now, old_ms, snapshot.silent_after_ms)
    if doubt:
        return "blind", doubt, ""
    state, reason, side = _climate(now)
    if state == "ok" and days <= snapshot.due_days:
        return "drift", text.WATER_DUE, "low"
    return state, reason, side


def _climate(now: NestNow) -> tuple[str, str, str]:
    """The worse of humidity and temperature against their bands."""
    assert now.air is not None
    assert now.bands is not None
    verdicts = [
        (state_of(value, band), words)
        for value, band, words in (
            (now.air.rh_pct, now.bands.rh_pct, ("dry", "wet")),
            (now.air.temp_c, now.bands.temp_c, ("cold", "hot")),
        )
        if value is not None and math.isfinite(value)
    ]
    verdict, words = max(verdicts, key=lambda item: _severity(item[0]))
    if verdict.state is State.IN_IDEAL:
        return "ok", "", ""
    word = words[verdict.side == "high"]
    if verdict.state is State.OUT:
        return "act", text.KINDS[word], verdict.side
    return "drift", text.DRIFTING[word], verdict.side


def _severity(verdict: Verdict) -> int:
    return (State.IN_IDEAL, State.DRIFT, State.OUT).index(verdict.state)


def _doubt(now: NestNow, old_ms: int, silent_after_ms: int) -> str:
    """Why no reading of this nest is to be trusted; empty while one is."""
    if now.air is None:
        return text.NO_READING if now.placement else text.NO_PROBE
    if old_ms > silent_after_ms:
        return text.OLD
    if now.air.doubt:
        return now.air.doubt
    if not any(value is not None and math.isfinite(value) for value in (now.air.temp_c, now.air.rh_pct)):
        return text.NO_READING
    return "" if now.bands else text.NO_BAND


def _number(value: float | None, digits: int) -> str:
    if value is None or not math.isfinite(value):
        return text.NO_NUMBER
    return f"{value + 0.0:.{digits}f}"


def _temperature(temp_c: float | None, unit: str) -> str:
    """Without its letter, which a wall has no room for."""
    return _number(None if temp_c is None else degrees(temp_c, unit), 1) + "°"


def _trend(change: float | None, steady: float) -> str:
    if change is None or not math.isfinite(change):
        return ""
    return "up" if change > steady else "down" if change < -steady else "steady"


def _days(days: float) -> str:
    if days < 0.5:
        return text.DRY_NOW if days <= 0 else "<1 d"
    return text.OVER_A_YEAR if days >= MOST_DAYS else f"{round(days)} d"


def outlook_words(water: Water, at_ms: int, zone: str) -> str:
    """The outlook as sentences: when it runs dry with its interval, what is left, what it rests on, what it asks."""
    early, middle, late = (
        local(at_ms + round(days * DAY_MS), zone, "%-d %b %Y")
        for days in (water.days_p10, water.days_p50, water.days_p90)
    )
    form = text.OUTLOOK
    for days, words in (
        (water.days_p90, text.OUTLOOK_LATE), (water.days_p50, text.OUTLOOK_LATEST), (water.days_p10, text.OUTLOOK_YEAR),
    ):  # fmt: skip
        form = words if days >= MOST_DAYS else form
    said = [form.format(early=early, middle=middle, late=late)]
    if water.left_ml is not None and water.left_p10_ml is not None and water.left_p90_ml is not None:
        left = (f"{value:.1f}" for value in (water.left_ml, water.left_p10_ml, water.left_p90_ml))
        said.append(text.OUTLOOK_LEFT.format(**dict(zip(("left", "least", "most"), left, strict=True))))
    if water.basis:
        basis = text.OUTLOOK_BASIS.get(water.basis, water.basis)
        form = text.OUTLOOK_CYCLES if water.cycles else text.OUTLOOK_NEW
        said.append(form.format(basis=basis, cycles=text.count_of(water.cycles, "refill", "refills")))
    return " ".join([*said, water.asks]).strip()


def short_species(name: str) -> str:
    """``Lasius niger`` as ``L. niger``: how the trade writes it once the genus is known."""
    genus, _, rest = name.partition(" ")
    return f"{genus[0]}. {rest}" if rest and genus else name


def needs_of(snapshot: Snapshot, cards: dict[str, Card]) -> tuple[Need, ...]:
    """Who needs somebody, worst first: active alarms, then nests that need an act but raised no alarm yet, then silent ones."""
    active = [alarm for alarm in snapshot.alarms if alarm.state in _SPEAKING]
    told = {alarm.nest for alarm in active if alarm.nest}
    rooms = {now.nest.name: now.nest.room for now in snapshot.nests}
    ranked: list[tuple[tuple[int, int, int], str, str, Need]] = [
        ((_PRIORITY.get(alarm.priority, 1), 0, alarm.raised_ms), rooms.get(alarm.nest or "", ""), alarm.kind, need)
        for alarm in active
        for need in [_need_of_alarm(alarm, cards, snapshot)]
    ]
    ranked += [
        (
            (_RANK[card.state] + 1, 1, 0),
            rooms[card.name],
            card.reason,
            Need(card.state, card.name, _what(card), "", _href(card.name)),
        )
        for card in cards.values()
        if card.name not in told and (card.state == "act" or (card.state == "blind" and not card.bare))
    ]
    return tuple(_grouped(sorted(ranked, key=lambda item: item[0])))


def _what(card: Card) -> str:
    return card.water_for if card.reason == text.NEEDS_WATER else f"{card.reason} {card.age}".strip()


def _need_of_alarm(alarm: AlarmNow, cards: dict[str, Card], snapshot: Snapshot) -> Need:
    card = cards.get(alarm.nest or "")
    state = "blind" if alarm.kind in {"silent", "faulty"} else "drift" if alarm.priority == "low" else "act"
    what = f"{text.KINDS.get(alarm.kind, alarm.kind)} {_value_for(alarm.kind, card)}".strip()
    if alarm.kind == "reservoir" and card is not None and card.water_for:
        what = card.water_for
    who = alarm.nest or alarm.probe or alarm.room or snapshot.station
    since = text.age(snapshot.at_ms - alarm.raised_ms)
    return Need(state, who, what, since, _href(alarm.nest) if alarm.nest else "/alarms")


def _value_for(kind: str, card: Card | None) -> str:
    if card is None:
        return ""
    if kind in {"dry", "wet"}:
        return card.rh
    if kind in {"hot", "cold"}:
        return card.temp
    return ""


def _grouped(ranked: list[tuple[tuple[int, int, int], str, str, Need]]) -> list[Need]:
    """A whole room with one trouble is one line, not sixty."""
    together: dict[tuple[str, str], int] = defaultdict(int)
    for _, room, kind, _need in ranked:
        together[room, kind] += 1
    needs: list[Need] = []
    done: set[tuple[str, str]] = set()
    for _, room, kind, need in ranked:
        number = together[room, kind]
        if not room or number < TOGETHER:
            needs.append(need)
        elif (room, kind) not in done:
            done.add((room, kind))
            what = text.KINDS.get(kind, kind)
            needs.append(
                Need(need.state, text.count_of(number, "nest", "nests"), f"{what} in {room}", need.since, "/alarms")
            )
    return needs


def _href(nest: str | None) -> str:
    return f"/nest/{(nest or '').replace(' ', '%20')}"


def notices_of(snapshot: Snapshot) -> tuple[str, ...]:
    """What makes the whole wall doubtful: a process, a hub or the line has stopped. Worst first."""
    zone = snapshot.time_zone
    notices = [line for process in snapshot.processes for line in [_process_notice(process, snapshot)] if line]
    down = [hub for hub in snapshot.hubs if hub.state != "up"]
    if len(down) == 1:
        notices.append(text.HUB_DOWN.format(hub=down[0].name, at=moment(down[0].heard_ms, snapshot.at_ms, zone)))
    elif down:
        notices.append(text.HUBS_DOWN.format(count=len(down), hubs=", ".join(hub.name for hub in down)))
    newest_ms = snapshot.newest_ms
    patience_ms = NO_NEW_MS * max(1.0, snapshot.speed / 30)
    if snapshot.live and not notices and newest_ms is not None and snapshot.at_ms - newest_ms > patience_ms:
        notices.append(text.NO_NEW.format(at=moment(newest_ms, snapshot.at_ms, zone)))
    return tuple(notices)


def _process_notice(process: ProcessNow, snapshot: Snapshot) -> str:
    if process.at_ms is None:
        return text.PROCESS_NEVER.get(process.name, "")
    if snapshot.at_ms - process.at_ms > BEAT_LATE_MS * max(1.0, snapshot.speed):
        at = moment(process.at_ms, snapshot.at_ms, snapshot.time_zone)
        return text.PROCESS_LATE[process.name].format(at=at)
    return text.PROCESS_NOTE[process.name].format(note=process.note) if process.note else ""


def local(at_ms: int, zone: str, form: str) -> str:
    """An instant on the room's own clock."""
    return local_datetime(at_ms, zone).strftime(form)


def local_datetime(at_ms: int, zone: str) -> datetime:
    """An instant in the room's time zone."""
    return from_ms(at_ms).astimezone(ZoneInfo(zone))


def moment(at_ms: int, now_ms: int, zone: str) -> str:
    """An instant as short as can be: the time alone when less than a day ago."""
    return local(at_ms, zone, "%H:%M" if now_ms - at_ms < DAY_MS else "%-d %b %H:%M")
