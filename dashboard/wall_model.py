"""The whole wall from a snapshot: shelves, who needs somebody, and what makes it doubtful. Pure: no store, no clock, no markup."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from dashboard import text
from dashboard.snapshot import AlarmNow, NestNow, ProcessNow, Snapshot
from dashboard.viewmodels import Card, card_of, hubs_down, local, moment, natural
from sensord.clock import MINUTE_MS

BEAT_LATE_MS = 23_000
"""Two beats of 10 s missed, and a little; with the wall's own 5 s it is seen within 30 s."""
NO_NEW_MS = 4 * MINUTE_MS
TOGETHER = 4
"""From that many nests of one room with one trouble, one line speaks for all."""

_RANK = {"act": 0, "blind": 1, "drift": 2, "ok": 3}
_PRIORITY = {"high": 0, "medium": 1, "low": 2}
_SPEAKING = {"unacknowledged", "acknowledged"}
_CLIMATE = {"dry", "wet", "hot", "cold", "swing"}


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
    """The whole wall. ``notices`` say what has stopped, worst first; ``old`` whether that makes all readings old."""

    station: str
    clock: str
    notices: tuple[str, ...]
    needs: tuple[Need, ...]
    calm: str
    racks: tuple[Rack, ...]
    counts: dict[str, int]
    old: bool = False


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
        old=_all_old(snapshot),
    )


def _worst_alarms(alarms: Iterable[AlarmNow]) -> dict[str, str]:
    """The kind of each nest's worst active climate alarm; where the air stands goes before how fast it came there."""
    speaking = [alarm for alarm in alarms if alarm.nest and alarm.state in _SPEAKING and alarm.kind in _CLIMATE]
    speaking.sort(key=lambda alarm: (_PRIORITY.get(alarm.priority, 1), alarm.kind == "swing"), reverse=True)
    return {alarm.nest: alarm.kind for alarm in speaking if alarm.nest}


def _calm(counts: dict[str, int], total: int) -> str:
    if not total:
        return ""
    if counts["ok"] < total:
        return text.ALL_QUIET
    return text.ALL_WELL.format(count=total) if total > 1 else text.ONE_WELL


def _racks(nests: Iterable[NestNow], cards: dict[str, Card]) -> tuple[Rack, ...]:
    shelves: dict[tuple[str, str], list[Card]] = defaultdict(list)
    for now in nests:
        shelves[now.nest.room, now.nest.rack].append(cards[now.nest.name])
    rooms = {room for room, _ in shelves}
    return tuple(
        Rack((f"{room} · " if len(rooms) > 1 else "") + (rack or text.NO_RACK), tuple(shelf))
        for (room, rack), shelf in sorted(shelves.items(), key=lambda item: (natural(item[0][0]), natural(item[0][1])))
    )


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
        if card.name not in told and not card.out and (card.state == "act" or (card.state == "blind" and not card.bare))
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
    who = alarm.nest or alarm.subject or alarm.probe or alarm.room or snapshot.station
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
    """A whole room with one trouble is one line, not sixty; a nest with two troubles is one line, not two."""
    together: dict[tuple[str, str], set[str]] = defaultdict(set)
    for _, room, kind, need in ranked:
        together[room, kind].add(need.who)
    needs: list[Need] = []
    done: set[tuple[str, str]] = set()
    for _, room, kind, need in ranked:
        number = len(together[room, kind])
        if not room or number < TOGETHER:
            needs.append(need)
        elif (room, kind) not in done:
            done.add((room, kind))
            what = text.MANY.get(kind) or text.KINDS.get(kind, kind)
            needs.append(
                Need(need.state, text.count_of(number, "nest", "nests"), f"{what} in {room}", need.since, "/alarms")
            )
    return _joined(needs)


def _joined(needs: list[Need]) -> list[Need]:
    """One line for each that needs somebody, where its worst trouble stood."""
    lines: dict[str, Need] = {}
    for need in needs:
        first = lines.get(need.who)
        if first is None or need.href == "/alarms":
            lines[need.who if need.href != "/alarms" else f"{need.who} {need.what}"] = need
        elif need.what not in first.what:
            lines[need.who] = replace(first, what=f"{first.what}, {need.what}")
    return list(lines.values())


def _href(nest: str | None) -> str:
    return f"/nest/{(nest or '').replace(' ', '%20')}"


def notices_of(snapshot: Snapshot) -> tuple[str, ...]:
    """What makes the whole wall doubtful: a process, a hub or the line has stopped. Worst first."""
    zone = snapshot.time_zone
    notices = [line for process in snapshot.processes for line in [_process_notice(process, snapshot)] if line]
    down = sorted(hubs_down(snapshot))
    if len(down) == 1:
        notices.append(text.HUB_DOWN.format(hub=down[0], at=moment(hubs_down(snapshot)[down[0]], snapshot.at_ms, zone)))
    elif down:
        notices.append(text.HUBS_DOWN.format(count=len(down), hubs=", ".join(down)))
    if snapshot.newest_ms is not None and not notices and _nothing_new(snapshot):
        notices.append(text.NO_NEW.format(at=moment(snapshot.newest_ms, snapshot.at_ms, zone)))
    return tuple(notices)


def _nothing_new(snapshot: Snapshot) -> bool:
    """Whether readings are due and none has come for too long."""
    patience_ms = NO_NEW_MS * max(1.0, snapshot.speed / 30)
    return snapshot.live and snapshot.newest_ms is not None and snapshot.at_ms - snapshot.newest_ms > patience_ms


def _all_old(snapshot: Snapshot) -> bool:
    """Whether nothing on the wall is new: the recorder ails, or no reading comes at all."""
    recorder = (process for process in snapshot.processes if process.name == "record")
    return _nothing_new(snapshot) or any(_process_notice(process, snapshot) for process in recorder)


def _process_notice(process: ProcessNow, snapshot: Snapshot) -> str:
    if process.at_ms is None:
        return text.PROCESS_NEVER.get(process.name, "")
    if snapshot.at_ms - process.at_ms > BEAT_LATE_MS * max(1.0, snapshot.speed):
        at = moment(process.at_ms, snapshot.at_ms, snapshot.time_zone)
        return text.PROCESS_LATE[process.name].format(at=at)
    return text.PROCESS_NOTE[process.name].format(note=process.note) if process.note else ""
