"""Journal and alarms on the time axis: what was told, what was done about water, and all else the keeper did or saw."""

from __future__ import annotations

from typing import Any

from dashboard import text, text_nest
from dashboard.figures.lines import Clockface
from dashboard.nest_snapshot import History, Mark
from dashboard.units import of_kind

_GREY, _WATER, _EVENT = "#7d848e", "#2a7fb8", "#d55e00"
_JOURNAL_ROW, _WATER_ROW, _ALARM_ROW = 0, 1, 2
_WATERING = frozenset({"fill", "top_up", "level"})
_SHAPES = {
    "fill": "triangle-up",
    "top_up": "triangle-up",
    "level": "triangle-up-open",
    "died": "x",
    "note": "circle-open",
}


def mark_traces(history: History, clock: Clockface, unit: str, axis: str) -> list[dict[str, Any]]:
    """How long alarms lasted, when they were raised, and the journal, water in a row of its own."""
    alarms = [mark for mark in history.marks if mark.kind == "alarm"]
    entries = [mark for mark in history.marks if mark.kind != "alarm"]
    when: list[str | None] = []
    for mark in alarms:
        end_ms = history.until_ms if mark.until_ms is None else mark.until_ms
        when += [clock.at(mark.at_ms), clock.at(max(mark.at_ms, end_ms)), None]
    lasted = {
        "type": "scatter", "mode": "lines", "name": "alarms lasted", "x": when, "y": [_ALARM_ROW if at else None for at in when],
        "yaxis": axis, "line": {"width": 6, "color": "rgba(213,94,0,0.45)"}, "hoverinfo": "skip",
    }  # fmt: skip
    raised = _points("alarms", alarms, clock, axis, _ALARM_ROW) | {
        "marker": {"size": 11, "symbol": "square", "color": _EVENT},
        "text": [_safe(_alarm_words(mark, unit)) for mark in alarms],
    }
    water = [mark for mark in entries if mark.kind in _WATERING]
    other = [mark for mark in entries if mark.kind not in _WATERING]
    noted = [
        _entries("journal", other, clock, axis, _JOURNAL_ROW),
        _entries("water", water, clock, axis, _WATER_ROW),
    ]
    return [lasted, raised, *noted]


def _entries(name: str, marks: list[Mark], clock: Clockface, axis: str, row: int) -> dict[str, Any]:
    marker = {
        "size": 11,
        "symbol": [_SHAPES.get(mark.kind, "circle") for mark in marks],
        "color": [_WATER if row == _WATER_ROW else _EVENT if mark.kind == "died" else _GREY for mark in marks],
    }
    return _points(name, marks, clock, axis, row) | {"marker": marker, "text": [_safe(mark.text) for mark in marks]}


def _points(name: str, marks: list[Mark], clock: Clockface, axis: str, row: int) -> dict[str, Any]:
    return {
        "type": "scatter", "mode": "markers", "name": name, "x": [clock.at(mark.at_ms) for mark in marks], "y": [row] * len(marks),
        "yaxis": axis, "hovertemplate": "%{text}<extra></extra>",
    }  # fmt: skip


def _alarm_words(mark: Mark, unit: str) -> str:
    words = text_nest.ALARM_MARK.format(what=text.KINDS.get(mark.text, mark.text))
    return words if mark.worst is None else f"{words}, {text_nest.WORST} {of_kind(mark.text, mark.worst, unit)}"


def _safe(words: str) -> str:
    """Plotly reads a little markup in texts; none of it may come from a note."""
    return words.replace("&", "&amp;").replace("<", "&lt;")
