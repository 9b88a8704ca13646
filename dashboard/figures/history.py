"""The history of a nest as a Plotly figure, a plain dictionary: one panel a quantity over one time axis.

Bands are shaded as they were in force then, siblings lie faintly behind, gaps stay gaps; journal and alarms stand below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from dashboard import text, text_nest
from dashboard.figures.lines import TIME_TICKS, Clockface, Convert, line, ribbon
from dashboard.figures.marks import mark_traces
from dashboard.nest_snapshot import AirTracks, BandSpan, History, Track
from dashboard.units import CELSIUS, degrees, sign
from sensord.keeping.bands import Band

GREY, LINE = "#7d848e", "#2a7fb8"
_BAND, _SPREAD, _RANGE = "rgba(128,140,150,0.2)", "rgba(128,128,128,0.3)", "rgba(42,127,184,0.25)"
_PANEL_PX, _STRIP_PX, _GAP_PX, _ABOVE_PX, _BELOW_PX = 185, 78, 18, 12, 52


@dataclass(frozen=True, slots=True)
class _Panel:
    """One quantity: its axis, its words, and how its numbers are written. ``range``: of its axis, None: what was measured."""

    axis: str
    name: str
    unit: str
    digits: int
    convert: Convert
    track: Track
    fine: Track | None = None
    siblings: Track | None = None
    range: tuple[float, float] | None = None


def history_figure(
    history: History, zone: str, revision: str, unit: str = CELSIUS, zoom: tuple[str, str] | None = None
) -> dict[str, Any]:
    """The whole figure.

    Args:
        zoom: the stretch the reader looks at, as Plotly told it, None for all. It has to be told: Dash writes a zoom into the figure, so that
            the next one would take it away whatever its ``uirevision``.
        revision: as long as it stays, what else the reader did to the chart stays as well.
    """
    clock = Clockface(zone)
    stretch = zoom or (clock.at(history.from_ms), clock.at(history.until_ms))
    panels = _panels(history, unit)
    traces = [trace for panel in panels for trace in _traces(panel, clock)]
    shapes = [shape for span in history.spans for shape in _span(span, clock, unit)]
    return {
        "data": [*traces, *mark_traces(history, clock, unit, "y3")],
        "layout": _layout(panels, shapes, revision) | {"xaxis": _time_axis(stretch, zone)},
    }


def _panels(history: History, unit: str) -> list[_Panel]:
    """From above to below; what was not asked for or not measured has none."""
    in_unit: Convert = partial(degrees, unit=unit)
    fine, kin = history.fine or AirTracks(), history.siblings
    panels = [
        _Panel("y", text_nest.PANELS["rh_pct"], "%", 1, float, history.air.rh_pct, fine.rh_pct, kin.rh_pct if kin else None),
        _Panel(
            "y2", text_nest.PANELS["temp_c"], sign(unit), 2, in_unit, history.air.temp_c, fine.temp_c,
            kin.temp_c if kin else None,
        ),
    ]  # fmt: skip
    if history.wetness is not None:
        whole = _whole(history.wetness)
        panels.append(_Panel("y4", text_nest.PANELS["wetness"], "", 2, float, history.wetness, range=whole))
    if history.dew_c is not None:
        panels.append(_Panel("y5", text_nest.PANELS["dew_c"], sign(unit), 1, in_unit, history.dew_c))
    if history.deficit_kpa is not None:
        panels.append(_Panel("y6", text_nest.PANELS["deficit_kpa"], "kPa", 2, float, history.deficit_kpa))
    return panels


def _whole(wetness: Track) -> tuple[float, float]:
    """From dry to wet, so that the flutter of a wet cotton looks like none; more where more was measured."""
    known = [value for value in wetness.middle if math.isfinite(value)]
    return min([0.0, *known]), max([1.0, *known]) + 0.05


def _traces(panel: _Panel, clock: Clockface) -> list[dict[str, Any]]:
    """Siblings behind, then the range, then the line."""
    traces = []
    if panel.siblings is not None:
        traces.append(_filled(panel, panel.siblings, clock, _SPREAD))
        traces.append(_middle_of_siblings(panel, panel.siblings, clock))
    traces.append(_filled(panel, panel.track, clock, _RANGE, panel.fine))
    unit = f" {panel.unit}" if panel.unit else ""
    drawn = {
        "type": "scatter", "mode": "lines", "name": panel.name, "yaxis": panel.axis, "connectgaps": False,
        "line": {"width": 1.6, "color": LINE}, "hovertemplate": f"{panel.name} %{{y}}{unit}<extra></extra>",
    }  # fmt: skip
    traces.append(drawn | line(panel.track, clock, panel.convert, panel.digits, panel.fine))
    return [trace for trace in traces if trace]


def _filled(
    panel: _Panel, track: Track, clock: Clockface, colour: str, leave_out: Track | None = None
) -> dict[str, Any]:
    found = ribbon(track, clock, panel.convert, panel.digits, leave_out)
    if found is None:
        return {}
    return {
        "type": "scatter", "mode": "lines", "fill": "toself", "fillcolor": colour, "line": {"width": 0}, "hoverinfo": "skip",
        "name": f"{panel.name}, range", "yaxis": panel.axis, **found,
    }  # fmt: skip


def _middle_of_siblings(panel: _Panel, track: Track, clock: Clockface) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "lines", "name": f"{panel.name}, siblings", "yaxis": panel.axis, "connectgaps": False,
        "line": {"width": 1, "color": GREY, "dash": "dot"}, "hovertemplate": f"{text_nest.SIBLINGS_MEDIAN} %{{y}}<extra></extra>",
        **line(track, clock, panel.convert, panel.digits),
    }  # fmt: skip


def _span(span: BandSpan, clock: Clockface, unit: str) -> list[dict[str, Any]]:
    """Both quantities' bands while they were in force."""
    since, until = clock.at(span.from_ms), clock.at(span.until_ms)
    in_unit: Convert = partial(degrees, unit=unit)
    return [
        *_bands(span.bands.rh_pct, "y", since, until, float),
        *_bands(span.bands.temp_c, "y2", since, until, in_unit),
    ]


def _bands(band: Band, axis: str, since: str, until: str, convert: Convert) -> list[dict[str, Any]]:
    """The ideal range inside the limits, each a shade."""
    return [
        {"type": "rect", "xref": "x", "x0": since, "x1": until, "yref": axis, "y0": convert(low), "y1": convert(high),
         "fillcolor": _BAND, "line": {"width": 0}, "layer": "below"}
        for low, high in ((band.limit_low, band.limit_high), (band.ideal_low, band.ideal_high))
    ]  # fmt: skip


def _time_axis(stretch: tuple[str, str], zone: str) -> dict[str, Any]:
    return {
        "gridcolor": "rgba(128,128,128,0.25)", "zeroline": False, "title": {"text": text_nest.TIME_IN.format(zone=zone)},
        "anchor": "y3", "type": "date", "range": list(stretch), "autorange": False, **TIME_TICKS,
    }  # fmt: skip


def _layout(panels: Sequence[_Panel], shapes: list[dict[str, Any]], revision: str) -> dict[str, Any]:
    high = len(panels) * (_PANEL_PX + _GAP_PX) + _STRIP_PX
    axes: dict[str, Any] = {
        "yaxis3": {
            "domain": [0, _STRIP_PX / high], "range": [-0.6, 2.6], "fixedrange": True, "showgrid": False, "zeroline": False,
            "tickvals": [0, 1, 2], "ticktext": list(text_nest.STRIP),
        }
    }  # fmt: skip
    top = 1.0
    for panel in panels:
        unit = f", {panel.unit}" if panel.unit else ""
        axes[f"yaxis{panel.axis[1:]}"] = {
            "gridcolor": "rgba(128,128,128,0.25)", "zeroline": False, "fixedrange": True, "automargin": False,
            "title": {"text": f"{panel.name}{unit}"}, "domain": [max(0.0, top - _PANEL_PX / high), top],
            **({"range": list(panel.range), "autorange": False} if panel.range else {}),
        }  # fmt: skip
        top -= (_PANEL_PX + _GAP_PX) / high
    return {
        "uirevision": revision, "shapes": shapes, "showlegend": False, "height": high + _ABOVE_PX + _BELOW_PX,
        "dragmode": "zoom", "margin": {"l": 64, "r": 12, "t": _ABOVE_PX, "b": _BELOW_PX}, "hovermode": "x unified",
        "hoversubplots": "axis", "hoverlabel": {"bgcolor": "#1e2126", "bordercolor": GREY, "font": {"color": "#eceef1", "size": 14}},
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "font": {"color": GREY, "size": 13}, **axes,
    }  # fmt: skip


def empty_words(history: History) -> str:
    """What to say where there is nothing to draw."""
    return "" if history.air.rh_pct.at_ms else text.NO_HISTORY
