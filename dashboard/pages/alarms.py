"""``/alarms``: what asks for somebody, then the log of the last days. ``/alarms/ID``: one alarm, where messages lead to."""

from __future__ import annotations

import re
from urllib.parse import quote

from flask import Flask
from markupsafe import Markup

from dashboard import text, text_access
from dashboard.access import signed_in
from dashboard.components.alarm_actions import acknowledge_all, actions, state_words
from dashboard.components.drawing import SYMBOLS, mark
from dashboard.components.service import list_html
from dashboard.components.tables import table
from dashboard.shell import failed, page
from dashboard.snapshot import AlarmNow, Snapshot, Source
from dashboard.units import CELSIUS, of_kind
from dashboard.viewmodels import local
from sensord.clock import DAY_MS, Clock, to_ms
from sensord.errors import NestclimateError

DAYS = 14
_HEADS = ("state", "what", "where", "priority", "since", "returned", "acknowledged", "worst", "limit")
_PRIORITIES = ("high", "medium", "low")
_UNMEASURED = frozenset({"silent", "faulty"})
_ID = re.compile(r"[A-Za-z0-9-]{1,40}")


def register(server: Flask, source: Source, clock: Clock) -> None:
    """Add both pages."""

    @server.get("/alarms")
    def alarms() -> str:
        try:
            snapshot = source.snapshot()
            found = source.alarms(to_ms(clock.now()) - DAYS * DAY_MS)
            may_write = signed_in() is not None
            body = alarms_html(found, snapshot, may_write=may_write) + list_html(snapshot, may_write=may_write)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        return _page(body, "Alarms", "/alarms")

    @server.get("/alarms/<id_>")
    def alarm(id_: str) -> tuple[str, int]:
        try:
            found = source.alarm(id_) if _ID.fullmatch(id_) else None
            if found is None:
                return _page(Markup("<p>{}</p>").format(text_access.NO_ALARM), "404", ""), 404
            body = alarm_html(found, source.snapshot(), may_write=signed_in() is not None)
        except NestclimateError as error:
            return _page(Markup("<p>{}</p>").format(failed(error)), "Alarm", ""), 200
        return _page(body, f"{_subject(found)}: {_what(found)}", ""), 200


def _page(body: Markup, title: str, here: str) -> str:
    return page(title, Markup("{}<main><h1>{}</h1>{}</main>").format(SYMBOLS, title, body), here=here)


def alarms_html(alarms: tuple[AlarmNow, ...], snapshot: Snapshot, *, may_write: bool) -> Markup:
    """Those that are not back to normal with what can be done; the others as a table. Times on the room's clock."""
    zone, unit = snapshot.time_zone, snapshot.temperature_unit
    active = sorted(snapshot.alarms, key=_order)
    past = [alarm for alarm in alarms if alarm.id not in {one.id for one in active}]
    if not active and not past:
        return Markup("<p>{}</p>").format(text.NO_ALARMS.format(days=DAYS))
    items = Markup("").join(_item(alarm, snapshot, may_write=may_write) for alarm in active)
    first = Markup('<ul class="alarms">{}</ul>').format(items) if active else ""
    first = first or Markup('<p class="large">{}</p>').format(text_access.NONE_ACTIVE)
    ways = acknowledge_all(active) if may_write else _invitation("/alarms") if active else Markup("")
    log = table(_HEADS, [_row(alarm, zone, unit) for alarm in past]) if past else Markup("")
    heading = Markup("<h2>{}</h2>").format(text_access.EARLIER.format(days=DAYS)) if past else Markup("")
    return Markup("").join((ways, first, heading, log))


def _order(alarm: AlarmNow) -> tuple[bool, int, bool, int]:
    """What stands before what is over, then the urgent, then what nobody has seen, then the newest."""
    urgency = _PRIORITIES.index(alarm.priority) if alarm.priority in _PRIORITIES else len(_PRIORITIES)
    return alarm.returned_ms is not None, urgency, alarm.acknowledged_ms is not None, -alarm.raised_ms


def alarm_html(alarm: AlarmNow, snapshot: Snapshot, *, may_write: bool) -> Markup:
    """One alarm, for somebody whom a message brought here: what, how bad, what to do first, and the button."""
    zone = snapshot.time_zone
    way = actions(alarm, large=True) if may_write else _invitation(f"/alarms/{quote(alarm.id)}", large=True)
    steps = Markup("").join(
        Markup("<li><time>{}</time> {}</li>").format(
            local(step.at_ms, zone, "%-d %b %H:%M"),
            ", ".join(part for part in (step.what.replace("_", " "), step.by, step.because) if part),
        )
        for step in alarm.steps
    )
    return Markup(
        '<p class="large">{}</p><p class="large">{}</p>{}<p>{}</p>{}<h2>{}</h2><ul class="steps">{}</ul>'
        '<p><a href="/alarms">{}</a></p>'
    ).format(
        _state(alarm, zone), _how_bad(alarm, snapshot), way, alarm.message, _to_nest(alarm), text_access.SO_FAR, steps,
        text_access.ALL_ALARMS,
    )  # fmt: skip


def _item(alarm: AlarmNow, snapshot: Snapshot, *, may_write: bool) -> Markup:
    return Markup(
        '<li><div>{state}<a class="name" href="/alarms/{id}">{subject}: {what}</a><span>{bad}</span></div>{ways}</li>'
    ).format(
        state=_state(alarm, snapshot.time_zone), id=quote(alarm.id), subject=_subject(alarm), what=_what(alarm),
        bad=_how_bad(alarm, snapshot), ways=actions(alarm) if may_write else "",
    )  # fmt: skip


def _invitation(onward: str, *, large: bool = False) -> Markup:
    kind = Markup(' class="act large"') if large else ""
    words = text_access.SIGN_IN_TO_ACT
    return Markup('<p><a{} href="/sign-in?next={}">{}</a></p>').format(kind, quote(onward, safe="/"), words)


def _what(alarm: AlarmNow) -> str:
    return text.KINDS.get(alarm.kind, alarm.kind)


def _subject(alarm: AlarmNow) -> str:
    return alarm.nest or alarm.subject or alarm.probe or alarm.room or ""


def _to_nest(alarm: AlarmNow) -> Markup:
    if not alarm.nest:
        return Markup("")
    return Markup('<p><a href="/nest/{}">{}</a></p>').format(quote(alarm.nest), text_access.TO_NEST.format(alarm.nest))


def _how_bad(alarm: AlarmNow, snapshot: Snapshot) -> str:
    """``31.2 % at worst, limit 45.0 %; medium priority, since 1 Apr 12:10``."""
    zone, unit = snapshot.time_zone, snapshot.temperature_unit
    worst, limit = _values(alarm, unit)
    bad = text_access.HOW_BAD.format(worst=worst, limit=limit) if worst and limit else ""
    since = text_access.SINCE.format(priority=alarm.priority, at=local(alarm.raised_ms, zone, "%-d %b %H:%M"))
    place = text.PLACES.get(alarm.place or "", "")
    until = text_access.OVER.format(at=local(alarm.returned_ms, zone, "%-d %b %H:%M")) if alarm.returned_ms else ""
    return "; ".join(part for part in (place, bad, since, until, alarm.detail) if part)


def _values(alarm: AlarmNow, unit: str) -> tuple[str, str]:
    """Worst and limit; of a probe that does not measure there are none."""
    if alarm.kind in _UNMEASURED:
        return "", ""
    return of_kind(alarm.kind, alarm.worst, unit), of_kind(alarm.kind, alarm.limit, unit)


def _state(alarm: AlarmNow, zone: str) -> Markup:
    shape = "blind" if alarm.kind in _UNMEASURED else "act" if alarm.returned_ms is None else "ok"
    return Markup('<span class="word">{}{}</span>').format(mark(shape, ""), state_words(alarm, zone))


def _row(alarm: AlarmNow, zone: str, unit: str = CELSIUS) -> list[object]:
    times = [
        local(at, zone, "%-d %b %H:%M") if at else ""
        for at in (alarm.raised_ms, alarm.returned_ms, alarm.acknowledged_ms)
    ]
    values = _values(alarm, unit)
    where = _subject(alarm)
    if alarm.nest:
        where = Markup('<a href="/nest/{}">{}</a>').format(quote(alarm.nest), alarm.nest)
    what = Markup('<a href="/alarms/{}">{}</a>').format(quote(alarm.id), _what(alarm))
    return [_state(alarm, zone), what, where, alarm.priority, *times, *values]
