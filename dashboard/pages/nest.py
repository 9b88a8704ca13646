"""``/nest/ID``: one nest, now and over time. The one page with a chart, so the one that is a Dash page."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, quote, unquote

import dash
from dash import Input, Output, dcc, html
from flask import Flask, request
from markupsafe import Markup

from dashboard import ids, text, text_access
from dashboard.figures.history import empty_words, history_figure
from dashboard.figures.water import water_figure
from dashboard.nest_snapshot import Asked
from dashboard.pages.wall import failed
from dashboard.shell import build_id, nav, page, token_meta
from dashboard.snapshot import NestNow, Snapshot, Source
from dashboard.units import CELSIUS, in_words, short
from dashboard.viewmodels import card_of, local, outlook_words
from sensord.clock import DAY_MS, Clock, to_ms
from sensord.errors import NestclimateError
from sensord.keeping.bands import Band, Bands
from sensord.model import NEST

PREFIX = "/nest/"
WINDOWS = {"0.25": "6 hours", "1": "day", "7": "week", "30": "month", "365": "year"}
DAYS, EVERY_MS = "1", 30_000
Shown = tuple[str, list[Any], Any, str, str, Any, dict[str, str], list[Any]]
"""Title, facts, history and what to say where it is empty, the outlook in words and as a fan, its style, bands."""
_HEAD, _NAV = "<!-- head -->", "<!-- nav -->"
_NOTHING: dict[str, Any] = {"data": [], "layout": {"xaxis": {"visible": False}, "yaxis": {"visible": False}}}
_CHART = {"displayModeBar": False, "displaylogo": False, "responsive": True}
_HIDDEN, _SHOWN = {"display": "none"}, {"display": "block"}


def register(server: Flask, source: Source, clock: Clock) -> dash.Dash:
    """Mount the Dash application under ``/nest/``; an unknown nest is a 404 before Dash sees it."""
    app = _Charts(
        __name__, server=server, routes_pathname_prefix=PREFIX, requests_pathname_prefix=PREFIX,
        include_assets_files=False, title=text.NEST, update_title="", index_string=_index(),
    )  # fmt: skip
    app.layout = layout()

    @server.before_request
    def known() -> tuple[str, int] | None:
        rest = request.path.removeprefix(PREFIX)
        if rest == request.path or rest.startswith("_") or is_known(source, rest):
            return None
        return page(text.NEST, Markup("<main><h1>404</h1><p>{}</p></main>").format(text.NO_NEST)), 404

    @app.callback(  # type: ignore[untyped-decorator]
        Output(ids.NEST_TITLE, "children"), Output(ids.NEST_FACTS, "children"),
        Output(ids.NEST_CHART, "figure"), Output(ids.NEST_EMPTY, "children"),
        Output(ids.NEST_WATER_WORDS, "children"), Output(ids.NEST_WATER, "figure"), Output(ids.NEST_WATER, "style"),
        Output(ids.NEST_BANDS, "children"),
        Output(ids.NEST_DAYS, "children"),
        Input(ids.NEST_ADDRESS, "pathname"), Input(ids.NEST_ADDRESS, "search"), Input(ids.NEST_TICK, "n_intervals"),
    )  # fmt: skip
    def show(pathname: str, search: str, _ticks: int) -> tuple[Any, ...]:
        days = parse_qs((search or "").removeprefix("?")).get("days", [DAYS])[0]
        return (*shown(source, clock, pathname, days), windows(pathname, days))

    return app


class _Charts(dash.Dash):  # type: ignore[misc]
    """Dash with the head of our pages: it differs by who asks, so it is put in anew for each request."""

    def interpolate_index(self, **parts: str) -> str:
        """The page around the charts."""
        index: str = super().interpolate_index(**parts)
        return index.replace(_HEAD, str(token_meta())).replace(_NAV, str(nav("")))


def is_known(source: Source, name: str) -> bool:
    """Whether there is such a nest; taken for yes while the data cannot be read, so that the page can say why."""
    if not NEST.fullmatch(name):
        return False
    try:
        return source.nest(name) is not None
    except NestclimateError:
        return True


def layout() -> html.Main:
    """The still frame of the page; the callback fills it."""
    return html.Main(
        [
            dcc.Location(id=ids.NEST_ADDRESS, refresh=False),
            dcc.Interval(id=ids.NEST_TICK, interval=EVERY_MS),
            html.H1(id=ids.NEST_TITLE),
            html.Div(id=ids.NEST_FACTS, className="facts"),
            html.P(id=ids.NEST_WATER_WORDS),
            html.Div(id=ids.NEST_DAYS, className="windows"),
            html.P(id=ids.NEST_EMPTY),
            dcc.Graph(id=ids.NEST_CHART, config=_CHART),
            dcc.Graph(id=ids.NEST_WATER, config=_CHART, style=_HIDDEN),
            html.Div(id=ids.NEST_BANDS),
        ]
    )


def windows(pathname: str, days: str) -> list[Any]:
    """How much of the past to show: links, so that a window can be bookmarked; the one on show is none."""
    path = PREFIX + quote(unquote(pathname or "").removeprefix(PREFIX))
    return [
        html.B(label) if value == days else dcc.Link(label, href=f"{path}?days={value}")
        for value, label in WINDOWS.items()
    ]


def shown(source: Source, clock: Clock, pathname: str, days: str) -> Shown:
    """What the page shows for this address; an error is words on the page, never a silent old picture."""
    name = unquote(pathname or "").removeprefix(PREFIX)
    if not NEST.fullmatch(name) or days not in WINDOWS:
        return _only(text.NO_NEST)
    try:
        now, snapshot = source.nest(name), source.snapshot()
        if now is None:
            return _only(text.NO_NEST)
        until_ms = to_ms(clock.now())
        if now.died_ms is not None:
            until_ms = min(until_ms, now.died_ms + DAY_MS)
        history = source.history(name, until_ms - round(float(days) * DAY_MS), until_ms, Asked(siblings=True))
    except NestclimateError as error:
        return _only(name, failed(error))
    zone = snapshot.time_zone
    figure = history_figure(history, zone, f"{name}/{days}", snapshot.temperature_unit)
    words = outlook_words(now.water, snapshot.at_ms, zone) if now.water else ""
    fan = water_figure(now.water, snapshot.at_ms, zone) if now.water else None
    told = gone(now, snapshot) if now.died_ms is not None else facts(now, snapshot)
    return (
        name, told, figure, empty_words(history), words, fan or _NOTHING, _SHOWN if fan else _HIDDEN, provenance(now.bands, snapshot.temperature_unit),
    )  # fmt: skip


def _only(title: str, words: str = "") -> Shown:
    return title, [], _NOTHING, words, "", _NOTHING, _HIDDEN, []


def facts(now: NestNow, snapshot: Snapshot) -> list[Any]:
    """The nest in a few large words."""
    card = card_of(now, snapshot)
    place = text.PLACES[now.placement.place] if now.placement else text.NO_PROBE
    return _facts(
        ("state", ": ".join(part for part in (text.STATES[card.state], card.reason) if part)),
        ("species", now.species or now.nest.species),
        (f"humidity, {place}", card.rh + (f", {card.rh_trend}" if card.rh_trend else "")),
        (f"temperature, {place}", card.temp + (f", {card.temp_trend}" if card.temp_trend else "")),
        ("water left", card.days),
        ("reading is old", card.age),
    )


def gone(now: NestNow, snapshot: Snapshot) -> list[Any]:
    """A nest whose colony died: when, and where to look why."""
    died_ms = now.died_ms or 0
    day = local(died_ms, snapshot.time_zone, "%Y-%m-%d")
    link = html.A(text.REVIEW_IT, href=f"/review?nest={quote(now.nest.name)}&day={day}")
    return _facts(
        ("state", text.DIED.format(at=local(died_ms, snapshot.time_zone, "%-d %b %Y %H:%M"))),
        ("species", now.species or now.nest.species),
        ("why", link),
    )


def _facts(*rows: tuple[str, Any]) -> list[Any]:
    return [html.Div([html.Small(label), value]) for label, value in rows if value]


def provenance(bands: Bands | None, degrees: str = CELSIUS) -> list[Any]:
    """The bands in force, each number with where it comes from."""
    if bands is None:
        return []
    rows = []
    for quantity, name in text.BANDS.items():
        band: Band = getattr(bands, quantity)
        for number, edge in enumerate(text.EDGES):
            value, source = band.edge(number)
            amount = short(value, degrees) if quantity == "temp_c" else f"{value:g} %"
            cells = (name if number == 0 else "", edge, amount, in_words(source, degrees) or text.NO_SOURCE)
            rows.append(html.Tr([html.Td(cell) for cell in cells]))
    return [html.H2(text.BANDS_TITLE), html.Div(html.Table(html.Tbody(rows)), className="scroll")]


def _index() -> str:
    """Dash's page in our frame."""
    head = Markup(
        '<link rel="icon" href="/assets/icon.svg" type="image/svg+xml"><link rel="stylesheet" href="/look/{}.css">'
    ).format(build_id())
    body = Markup(
        '<body class="text nest" data-build="{}" data-no-contact="{}" data-not-written="{}"><div id="notice" role="alert"></div>'
    ).format(build_id(), text.NO_CONTACT, text_access.NOT_WRITTEN)
    return (
        '<!doctype html><html lang="en"><head>{%metas%}<title>{%title%}</title>' + str(head) + "{%css%}" + _HEAD + "</head>" + str(body) + _NAV
        + '{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer><script src="/assets/contact.js"></script><script src="/assets/write.js"></script></body></html>'
    )  # fmt: skip
