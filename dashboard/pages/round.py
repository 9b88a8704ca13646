"""``/round``: what to do today, by urgency, then by the way through the room. Made beside the requests; says when."""

from __future__ import annotations

import dataclasses
from urllib.parse import quote

from flask import Flask
from markupsafe import Markup

from dashboard import text
from dashboard.components.drawing import SYMBOLS, mark
from dashboard.pages.wall import failed
from dashboard.shell import page
from dashboard.snapshot import Chore, RoundNow, Source
from dashboard.units import CELSIUS, in_words
from dashboard.viewmodels import moment
from sensord.errors import NestclimateError

_SHAPES = {"now": "act", "today": "drift", "when_there": "ok"}


def register(server: Flask, source: Source) -> None:
    """Add the page."""

    @server.get("/round")
    def todays_round() -> str:
        try:
            snapshot = source.snapshot()
            body = round_html(source.round(), snapshot.at_ms, snapshot.time_zone, snapshot.temperature_unit)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        return page("Round", Markup("{}<main><h1>Round</h1>{}</main>").format(SYMBOLS, body), here="/round")


def round_html(found: RoundNow | None, now_ms: int, zone: str, unit: str = CELSIUS) -> Markup:
    """A checklist by urgency; words where there is none."""
    if found is None:
        return Markup("<p>{}</p>").format(text.ROUND_SOON)
    at = moment(found.at_ms, now_ms, zone)
    if found.problem:
        return Markup("<p>{}</p>").format(text.ROUND_FAILED.format(at=at, reason=found.problem))
    made = Markup('<p class="soft">{}</p>').format(text.ROUND_MADE.format(at=at))
    if not found.chores:
        return Markup('<p class="large">{}</p>{}').format(text.ROUND_EMPTY, made)
    chores = tuple(dataclasses.replace(chore, why=in_words(chore.why, unit)) for chore in found.chores)
    parts = [_part(urgency, chores) for urgency in text.URGENCIES]
    how = Markup('<p class="soft">{} <code>{}</code> {}</p>').format(*text.ROUND_DONE)
    return made + Markup("").join(parts) + how


def _part(urgency: str, chores: tuple[Chore, ...]) -> Markup:
    """One heading with its lines, shelf by shelf."""
    mine = [chore for chore in chores if chore.urgency == urgency]
    if not mine:
        return Markup("")
    lines, shelf = [], None
    for chore in mine:
        here = " · ".join(part for part in (chore.room, chore.rack) if part)
        if here != shelf:
            shelf = here
            lines.append(Markup('<li class="shelf-name">{}</li>').format(here))
        lines.append(_line(chore))
    return Markup('<h2>{} <small>{}</small></h2><ul class="round" data-urgency="{}">{}</ul>').format(
        text.URGENCIES[urgency], len(mine), urgency, Markup("").join(lines)
    )


def _line(chore: Chore) -> Markup:
    where = Markup("<i></i>")
    if chore.nest:
        where = Markup('<a href="/nest/{}">{}</a>').format(quote(chore.nest), chore.nest)
    return Markup('<li class="chore">{}{}<b>{}</b><span>{}</span></li>').format(
        mark(_SHAPES[chore.urgency], "low") or Markup('<s class="mark"></s>'),
        where,
        text.TASKS.get(chore.task, chore.task.replace("_", " ")),
        chore.why,
    )
