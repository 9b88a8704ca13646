"""``/placements``: which probe sits where, in a grid. Also what all grids ask, and the tables as CSV."""

from __future__ import annotations

from flask import Flask, Response, abort, jsonify
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from dashboard import text_keeping as text
from dashboard.access import signed_in
from dashboard.components.grid import SCRIPTS, exports, grid_html, grid_json
from dashboard.keeping_snapshot import Grid
from dashboard.shell import failed, page
from dashboard.snapshot import Source
from sensord.errors import NestclimateError

GRIDS = ("nests", "placements")
EXPORTS = ("nests", "placements", "journal")


def register(server: Flask, source: Source) -> None:
    """Add the page, the rows of the grids, and the exports."""

    @server.get("/placements")
    def placements() -> str:
        try:
            body = placements_html(source.keeping.grid("placements"), may_write=signed_in() is not None)
        except NestclimateError as error:
            return page("Placements", Markup("<main><h1>Placements</h1><p>{}</p></main>").format(failed(error)))
        return page("Placements", body, scripts=SCRIPTS)

    @server.get("/grid/<table>.json")
    def grid(table: str) -> ResponseReturnValue:
        if table not in GRIDS:
            abort(404)
        return jsonify(grid_json(source.keeping.grid(table)))

    @server.get("/export/<table>.csv")
    def export(table: str) -> Response:
        if table not in EXPORTS:
            abort(404)
        headers = {"Content-Disposition": f'attachment; filename="{table}.csv"'}
        return Response(source.keeping.csv(table), mimetype="text/csv", headers=headers)


def placements_html(grid: Grid, *, may_write: bool) -> Markup:
    """The grid; an empty one says how to begin."""
    return Markup(
        '<main class="wide"><h1>{}</h1><p class="ways"><a href="/probes">Probes</a> <a href="/colonies">Colonies</a> <span>{}</span></p>'
        "{}{}</main>"
    ).format(
        text.PLACEMENTS,
        exports("placements"),
        empty_html("placements", may_write=may_write) if not grid.rows else "",
        grid_html("placements", text.HOW_TIME_IN_PLACEMENTS, may_write=may_write),
    )


def empty_html(table: str, *, may_write: bool) -> Markup:
    """How to begin."""
    if may_write:
        return Markup("<p>{}</p>").format(text.NESTS_EMPTY if table == "nests" else text.PLACEMENTS_EMPTY)
    words, command = (
        (text.NESTS_EMPTY_READ, text.IMPORT_NESTS)
        if table == "nests"
        else (text.PLACEMENTS_EMPTY_READ, text.IMPORT_PLACEMENTS)
    )
    return Markup("<p>{}</p><pre>{}</pre>").format(words, command)
