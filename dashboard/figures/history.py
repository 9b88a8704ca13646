"""The history of a nest as a Plotly figure, a plain dictionary: bands shaded, gaps as gaps, entries and alarms on the axis."""

from __future__ import annotations

import math
from typing import Any

from dashboard import text
from dashboard.snapshot import BandSpan, History
from dashboard.viewmodels import local_datetime
from sensord.keeping.bands import Band

_GREY, _LINE, _BAND, _EVENT = "#8a9099", "#2a7fb8", "rgba(128,140,150,0.22)", "#d55e00"


def history_figure(history: History, zone: str, revision: str) -> dict[str, Any]:
    """Humidity above, temperature below, one time axis. ``revision`` keeps the reader's zoom while data refresh."""
    at, temp, humidity = _with_gaps(history)
    when = [local_datetime(ms, zone).replace(tzinfo=None).isoformat(timespec="seconds") for ms in at]
    traces = [
        _trace(when, humidity, "humidity", "%", "y"),
        _trace(when, temp, "temperature", "°C", "y2"),
        _marks(history, zone),
    ]
    shapes = [shape for span in history.spans for shape in _span(span, zone)]
    return {"data": traces, "layout": _layout(shapes, zone, revision)}


def _with_gaps(history: History) -> tuple[list[int], list[float | None], list[float | None]]:
    """The series with a hole wherever two readings lie more than 2.5 steps apart, so that no line bridges silence."""
    at: list[int] = []
    temp: list[float | None] = []
    humidity: list[float | None] = []
    for ms, temp_c, rh_pct in zip(history.at_ms, history.temp_c, history.rh_pct, strict=True):
        if at and ms - at[-1] > 2.5 * history.step_ms:
            at.append(at[-1] + history.step_ms)
            temp.append(None)
            humidity.append(None)
        at.append(ms)
        temp.append(round(temp_c, 2) if math.isfinite(temp_c) else None)
        humidity.append(round(rh_pct, 1) if math.isfinite(rh_pct) else None)
    return at, temp, humidity


def _trace(when: list[str], values: list[float | None], name: str, unit: str, axis: str) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines", "x": when, "y": values, "name": name, "yaxis": axis, "connectgaps": False,
        "line": {"width": 1.6, "color": _LINE}, "hovertemplate": f"%{{y}} {unit}<extra></extra>",
    }  # fmt: skip


def _marks(history: History, zone: str) -> dict[str, Any]:
    when = [
        local_datetime(mark.at_ms, zone).replace(tzinfo=None).isoformat(timespec="seconds") for mark in history.marks
    ]
    words = [mark.text.replace("<", "&lt;") for mark in history.marks]
    symbols = ["square" if mark.kind == "alarm" else "circle" for mark in history.marks]
    colours = [_EVENT if mark.kind == "alarm" else _GREY for mark in history.marks]
    return {
        "type": "scatter", "mode": "markers", "x": when, "y": [0.5] * len(when), "yaxis": "y3", "name": "journal and alarms",
        "marker": {"size": 12, "symbol": symbols, "color": colours}, "text": words, "hovertemplate": "%{text}<extra></extra>",
    }  # fmt: skip


def _span(span: BandSpan, zone: str) -> list[dict[str, Any]]:
    """Both quantities' bands while they were in force."""
    since, until = (
        local_datetime(ms, zone).replace(tzinfo=None).isoformat(timespec="seconds")
        for ms in (span.from_ms, span.until_ms)
    )
    return [*_bands(span.bands.rh_pct, "y", since, until), *_bands(span.bands.temp_c, "y2", since, until)]


def _bands(band: Band, axis: str, since: str, until: str) -> list[dict[str, Any]]:
    """The ideal range inside the limits, each a shade."""
    return [
        {"type": "rect", "xref": "x", "x0": since, "x1": until, "yref": axis, "y0": low, "y1": high, "fillcolor": _BAND, "line": {"width": 0}, "layer": "below"}
        for low, high in ((band.limit_low, band.limit_high), (band.ideal_low, band.ideal_high))
    ]  # fmt: skip


def _layout(shapes: list[dict[str, Any]], zone: str, revision: str) -> dict[str, Any]:
    axis = {"gridcolor": "rgba(128,128,128,0.25)", "zeroline": False}
    return {
        "uirevision": revision, "shapes": shapes, "showlegend": False, "height": 620, "dragmode": "zoom",
        "margin": {"l": 60, "r": 12, "t": 12, "b": 50}, "hovermode": "x unified",
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "font": {"color": _GREY, "size": 14},
        "xaxis": {**axis, "title": {"text": f"time in {zone}"}, "anchor": "y3", "type": "date"},
        "yaxis": {**axis, "title": {"text": "humidity, %"}, "domain": [0.56, 1]},
        "yaxis2": {**axis, "title": {"text": "temperature, °C"}, "domain": [0.1, 0.52]},
        "yaxis3": {"domain": [0, 0.07], "range": [0, 1], "visible": False, "fixedrange": True},
    }  # fmt: skip


def empty_words(history: History) -> str:
    """What to say where there is nothing to draw."""
    return "" if history.at_ms else text.NO_HISTORY
