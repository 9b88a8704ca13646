"""``/nest/ID``: one nest, now and over time. The one page with a chart, so the one that is a Dash page."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

import dash
from dash import Input, Output, dcc, html
from flask import Flask, request
from markupsafe import Markup

from dashboard import ids, text
from dashboard.figures.history import empty_words, history_figure
from dashboard.pages.wall import failed
from dashboard.shell import build_id, nav, page
from dashboard.snapshot import NestNow, Snapshot, Source
from dashboard.viewmodels import card_of
from sensord.clock import DAY_MS, Clock, to_ms
from sensord.errors import NestclimateError
from sensord.model import NEST

PREFIX = "/nest/"
WINDOWS = {"0.25": "6 hours", "1": "day", "7": "week", "30": "month", "365": "year"}
EVERY_MS = 30_000
Shown = tuple[str, list[Any], Any, str]


def register(server: Flask, source: Source, clock: Clock) -> dash.Dash:
    """Mount the Dash application under ``/nest/``; an unknown nest is a 404 before Dash sees it."""
    app = dash.Dash(
        "dashboard", server=server, routes_pathname_prefix=PREFIX, requests_pathname_prefix=PREFIX,
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
        Input(ids.NEST_ADDRESS, "pathname"), Input(ids.NEST_DAYS, "value"), Input(ids.NEST_TICK, "n_intervals"),
    )  # fmt: skip
    def show(pathname: str, days: str, _ticks: int) -> Shown:
        return shown(source, clock, pathname, days)

    return app


def is_known(source: Source, name: str) -> bool:
    """Whether there is such a nest; taken for yes while the data cannot be read, so that the page can say why."""
    if not NEST.fullmatch(name):
        return False
    try:
        return any(now.nest.name == name for now in source.snapshot().nests)
    except NestclimateError:
        return True


def layout() -> html.Main:
    """The still frame of the page; the callback fills it."""
    buttons = [{"label": label, "value": value} for value, label in WINDOWS.items()]
    return html.Main(
        [
            dcc.Location(id=ids.NEST_ADDRESS, refresh=False),
            dcc.Interval(id=ids.NEST_TICK, interval=EVERY_MS),
            html.H1(id=ids.NEST_TITLE),
            html.Div(id=ids.NEST_FACTS, className="facts"),
            dcc.RadioItems(id=ids.NEST_DAYS, options=buttons, value="1", inline=True, className="windows"),
            html.P(id=ids.NEST_EMPTY),
            dcc.Graph(id=ids.NEST_CHART, config={"displayModeBar": False, "displaylogo": False, "responsive": True}),
        ]
    )


def shown(source: Source, clock: Clock, pathname: str, days: str) -> Shown:
    """What the page shows for this address; an error is words on the page, never a silent old picture."""
    name = unquote(pathname or "").removeprefix(PREFIX)
    empty = {"data": [], "layout": {"xaxis": {"visible": False}, "yaxis": {"visible": False}}}
    if not NEST.fullmatch(name) or days not in WINDOWS:
        return text.NO_NEST, [], empty, ""
    try:
        snapshot = source.snapshot()
        now = next((now for now in snapshot.nests if now.nest.name == name), None)
        if now is None:
            return text.NO_NEST, [], empty, ""
        until_ms = to_ms(clock.now())
        history = source.history(name, until_ms - round(float(days) * DAY_MS), until_ms)
    except NestclimateError as error:
        return name, [], empty, failed(error)
    figure = history_figure(history, now.bands, snapshot.time_zone, f"{name}/{days}")
    return name, facts(now, snapshot), figure, empty_words(history)


def facts(now: NestNow, snapshot: Snapshot) -> list[Any]:
    """The nest in a few large words."""
    card = card_of(now, snapshot)
    place = text.PLACES[now.placement.place] if now.placement else text.NO_PROBE
    rows = [
        ("state", ": ".join(part for part in (text.STATES[card.state], card.reason) if part)),
        ("species", now.species or now.nest.species),
        (f"humidity, {place}", card.rh + (f", {card.rh_trend}" if card.rh_trend else "")),
        (f"temperature, {place}", card.temp + (f", {card.temp_trend}" if card.temp_trend else "")),
        ("water left", card.days),
        ("reading is old", card.age),
    ]
    return [html.Div([html.Small(label), value]) for label, value in rows if value]


def _index() -> str:
    """Dash's page in our frame."""
    head = Markup(
        '<link rel="icon" href="/assets/icon.svg" type="image/svg+xml"><link rel="stylesheet" href="/look/{}.css">'
    ).format(build_id())
    body = Markup(
        '<body class="text nest" data-build="{}" data-no-contact="{}"><div id="notice" role="alert"></div>{}'
    ).format(build_id(), text.NO_CONTACT, nav(""))
    return (
        '<!doctype html><html lang="en"><head>{%metas%}<title>{%title%}</title>' + str(head) + "{%css%}</head>" + str(body)
        + '{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer><script src="/assets/contact.js"></script></body></html>'
    )  # fmt: skip
