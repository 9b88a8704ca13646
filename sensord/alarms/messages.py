"""News of alarms in words a keeper can act on at night: what, where, how bad, since when, what to do first. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import tzinfo
from urllib.parse import quote

from sensord.alarms.aside import hub_of
from sensord.alarms.deliveries import Message
from sensord.alarms.lifecycle import RANK, Alarm
from sensord.alarms.log import News
from sensord.clock import from_ms
from sensord.model import AlarmKind, Place, Priority

K = AlarmKind
WORDS = {
    K.DRY: "too dry", K.WET: "too wet", K.HOT: "too hot", K.COLD: "too cold", K.SWING: "temperature swings",
    K.RESERVOIR: "reservoir runs dry soon", K.SILENT: "no readings", K.FAULTY: "probe faulty",
}  # fmt: skip
UNITS = {
    K.DRY: " %RH", K.WET: " %RH", K.HOT: " °C", K.COLD: " °C", K.SWING: " °C in an hour", K.RESERVOIR: " days left",
    K.SILENT: " s", K.FAULTY: " s",
}  # fmt: skip
LIMIT_UNITS = {K.SWING: " °C", K.RESERVOIR: " days"}
"""Where a limit needs fewer words than the value before it."""
FIRST = {
    K.DRY: "Look at the reservoir and the cotton; top up, or offer a fresh tube.",
    K.WET: "Let air in; take away standing water, leftovers and mould.",
    K.HOT: "Switch the heat off at the socket (at rest: see to the cooling) and move the nest somewhere cooler; do not chill it suddenly.",
    K.COLD: "Check the heat source and its socket (at rest: see to the cooling); warm it up slowly.",
    K.SWING: "Look for sun, draught or a heat mat that switches hard.",
    K.RESERVOIR: "Top up the reservoir, or lay out a fresh tube.",
    K.SILENT: "Check the probe's plug and the hub's power; look at the nest yourself until it is back.",
    K.FAULTY: "Dry or replace the probe; look at the nest yourself until then.",
}
IN_THE_OPEN = {
    K.DRY: "Look at the humidifier, the heating and for an open window; give water in the outworld.",
    K.WET: "Let drier air in, or start the dehumidifier; wipe up what was spilt.",
}
"""Where the air of an outworld or a room is meant, not the cotton's."""
PLACES = {Place.WET_END: "wet end", Place.DRY_END: "dry end", Place.OUTWORLD: "outworld", Place.ROOM: "room"}
MOST_NAMES = 12
MANY_OF_A_HUB = 3


def compose(news: Sequence[News], at_ms: int, zone: tzinfo, link: str) -> Message:
    """One message for one or more pieces of news of the same kind, room and sort (``topic_of``).

    Args:
        news: at least one.
        at_ms: the message's instant.
        zone: the station's time zone, for the words.
        link: the dashboard's address as a phone sees it; empty: no links.
    """
    alarms = [each.alarm for each in news]
    priority = max((alarm.priority for alarm in alarms), key=RANK.__getitem__)
    over = news[0].what == "returned"
    what, where = WORDS[alarms[0].kind], _where_all(alarms)
    again = "still " if news[0].what in ("reminder", "still") else ""
    unheeded = ", and nobody has acknowledged it" if news[0].what == "escalation" else ""
    title = f"Over: {where} {what}" if over else f"{_urgency(priority)}{where}: {again}{what}{unheeded}"
    lines = [_line(alarm, zone, over=over) for alarm in alarms[:MOST_NAMES]]
    if len(alarms) > MOST_NAMES:
        lines.append(f"and {len(alarms) - MOST_NAMES} more")
    if not over:
        lines += dict.fromkeys(_said(alarm) for alarm in alarms[:MOST_NAMES] if alarm.detail)
        lines.append(f"First: {_first(alarms)}")
    lines += _links(alarms, link, over=over)
    key = "|".join(sorted(f"{each.what}:{each.alarm.id}:{each.alarm.priority}" for each in news))
    key += f"|{at_ms}" if again or len({each.what for each in news}) > 1 else ""
    id_ = hashlib.blake2b(key.encode(), digest_size=6).hexdigest()
    lines.append(f"({' '.join(sorted({alarm.id for alarm in alarms})[:3])})")
    return Message(
        id_, at_ms, Priority.LOW if over else priority, topic_of(news[0]), title, "\n".join(lines),
        tuple(sorted({alarm.id for alarm in alarms})),
    )  # fmt: skip


def topic_of(news: News) -> str:
    """What a message is about: news of one topic can share a message."""
    sort = {"returned": "over", "reminder": "still", "escalation": "unheeded"}.get(news.what, "begun")
    alarm = news.alarm
    group = hub_of(alarm) if alarm.kind in (K.SILENT, K.FAULTY) else ""
    return f"{sort} {alarm.kind} {group or alarm.room}"


def name_of(alarm: Alarm) -> str:
    """Where it is, in the fewest words."""
    if alarm.nest is not None:
        return f"nest {alarm.nest}"
    if alarm.hub:
        return f"hub {alarm.hub}"
    return f"room {alarm.room}" if alarm.place == Place.ROOM and alarm.room else f"probe {alarm.probe}"


def _where_all(alarms: Sequence[Alarm]) -> str:
    names = list(dict.fromkeys(name_of(alarm) for alarm in alarms))
    if len(names) == 1:
        return names[0]
    racks = {alarm.rack for alarm in alarms if alarm.nest is not None}
    where = f" of rack {racks.pop()}" if len(racks) == 1 and "" not in racks else ""
    nests = {alarm.nest for alarm in alarms}
    what = "nests" if None not in nests else "places"
    rooms = {alarm.room for alarm in alarms} - {""}
    if len(rooms) == 1:
        return f"{len(names)} {what}{where} in {rooms.pop()}"
    hubs = {hub_of(alarm) for alarm in alarms} - {""}
    return f"{len(names)} {what} of hub {hubs.pop()}" if len(hubs) == 1 else f"{len(names)} {what}"


def _first(alarms: Sequence[Alarm]) -> str:
    """What to do first; where many probes of one hub are silent it is the hub, not sixty probes."""
    hubs = {hub_of(alarm) for alarm in alarms}
    many = len(alarms) >= MANY_OF_A_HUB or bool(alarms[0].hub)
    if alarms[0].kind == K.SILENT and many and len(hubs) == 1 and "" not in hubs:
        return f"Check hub {hubs.pop()}: its power, its network, its bus cable; look at the nests yourself until it is back."
    in_the_open = all(alarm.place in (Place.OUTWORLD, Place.ROOM) for alarm in alarms)
    words = IN_THE_OPEN if in_the_open and alarms[0].kind in IN_THE_OPEN else FIRST
    return words[alarms[0].kind]


def _said(alarm: Alarm) -> str:
    return f"Hub {alarm.hub}: {alarm.detail}" if alarm.hub else f"From the hub: {alarm.detail}"


def _urgency(priority: Priority) -> str:
    return "URGENT: " if priority == Priority.HIGH else ""


def _line(alarm: Alarm, zone: tzinfo, *, over: bool) -> str:
    place = f", {PLACES[alarm.place]}" if alarm.place and alarm.nest else ""
    rack = f" ({alarm.rack}, {alarm.room})" if alarm.rack and alarm.room else (f" ({alarm.room})" if alarm.room else "")
    start = f"{name_of(alarm)}{rack}{place}: "
    since = from_ms(alarm.raised_ms).astimezone(zone).strftime("%d %b %H:%M")
    if over:
        end = from_ms(alarm.returned_ms or alarm.raised_ms).astimezone(zone).strftime("%d %b %H:%M")
        return f"{start}from {since} to {end}, worst {_value(alarm.kind, alarm.worst)}"
    if alarm.kind in (K.SILENT, K.FAULTY):
        whose = f", probe {alarm.probe}" if alarm.probe else ""
        return f"{start}{WORDS[alarm.kind]}, since {since}{whose}"
    limit = f" (limit {alarm.limit:.1f}{LIMIT_UNITS.get(alarm.kind, UNITS[alarm.kind])})"
    return f"{start}{_value(alarm.kind, alarm.worst)}{limit}, since {since}"


def _value(kind: AlarmKind, value: float) -> str:
    if kind in (K.SILENT, K.FAULTY):
        return f"{value / 60:.0f} min"
    return f"{value:.1f}{UNITS[kind]}"


def _links(alarms: Sequence[Alarm], link: str, *, over: bool) -> list[str]:
    """To the nest where it is one nest; and to where it is acknowledged with one tap: its own page, or the page of all."""
    if not link:
        return []
    nests = {alarm.nest for alarm in alarms}
    nest = nests.pop() if len(nests) == 1 else None
    base = link.rstrip("/")
    found = [f"{base}/nest/{quote(nest)}"] if nest else []
    if not over:
        one = f"/{alarms[0].id}" if len(alarms) == 1 else ""
        found.append(f"Acknowledge: {base}/alarms{one}")
    return found or [f"{base}/alarms"]
