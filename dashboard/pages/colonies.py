"""``/colonies``: the nests in a grid, and every colony with its stage, last count and death; ``/colony``: one through time."""

from __future__ import annotations

import json
from urllib.parse import quote

from flask import Flask, abort, request
from markupsafe import Markup

from dashboard import text
from dashboard import text_keeping as words
from dashboard.access import signed_in
from dashboard.components.grid import SCRIPTS, exports, grid_html, sheets
from dashboard.components.tables import table
from dashboard.keeping_snapshot import ColonyPast, Grid
from dashboard.pages.placements import empty_html
from dashboard.shell import failed, page
from dashboard.snapshot import ColonyNow, Source
from dashboard.viewmodels import local, natural
from sensord.errors import NestclimateError

Rows = list[list[object]]
_HEADS = ("colony", "species", "stage", "workers", "counted", "nests", "died")


def register(server: Flask, source: Source) -> None:
    """Add the pages."""

    @server.get("/colonies")
    def colonies() -> str:
        try:
            found, zone = source.colonies(), source.snapshot().time_zone
            body = page_html(found, source.keeping.grid("nests"), zone, may_write=signed_in() is not None)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        main = Markup('<main class="wide"><h1>Colonies</h1>{}</main>').format(body)
        return page("Colonies", main, here="/colonies", scripts=SCRIPTS)

    @server.get("/colony")
    def colony() -> str:
        name = request.args.get("name", "")
        try:
            past, zone = source.keeping.colony(name), source.snapshot().time_zone
        except NestclimateError as error:
            return page(name, Markup("<main><h1>{}</h1><p>{}</p></main>").format(name, failed(error)))
        if past is None:
            abort(404)
        body = colony_html(past, zone, may_write=signed_in() is not None)
        return page(name, Markup("{}{}").format(sheets("keeping.css"), body), here="/colonies")


def page_html(colonies: tuple[ColonyNow, ...], grid: Grid, zone: str, *, may_write: bool) -> Markup:
    """The ways on, the grid, and the colonies through time."""
    ways = Markup(
        '<p class="ways"><a href="/labels">{}</a> <a href="/placements">{}</a> <a href="#through-time">{}</a> <span>{}</span></p>'
    ).format(words.LABELS, words.PLACEMENTS, words.THROUGH_TIME, exports("nests", "journal"))
    empty = empty_html("nests", may_write=may_write) if not grid.rows else ""
    edit = grid_html("nests", words.HOW_TIME_IN_NESTS, may_write=may_write)
    return Markup('{}{}{}<h2 id="through-time">{}</h2>{}').format(
        ways, empty, edit, words.THROUGH_TIME, colonies_html(colonies, zone)
    )


def colonies_html(colonies: tuple[ColonyNow, ...], zone: str) -> Markup:
    """One row a colony, those that live first; an empty room learns how to begin."""
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
    name = Markup('<a href="/colony?name={}">{}</a>').format(quote(colony.name, safe=""), colony.name)
    workers = text.UNKNOWN_COUNT if colony.workers is None else str(colony.workers)
    counted = _day(colony.counted_ms, zone) if colony.counted_ms else ""
    return [name, colony.species, colony.stage, workers, counted, nests, _died(colony, zone)]


def _died(colony: ColonyNow, zone: str) -> object:
    if not colony.died_ms:
        return ""
    day, nest = _day(colony.died_ms, zone), colony.nests[-1][0] if colony.nests else ""
    iso_day = local(colony.died_ms, zone, "%Y-%m-%d")
    return Markup('{} <a href="/review?nest={}&amp;day={}">review</a>').format(day, quote(nest), iso_day)


def colony_html(past: ColonyPast, zone: str, *, may_write: bool) -> Markup:
    """Where it lived, how it grew, and what it was called then."""
    now = past.now
    stays: Rows = [
        [_nest(nest), _from(since, zone), _until(until, now, zone)] for nest, since, until in reversed(past.stays)
    ]
    states: Rows = [
        [_from(since, zone), _nest(nest), species, stage] for since, nest, species, stage in reversed(past.states)
    ]
    counts: Rows = [[_day(at, zone), workers] for at, workers in reversed(past.counts)]
    facts = ", ".join(one for one in (now.species, now.stage) if one)
    died = Markup("<p>died {}</p>").format(_died(now, zone)) if now.died_ms else ""
    return Markup(
        '<main><h1>{}</h1><p class="large">{}</p>{}{}<h2>Nests</h2>{}<h2>Counts</h2>{}<h2>States</h2>{}</main>'
    ).format(
        now.name,
        facts,
        died,
        _move(past) if may_write and not now.died_ms and past.others else "",
        table(("nest", "from", "until"), stays),
        table(("counted", "workers"), counts) if counts else Markup("<p>{}</p>").format(words.NO_COUNTS),
        table(("since", "nest", "species", "stage"), states),
    )


def _move(past: ColonyPast) -> Markup:
    options = Markup("").join(Markup("<option>{}</option>").format(name) for name in past.others)
    return Markup(
        '<form class="ask" data-write="/write/colonies/move" data-body="{}" data-then="reload"><label>{} '
        '<select name="nest">{}</select></label><button>{}</button><small class="soft">{}</small></form>'
    ).format(json.dumps({"colony": past.now.name}), words.MOVE_TO, options, words.MOVE_NOW, words.MOVE_WHY)


def _nest(name: str) -> Markup:
    return Markup('<a href="/nest/{}">{}</a>').format(quote(name), name)


def _from(since_ms: int | None, zone: str) -> str:
    return words.SINCE_ALWAYS if since_ms is None else _day(since_ms, zone)


def _until(until_ms: int | None, now: ColonyNow, zone: str) -> str:
    if until_ms is not None:
        return _day(until_ms, zone)
    return f"died {_day(now.died_ms, zone)}" if now.died_ms else words.STILL


def _day(at_ms: int, zone: str) -> str:
    return local(at_ms, zone, "%-d %b %Y")
