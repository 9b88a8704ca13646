"""The wall, ``/``: plain HTML and SVG from the server, kept fresh by one small script.

It is no page of Dash's: the first paint must be there within a second on a Pi, and Dash's start-up alone takes longer
as soon as charts are on board. Dash hosts the nest pages, on the same server.
"""

from __future__ import annotations

import hashlib
import json

from flask import Flask, Response, request
from markupsafe import Markup

from dashboard import text
from dashboard.components.cards import card_html, needs_html, notices_html, rack_html
from dashboard.components.drawing import SYMBOLS
from dashboard.shell import build_id, failed, page
from dashboard.snapshot import Snapshot, Source
from dashboard.wall_model import Wall, wall_of
from sensord.errors import NestclimateError


def register(server: Flask, source: Source) -> None:
    """Add the wall and the address that its script asks."""

    @server.get("/")
    def wall() -> str:
        try:
            snapshot = source.snapshot()
        except NestclimateError as error:
            return _page("nestclimate", _frame(None, notices_html((failed(error),))), old=True)
        view = wall_of(snapshot)
        return _page(view.station, _frame(view, notices_html(view.notices)), old=view.old)

    @server.get("/wall.json")
    def refresh() -> Response:
        return Response(refresh_json(source, request.args.get("seen", "")), mimetype="application/json")


def _page(title: str, body: Markup, *, old: bool) -> str:
    return page(title, body, scripts=("wall.js",), kind="wall old" if old else "wall", here="/")


def refresh_json(source: Source, seen: str) -> str:
    """What has changed since the watermark ``seen``: nothing but the watermark when nothing has."""
    try:
        body = _parts(source.snapshot())
    except NestclimateError as error:
        body = {"notices": notices_html((failed(error),))}
    packed = json.dumps(body, separators=(",", ":"), ensure_ascii=False)
    mark = hashlib.blake2b(packed.encode(), digest_size=8).hexdigest()
    head = f'{{"build":"{build_id()}","mark":"{mark}"'
    return head + "}" if mark == seen else f'{head},"wall":{packed}}}'


def _parts(snapshot: Snapshot) -> dict[str, object]:
    view = wall_of(snapshot)
    return {
        "clock": view.clock,
        "old": view.old,
        "notices": notices_html(view.notices),
        "needs": needs_html(view),
        "racks": [[rack.title, [[card.name, card_html(card)] for card in rack.cards]] for rack in view.racks],
    }


def _frame(view: Wall | None, notices: Markup) -> Markup:
    shelves = Markup("").join(rack_html(rack) for rack in view.racks) if view else Markup("")
    if view and not view.racks:
        shelves = empty_room()
    return Markup(
        '{symbols}<div id="line" role="alert">{notices}</div><header><h1>{station}</h1><span id="pager"></span>'
        '<time id="clock">{clock}</time></header>'
        '<main><div id="needs" class="show-3">{needs}</div><div id="racks">{shelves}</div></main>'
    ).format(
        symbols=SYMBOLS,
        notices=notices,
        station=view.station if view else "",
        clock=view.clock if view else "",
        needs=needs_html(view) if view else "",
        shelves=shelves,
    )


def empty_room() -> Markup:
    """How to begin."""
    title, how, example, then, command, grid, page_name = text.EMPTY_ROOM
    return Markup(
        '<section class="empty"><h2>{}</h2><p>{}</p><pre tabindex="0">{}</pre><p>{}</p><pre>{}</pre><p>{} <a href="/colonies">{}</a>.</p></section>'
    ).format(title, how, example, then, command, grid, page_name)
