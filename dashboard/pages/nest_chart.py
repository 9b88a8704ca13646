"""The chart of the nest page: which stretch of time is asked for, what is drawn over it, and the same in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from urllib.parse import parse_qs, quote
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard import text_nest
from dashboard.figures.history import empty_words, history_figure
from dashboard.nest_snapshot import Asked, History
from dashboard.nest_words import mean_rows, mean_words, part_of
from dashboard.pages.nest_now import table
from dashboard.snapshot import Snapshot, Source
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, to_ms

FIRST = "days=1"
SHORTEST_MS, LONGEST_MS = 15 * MINUTE_MS, 20 * 366 * DAY_MS
SLOW_FROM_MS, SLOW_TICKS = 2 * DAY_MS, 10
"""A longer window is drawn anew at every tenth tick only: it moves by less than a pixel meanwhile."""
_CLEAR = {"paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)"}
NOTHING: dict[str, Any] = {"data": [], "layout": {"xaxis": {"visible": False}, "yaxis": {"visible": False}, **_CLEAR}}
Charted = tuple[Any, str, list[Any], list[Any], str, list[Any], bool]
"""Figure, what to say where it is empty, windows, means in words and as a table, whose siblings lie behind, what else can
be drawn, and whether the whole stretch is on show."""


@dataclass(frozen=True, slots=True)
class Window:
    """How much of the past: ``ms`` back from now, None for all; ``key`` is how the address says it.

    Attributes:
        siblings, moisture: whether these are drawn as well.
    """

    key: str
    ms: int | None
    siblings: bool = True
    moisture: bool = False

    def search(self) -> str:
        """The part of the address that asks for it."""
        siblings = "" if self.siblings else "&siblings=off"
        return f"?{self.key}{siblings}{'&moisture=on' if self.moisture else ''}"


def window_of(search: str) -> Window | None:
    """From an address such as ``?hours=6``, ``?days=90`` or ``?days=all&moisture=on``; None where that is not allowed."""
    asked = parse_qs((search or "").removeprefix("?")[:200])
    drawn = {"siblings": asked.get("siblings") != ["off"], "moisture": asked.get("moisture") == ["on"]}
    if asked.get("days") == ["all"]:
        return Window("days=all", None, **drawn)
    for word, unit_ms in (("hours", HOUR_MS), ("days", DAY_MS)):
        if word in asked:
            number = _number(asked[word][0])
            allowed = number is not None and SHORTEST_MS <= number * unit_ms <= LONGEST_MS
            return Window(f"{word}={number:g}", round(number * unit_ms), **drawn) if allowed and number else None
    return Window(FIRST, DAY_MS, **drawn)


def _number(given: str) -> float | None:
    try:
        found = float(given)
    except ValueError:
        return None
    return found if math.isfinite(found) else None


def revision(name: str, window: Window, resets: int | None) -> str:
    """Changes when another stretch is chosen or the whole one is asked for again: then the reader's zoom is let go."""
    return f"{name}/{window.key}/{resets or 0}"


def charted(source: Source, name: str, until_ms: int, window: Window, zoom: Any, resets: int | None) -> Charted:
    """All that the chart's callback gives.

    Raises:
        NestclimateError: the data cannot be read.
    """
    snapshot, mark = source.snapshot(), revision(name, window, resets)
    stretch = zoom_ms(zoom, mark, snapshot.time_zone)
    asked = Asked(window.siblings, window.moisture, stretch)
    history = source.history(name, None if window.ms is None else until_ms - window.ms, until_ms, asked)
    told = (str(zoom["from"])[:26], str(zoom["until"])[:26]) if stretch else None
    figure = history_figure(history, snapshot.time_zone, mark, snapshot.temperature_unit, told)
    said = means(history, snapshot), kin(history, asked), layers(name, window), stretch is None
    return figure, empty_words(history), windows(name, window), *said


def zoom_ms(zoom: Any, mark: str, zone: str) -> tuple[int, int] | None:
    """The stretch that is zoomed into, kept under the revision it belongs to; None where that is another one's."""
    if not isinstance(zoom, dict) or zoom.get("of") != mark:
        return None
    try:
        ends = [datetime.fromisoformat(str(zoom[end])[:26]).replace(tzinfo=ZoneInfo(zone)) for end in ("from", "until")]
    except (KeyError, ValueError):
        return None
    from_ms, until_ms = (to_ms(end) for end in ends)
    return (from_ms, until_ms) if from_ms < until_ms else None


def zoomed(moved: Any, mark: str) -> dict[str, str] | bool | None:
    """What to keep of a move of the chart; False where its time axis did not move."""
    moved = moved if isinstance(moved, dict) else {}
    if "xaxis.range[0]" in moved and "xaxis.range[1]" in moved:
        return {"of": mark, "from": str(moved["xaxis.range[0]"]), "until": str(moved["xaxis.range[1]"])}
    if isinstance(moved.get("xaxis.range"), list) and len(moved["xaxis.range"]) == 2:
        return {"of": mark, "from": str(moved["xaxis.range"][0]), "until": str(moved["xaxis.range"][1])}
    return None if moved.get("xaxis.autorange") else False


def windows(name: str, window: Window) -> list[Any]:
    """How much of the past to show: links, so that a window can be bookmarked; the one on show is none."""
    return [
        html.B(label, **{"aria-current": "true"}) if key == window.key else _link(name, label, replace(window, key=key))
        for key, label in text_nest.WINDOWS.items()
    ]


def layers(name: str, window: Window) -> list[Any]:
    """What else can be drawn, as links that draw it or take it away."""
    other = {
        "siblings": replace(window, siblings=not window.siblings),
        "moisture": replace(window, moisture=not window.moisture),
    }
    return [_link(name, words[getattr(window, layer)], other[layer]) for layer, words in text_nest.LAYERS.items()]


def _link(name: str, label: str, window: Window) -> dcc.Link:
    return dcc.Link(label, href=f"/nest/{quote(name)}{window.search()}")


def means(history: History, snapshot: Snapshot) -> list[Any]:
    """The window in one line, and as a table behind a word."""
    words = mean_words(history, snapshot.temperature_unit)
    if not words:
        return []
    rows = mean_rows(history, snapshot.time_zone, snapshot.temperature_unit)
    label = text_nest.TABLE[part_of(history.until_ms - history.from_ms)]
    return [html.P(words), html.Details([html.Summary(label), table(text_nest.MEANS_HEADS, rows)])]


def kin(history: History, asked: Asked) -> str:
    """Who lies behind the line, and what wetness is."""
    said = []
    if asked.siblings:
        found = history.siblings
        said.append(text_nest.KIN.format(count=found.count) if found else text_nest.KIN_NONE)
    if history.wetness is not None:
        said.append(text_nest.WETNESS)
    return " ".join(said)
