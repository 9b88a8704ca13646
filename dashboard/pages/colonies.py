"""``/colonies``: every colony with its nests, stage, last count and death; those that live first."""

from __future__ import annotations

from urllib.parse import quote

from flask import Flask
from markupsafe import Markup

from dashboard import text
from dashboard.pages.alarms import table
from dashboard.pages.wall import failed
from dashboard.shell import page
from dashboard.snapshot import ColonyNow, Source
from dashboard.viewmodels import local, natural
from sensord.errors import NestclimateError

_HEADS = ("colony", "species", "stage", "workers", "counted", "nests", "died")


def register(server: Flask, source: Source) -> None:
    """Add the page."""

    @server.get("/colonies")
    def colonies() -> str:
        try:
            body = colonies_html(source.colonies(), source.snapshot().time_zone)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        return page("Colonies", Markup("<main><h1>Colonies</h1>{}</main>").format(body), here="/colonies")


def colonies_html(colonies: tuple[ColonyNow, ...], zone: str) -> Markup:
    """One row a colony; an empty room learns how to begin."""
    if not colonies:
        return Markup("<p>{}</p><pre>{}</pre>").format(text.COLONIES_EMPTY, text.COLONIES_COMMANDS)
    ordered = sorted(colonies, key=lambda colony: (colony.died_ms is not None, natural(colony.name)))
    alive = sum(colony.died_ms is None for colony in colonies)
    count = text.count_of(alive, "colony lives", "colonies live")
    dead = f", {len(colonies) - alive} died" if alive < len(colonies) else ""
    return Markup("<p>{}{}</p>{}").format(count, dead, table(_HEADS, [_row(colony, zone) for colony in ordered]))


def _row(colony: ColonyNow, zone: str) -> list[object]:
    nests = Markup(", ").join(
        Markup('<a href="/nest/{}">{}</a>{}').format(quote(name), name, f" since {_day(since, zone)}" if since else "")
        for name, since in reversed(colony.nests)
    )
    workers = text.UNKNOWN_COUNT if colony.workers is None else str(colony.workers)
    counted = _day(colony.counted_ms, zone) if colony.counted_ms else ""
    died: object = ""
    if colony.died_ms:
        day, nest = _day(colony.died_ms, zone), colony.nests[-1][0] if colony.nests else ""
        iso_day = local(colony.died_ms, zone, "%Y-%m-%d")
        died = Markup('{} <a href="/review?nest={}&amp;day={}">review</a>').format(day, quote(nest), iso_day)
    return [colony.name, colony.species, colony.stage, workers, counted, nests, died]


def _day(at_ms: int, zone: str) -> str:
    return local(at_ms, zone, "%-d %b %Y")
