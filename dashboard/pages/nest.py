"""``/nest/ID``: one nest, now and over time. The one page with a chart, so the one that is a Dash page.

Its head, with the one-tap entries, comes with the page from the server: it is there before the chart library is. Dash
fills in the rest and keeps it fresh.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

import dash
from dash import Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate
from flask import Flask, request
from markupsafe import Markup

from dashboard import ids, text, text_access, text_nest
from dashboard.access import signed_in
from dashboard.figures.water import water_figure
from dashboard.pages.nest_chart import (
    NOTHING,
    SLOW_FROM_MS,
    SLOW_TICKS,
    Charted,
    Window,
    charted,
    revision,
    window_of,
    zoomed,
)
from dashboard.pages.nest_entries import head_html
from dashboard.pages.nest_journal import journal, most_lines, past
from dashboard.pages.nest_now import facts, gone, provenance
from dashboard.shell import build_id, failed, nav, page, token_meta
from dashboard.snapshot import Source
from dashboard.viewmodels import outlook_words
from sensord.clock import DAY_MS, Clock, to_ms
from sensord.errors import NestclimateError
from sensord.model import NEST

PREFIX = "/nest/"
EVERY_MS = 30_000
Now = tuple[list[Any], str, Any, dict[str, str], list[Any], bool, list[Any], list[Any]]
"""Facts, the outlook in words and as a fan, its style, the journal, whether that is all of it, the history, the bands."""
_HEAD, _NAV, _NEST_HEAD = "<!-- head -->", "<!-- nav -->", "<!-- nest -->"
_CHART = {"displayModeBar": False, "displaylogo": False, "responsive": True, "doubleClick": "autosize"}
_HIDDEN, _SHOWN = {"display": "none"}, {"display": "block"}


def register(server: Flask, source: Source, clock: Clock) -> dash.Dash:
    """Mount the Dash application under ``/nest/``; an unknown nest is a 404 before Dash sees it."""
    app = _Charts(
        source, __name__, server=server, routes_pathname_prefix=PREFIX, requests_pathname_prefix=PREFIX,
        include_assets_files=False, title=text.NEST, update_title="", index_string=_index(),
    )  # fmt: skip
    app.layout = layout()

    @server.before_request
    def known() -> tuple[str, int] | None:
        rest = request.path.removeprefix(PREFIX)
        if rest == request.path or rest.startswith("_") or is_known(source, rest):
            return None
        return page(text.NEST, Markup("<main><h1>404</h1><p>{}</p></main>").format(text.NO_NEST)), 404

    _keep_fresh(app, source, clock)
    return app


def _keep_fresh(app: dash.Dash, source: Source, clock: Clock) -> None:
    """The callbacks: what is now, what was, and where the reader looks closer."""

    @app.callback(  # type: ignore[untyped-decorator]
        Output(ids.NEST_FACTS, "children"), Output(ids.NEST_WATER_WORDS, "children"), Output(ids.NEST_WATER, "figure"),
        Output(ids.NEST_WATER, "style"), Output(ids.NEST_JOURNAL, "children"), Output(ids.NEST_OLDER, "hidden"),
        Output(ids.NEST_PAST, "children"), Output(ids.NEST_BANDS, "children"),
        Input(ids.NEST_ADDRESS, "pathname"), Input(ids.NEST_TICK, "n_intervals"), Input(ids.NEST_WRITTEN, "data"),
        Input(ids.NEST_OLDER, "n_clicks"),
    )  # fmt: skip
    def now(pathname: str, _ticks: int, _written: int, older: int) -> Now:
        return shown_now(source, name_in(pathname), most_lines(older), may_write=signed_in() is not None)

    @app.callback(  # type: ignore[untyped-decorator]
        Output(ids.NEST_CHART, "figure"), Output(ids.NEST_EMPTY, "children"), Output(ids.NEST_DAYS, "children"),
        Output(ids.NEST_MEANS, "children"), Output(ids.NEST_KIN, "children"), Output(ids.NEST_LAYERS, "children"),
        Output(ids.NEST_WHOLE, "hidden"),
        Input(ids.NEST_ADDRESS, "pathname"), Input(ids.NEST_ADDRESS, "search"), Input(ids.NEST_TICK, "n_intervals"),
        Input(ids.NEST_WRITTEN, "data"), Input(ids.NEST_ZOOM, "data"),
        Input(ids.NEST_WHOLE, "n_clicks"),
    )  # fmt: skip
    def chart(pathname: str, search: str, ticks: int, _written: int, zoom: Any, resets: int) -> Charted:
        window = window_of(search)
        if _not_due(window, ticks):
            raise PreventUpdate
        return shown_chart(source, clock, name_in(pathname), window, zoom, resets)

    @app.callback(  # type: ignore[untyped-decorator]
        Output(ids.NEST_ZOOM, "data"), Input(ids.NEST_CHART, "relayoutData"),
        State(ids.NEST_ADDRESS, "pathname"), State(ids.NEST_ADDRESS, "search"), State(ids.NEST_WHOLE, "n_clicks"),
    )  # fmt: skip
    def look_closer(moved: Any, pathname: str, search: str, resets: int) -> Any:
        window = window_of(search)
        found = False if window is None else zoomed(moved, revision(name_in(pathname), window, resets))
        return dash.no_update if found is False else found


def _not_due(window: Window | None, ticks: int) -> bool:
    """Whether it was a tick alone that asked, for a window that hardly moves from one to the next."""
    long = window is not None and (window.ms is None or window.ms > SLOW_FROM_MS)
    by_tick = list(dash.ctx.triggered_prop_ids) == [f"{ids.NEST_TICK}.n_intervals"]
    return long and by_tick and bool((ticks or 0) % SLOW_TICKS)


class _Charts(dash.Dash):  # type: ignore[misc]
    """Dash with the head of our pages: it differs by nest and by who asks, so it is put in anew for each request."""

    def __init__(self, source: Source, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._source = source

    def interpolate_index(self, **parts: str) -> str:
        """The page around the charts."""
        name = name_in(request.path)
        parts["title"] = str(Markup.escape(name or text.NEST))
        index: str = super().interpolate_index(**parts)
        head = head_html(self._source, name)
        return index.replace(_HEAD, str(token_meta())).replace(_NAV, str(nav(""))).replace(_NEST_HEAD, str(head))


def is_known(source: Source, name: str) -> bool:
    """Whether there is such a nest; taken for yes while the data cannot be read, so that the page can say why."""
    if not NEST.fullmatch(name):
        return False
    try:
        return source.nest(name) is not None
    except NestclimateError:
        return True


def name_in(pathname: str) -> str:
    """The nest that an address names; empty where that is no nest's name."""
    name = unquote(pathname or "").removeprefix(PREFIX)
    return name if NEST.fullmatch(name) else ""


def layout() -> html.Main:
    """The still frame below the head; the callbacks fill it."""
    return html.Main(
        [
            dcc.Location(id=ids.NEST_ADDRESS, refresh=False),
            dcc.Interval(id=ids.NEST_TICK, interval=EVERY_MS),
            dcc.Store(id=ids.NEST_ZOOM),
            dcc.Store(id=ids.NEST_WRITTEN),
            html.Div(id=ids.NEST_FACTS, className="facts"),
            html.P(id=ids.NEST_WATER_WORDS),
            html.H2(text_nest.CHART, id="nest-past"),
            html.Div(id=ids.NEST_DAYS, className="windows", role="group", **{"aria-label": text_nest.WINDOW_NAME}),
            html.Div(
                [html.Span(id=ids.NEST_LAYERS), html.Button(text_nest.WHOLE, id=ids.NEST_WHOLE, n_clicks=0, hidden=True)],
                className="over-chart",
            ),
            html.P(id=ids.NEST_EMPTY, className="large"),
            html.Figure(
                [dcc.Graph(id=ids.NEST_CHART, figure=NOTHING, config=_CHART), html.Figcaption(id=ids.NEST_MEANS)],
                **{"aria-labelledby": "nest-past"},
            ),
            html.P(id=ids.NEST_KIN, className="soft"),
            dcc.Graph(id=ids.NEST_WATER, figure=NOTHING, config=_CHART, style=_HIDDEN),
            html.Div(id=ids.NEST_JOURNAL),
            html.Button(text_nest.OLDER, id=ids.NEST_OLDER, className="act", n_clicks=0, hidden=True),
            html.Div(id=ids.NEST_PAST),
            html.Div(id=ids.NEST_BANDS),
        ]
    )  # fmt: skip


def shown_now(source: Source, name: str, most: int, *, may_write: bool) -> Now:
    """The present; an error is words on the page, never a silent old picture."""
    try:
        now = source.nest(name) if name else None
        if now is None:
            return [html.Div(text.NO_NEST)], "", NOTHING, _HIDDEN, [], True, [], []
        snapshot, written, lines = source.snapshot(), source.written(name, most), source.past(name)
    except NestclimateError as error:
        return [html.Div(failed(error))], "", NOTHING, _HIDDEN, [], True, [], []
    words = outlook_words(now.water, snapshot.at_ms, snapshot.time_zone) if now.water else ""
    fan = water_figure(now.water, snapshot.at_ms, snapshot.time_zone) if now.water else None
    told = gone(now, snapshot) if now.died_ms is not None else facts(now, snapshot)
    return (
        told, words, fan or NOTHING, _SHOWN if fan else _HIDDEN, journal(written, snapshot.at_ms, snapshot.time_zone, may_write=may_write),
        not written.more, past(lines, snapshot.at_ms, snapshot.time_zone), provenance(now.bands, snapshot.temperature_unit),
    )  # fmt: skip


def shown_chart(source: Source, clock: Clock, name: str, window: Window | None, zoom: Any, resets: int) -> Charted:
    """The past; of a dead nest up to a day after its death."""
    if window is None:
        return NOTHING, text_nest.BAD_WINDOW, [], [], "", [], True
    try:
        now = source.nest(name) if name else None
        if now is None:
            return NOTHING, text.NO_NEST, [], [], "", [], True
        until_ms = to_ms(clock.now())
        if now.died_ms is not None:
            until_ms = min(until_ms, now.died_ms + DAY_MS)
        return charted(source, name, until_ms, window, zoom, resets)
    except NestclimateError as error:
        return NOTHING, failed(error), [], [], "", [], True


def _index() -> str:
    """Dash's page in our frame."""
    head = Markup(
        '<link rel="icon" href="/assets/icon.svg" type="image/svg+xml"><link rel="stylesheet" href="/look/{}.css">'
    ).format(build_id())
    body = Markup(
        '<body class="text nest" data-build="{}" data-no-contact="{}" data-not-written="{}"><div id="notice" role="alert"></div>'
    ).format(build_id(), text.NO_CONTACT, text_access.NOT_WRITTEN)
    scripts = Markup("").join(
        Markup('<script src="/assets/{}?{}"></script>').format(name, build_id())
        for name in ("contact.js", "write.js", "nest.js")
    )
    return (
        '<!doctype html><html lang="en"><head>{%metas%}<title>{%title%}</title>' + str(head) + "{%css%}" + _HEAD + "</head>" + str(body) + _NAV
        + _NEST_HEAD + "{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer>" + str(scripts) + "</body></html>"
    )  # fmt: skip
