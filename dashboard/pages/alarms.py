"""``/alarms``: the alarm log of the last days, what is active first."""

from __future__ import annotations

from flask import Flask
from markupsafe import Markup

from dashboard import text
from dashboard.components.drawing import SYMBOLS, mark
from dashboard.pages.wall import failed
from dashboard.shell import page
from dashboard.snapshot import AlarmNow, Source
from dashboard.units import CELSIUS, of_kind
from dashboard.viewmodels import local
from sensord.clock import DAY_MS, Clock, to_ms
from sensord.errors import NestclimateError

DAYS = 14
_HEADS = ("state", "what", "where", "priority", "since", "returned", "acknowledged", "worst", "limit")


def register(server: Flask, source: Source, clock: Clock) -> None:
    """Add the page."""

    @server.get("/alarms")
    def alarms() -> str:
        try:
            snapshot = source.snapshot()
            found = source.alarms(to_ms(clock.now()) - DAYS * DAY_MS)
            body = alarms_html(found, snapshot.time_zone, snapshot.temperature_unit)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        return page("Alarms", Markup("{}<main><h1>Alarms</h1>{}</main>").format(SYMBOLS, body), here="/alarms")


def alarms_html(alarms: tuple[AlarmNow, ...], zone: str, unit: str = CELSIUS) -> Markup:
    """The log as a table, times on the room's clock."""
    if not alarms:
        return Markup("<p>{}</p>").format(text.NO_ALARMS.format(days=DAYS))
    ordered = sorted(alarms, key=lambda alarm: (alarm.returned_ms is not None, -alarm.raised_ms))
    return table(_HEADS, [_row(alarm, zone, unit) for alarm in ordered])


def _row(alarm: AlarmNow, zone: str, unit: str) -> list[object]:
    shape = "blind" if alarm.kind in {"silent", "faulty"} else "act" if alarm.returned_ms is None else "ok"
    times = [
        local(at, zone, "%-d %b %H:%M") if at else ""
        for at in (alarm.raised_ms, alarm.returned_ms, alarm.acknowledged_ms)
    ]
    state = Markup('<span class="word">{}{}</span>').format(mark(shape, ""), alarm.state)
    values = [of_kind(alarm.kind, value, unit) for value in (alarm.worst, alarm.limit)]
    where = alarm.nest or alarm.probe or alarm.room or ""
    if alarm.nest:
        where = Markup('<a href="/nest/{0}">{0}</a>').format(alarm.nest)
    return [state, text.KINDS.get(alarm.kind, alarm.kind), where, alarm.priority, *times, *values]


def table(heads: tuple[str, ...], rows: list[list[object]]) -> Markup:
    """A plain table that scrolls sideways on a phone."""
    head = Markup("").join(Markup('<th scope="col">{}</th>').format(word) for word in heads)
    lines = Markup("").join(
        Markup("<tr>{}</tr>").format(Markup("").join(Markup("<td>{}</td>").format(cell) for cell in row))
        for row in rows
    )
    return Markup(
        '<div class="scroll" tabindex="0"><table><thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>'
    ).format(head, lines)
