"""The outlook of one reservoir as a fan: what is left now, running down to when it is dry, with 8 of 10 inside."""

from __future__ import annotations

from typing import Any

from dashboard import text, text_nest
from dashboard.figures.lines import TIME_TICKS
from dashboard.snapshot import Water
from dashboard.viewmodels import DRY_BELOW_DAYS, local_datetime
from sensord.clock import DAY_MS

_GREY, _LINE, _FAN = "#8a9099", "#2a7fb8", "rgba(42,127,184,0.25)"


def water_figure(water: Water, at_ms: int, zone: str) -> dict[str, Any] | None:
    """From the interval now to the interval dry, straight between; None where nobody knows how much is left, or nothing is."""
    if water.left_ml is None or water.left_p10_ml is None or water.left_p90_ml is None:
        return None
    if water.days_p90 < DRY_BELOW_DAYS:
        return None

    def when(days: float) -> str:
        at = local_datetime(at_ms + round(days * DAY_MS), zone)
        return at.replace(tzinfo=None).isoformat(timespec="minutes")

    fan = {
        "type": "scatter", "mode": "lines", "fill": "toself", "fillcolor": _FAN, "line": {"width": 0}, "hoverinfo": "skip",
        "x": [when(0), when(water.days_p90), when(water.days_p10), when(0)],
        "y": [water.left_p90_ml, 0, 0, water.left_p10_ml],
    }  # fmt: skip
    middle = {
        "type": "scatter", "mode": "lines", "line": {"width": 2, "color": _LINE},
        "x": [when(0), when(water.days_p50)], "y": [water.left_ml, 0], "hovertemplate": "%{y:.1f} mL<extra></extra>",
    }  # fmt: skip
    return {"data": [fan, middle], "layout": _layout(zone)}


def _layout(zone: str) -> dict[str, Any]:
    axis = {"gridcolor": "rgba(128,128,128,0.25)", "zeroline": False, "fixedrange": True}
    return {
        "showlegend": False, "height": 260, "margin": {"l": 60, "r": 12, "t": 12, "b": 50},
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)", "font": {"color": _GREY, "size": 14},
        "xaxis": {**axis, **TIME_TICKS, "type": "date", "title": {"text": text_nest.TIME_IN.format(zone=zone)}},
        "yaxis": {**axis, "title": {"text": text.OUTLOOK_TITLE}, "rangemode": "tozero"},
    }  # fmt: skip
