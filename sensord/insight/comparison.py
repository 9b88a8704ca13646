"""Two nests, or two spans of time of one, side by side: what differed, and both timelines on one axis. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from functools import partial
from html import escape
from typing import Any

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.contrast import WORDS
from sensord.insight.exposures import Factor, at_one_place
from sensord.insight.figures import Frame, days_axis, figure, grid, label, line, span_of, svg, table
from sensord.insight.history import NEST_PLACES
from sensord.insight.review import as_json as review_json
from sensord.insight.review_article import CAUSES, Reviewed, as_shown
from sensord.insight.review_tables import SEASONS, day_of
from sensord.insight.timeline import Track
from sensord.model import EntryKind, Place

_PANEL, _HEAD = 130, 18
_YEAR_MS = 365.25 * DAY_MS
_FED = (EntryKind.FEED_SUGAR, EntryKind.FEED_PROTEIN)
_POURED = (EntryKind.FILL, EntryKind.TOP_UP)


@dataclass(frozen=True, slots=True)
class Row:
    """One thing of both: words or numbers; ``apart`` is right less left where both are numbers."""

    what: str
    left: str | float | None
    right: str | float | None
    unit: str = ""

    @property
    def apart(self) -> float | None:
        """How much more on the right."""
        numbers = [value for value in (self.left, self.right) if isinstance(value, (int, float))]
        return numbers[1] - numbers[0] if len(numbers) == 2 else None


def rows_of(left: Reviewed, right: Reviewed) -> list[Row]:
    """What is told of both, most telling first."""

    def row(what: str, ask: Callable[[Reviewed], str | float | None], unit: str = "") -> Row:
        return Row(what, ask(left), ask(right), unit)

    return [
        row("days", lambda one: f"{day_of(one.zone)(one.review.case.from_ms)} to {day_of(one.zone)(one.review.case.until_ms)}"),
        row("verdict", lambda one: CAUSES[one.review.verdict.cause]),
        row("measured and believed", lambda one: 100 * one.review.coverage.window, "% of the hours"),
        row("season", lambda one: ", ".join(dict.fromkeys(SEASONS[season] for _, _, season in one.timeline.seasons))),
        *(row(WORDS[factor], partial(_hours, factor), "h") for factor in Factor),
        row("dryness", _dose, "kPa h beyond the limit"),
        row("temperature, middle", lambda one: _middle(one, "temp_c"), "°C"),
        row("humidity, middle", lambda one: _middle(one, "rh_pct"), "%"),
        row("wetness of the cotton, middle", lambda one: _median([value for _, value in one.timeline.wetness]), ""),
        row("water left at the end", lambda one: one.timeline.water[-1][1] if one.timeline.water else None, "mL"),
        row("times water was given", lambda one: _count(one, _POURED)),
        row("times fed", lambda one: _count(one, _FED)),
        row("entries in the journal", lambda one: float(len(one.timeline.entries)), ""),
        row("alarms", lambda one: float(len(one.timeline.alarms)), ""),
        row("alarms acknowledged", lambda one: float(sum(a.acknowledged_ms is not None for a in one.timeline.alarms)), ""),
        row("no reading", _silent, "h"),
    ]  # fmt: skip


def _hours(factor: Factor, one: Reviewed) -> float:
    return float(sum(each.hours for each in at_one_place(one.review.exposures, factor)))


def _dose(one: Reviewed) -> float:
    return float(sum(each.dose or 0.0 for each in at_one_place(one.review.exposures, Factor.DRY)))


def _inside(one: Reviewed) -> Track | None:
    return next((track for track in one.timeline.tracks if track.place in NEST_PLACES), None)


def _middle(one: Reviewed, name: str) -> float | None:
    track = _inside(one)
    return None if track is None else _median(getattr(track, name))


def _median(values: Sequence[float] | Floats) -> float | None:
    known = np.asarray(values, float)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if len(known) else None


def _count(one: Reviewed, kinds: Sequence[EntryKind]) -> float:
    return float(sum(entry.kind in kinds for entry in one.timeline.entries))


def _silent(one: Reviewed) -> float | None:
    track = _inside(one)
    return None if track is None else sum(until - since for since, until in track.gaps) / HOUR_MS


def article(left: Reviewed, right: Reviewed) -> str:
    """Both side by side; headings from level 2."""
    names = _names(left, right)
    cells = [
        (one.what, *(cell(value, one.unit) for value in (one.left, one.right)), _apart(one))
        for one in rows_of(left, right)
    ]
    said = "".join(
        f"<p><b>{escape(name)}.</b> {escape(one.review.verdict.because)}</p>"
        for name, one in zip(names, (left, right), strict=True)
    )
    return (
        f'<section class="review"><h2>{escape(names[0])} beside {escape(names[1])}</h2>{said}'
        f"<h3>Day by day</h3>{_figures(left, right, names)}"
        f"<h3>In numbers</h3>{table(('', *names, 'apart'), cells)}</section>"
    )


def _names(left: Reviewed, right: Reviewed) -> tuple[str, str]:
    """By nest; by nest and last day where both are one nest."""
    nests = [one.review.case.nest for one in (left, right)]
    if nests[0] == nests[1]:
        nests = [
            f"{one.review.case.nest} to {day_of(one.zone)(one.review.case.until_ms)[:-6]}" for one in (left, right)
        ]
    return nests[0], nests[1]


def cell(value: str | float | None, unit: str) -> str:
    """A value as people read it."""
    if value is None:
        return "not known"
    return value if isinstance(value, str) else f"{_number(value)} {unit}".strip()


def _number(value: float) -> str:
    return f"{value:.2f}" if 0 < abs(value) < 1 else f"{value:.1f}".removesuffix(".0")


def _apart(one: Row) -> str:
    apart = one.apart or 0.0
    number = _number(abs(apart))
    if not float(number):
        return ""
    sign = "+" if apart > 0 else "\N{MINUS SIGN}"
    return f"{sign}{number} {one.unit}".rstrip() + (" apart" if one.unit == "°C" else "")


def _figures(left: Reviewed, right: Reviewed, names: tuple[str, str]) -> str:
    tracks = [{track.place: track for track in one.timeline.tracks} for one in (left, right)]
    shared = [place for place in tracks[0] if place in tracks[1]]
    drawn = [_figure(left, right, (tracks[0][place], tracks[1][place]), names) for place in shared]
    if (one := _inside(left)) and (other := _inside(right)) and one.place != other.place:
        drawn.insert(0, _figure(left, right, (one, other), names))
    return "".join(drawn) or "<p>No place was measured in both.</p>"


def _figure(left: Reviewed, right: Reviewed, tracks: tuple[Track, Track], names: tuple[str, str]) -> str:
    """Both lines on one axis: of dates where both spans end at the same time of the year, else of days before the end."""
    ends = [one.timeline.until_ms for one in (left, right)]
    shift = ends[0] - ends[1]
    span = (float(min(left.timeline.from_ms, right.timeline.from_ms + shift)), float(ends[0]))
    places = " and ".join(dict.fromkeys(_place(track.place) for track in tracks))
    parts, top = [], float(_HEAD)
    frame = Frame(top, _PANEL, *span, 0, 1)
    for what, name in ((f"Temperature, °{left.unit}", "temp_c"), ("Relative humidity, %", "rh_pct")):
        values = [getattr(track, name) for track in tracks]
        if name == "temp_c":
            values = [as_shown(one, left.unit) for one in values]
        frame = Frame(top, _PANEL, *span, *span_of(values, 1.0))
        parts += [label(frame.left, top - 4, f"{places.capitalize()}: {what}", look="head"), grid(frame)]
        parts.append(line(frame, tracks[0].at_ms, values[0], "own"))
        parts.append(line(frame, tracks[1].at_ms + shift, values[1], "other"))
        top += _PANEL + _HEAD + 4
    same_dates = same_time_of_year(shift)
    axis = Frame(_HEAD, 1, *span, 0, 1)
    bottom = top - _HEAD + 10
    parts.insert(0, days_axis(axis, bottom, left.zone) if same_dates else _before_end(axis, bottom))
    return figure(
        svg(parts, bottom + 5, f"{places}: {names[0]} beside {names[1]}"),
        _caption(names, left.zone, ends, same_dates=same_dates),
    )


def same_time_of_year(shift_ms: int) -> bool:
    """Whether two ends so far apart are on the same day of one year or of another."""
    return abs(shift_ms - round(shift_ms / _YEAR_MS) * _YEAR_MS) < 2 * DAY_MS


def _caption(names: tuple[str, str], zone: tzinfo, ends: Sequence[int], *, same_dates: bool) -> str:
    told = f"Dark line: {names[0]}. Dashed: {names[1]}."
    if ends[0] == ends[1]:
        return told
    last = day_of(zone)(ends[1])[:-6]
    return f"{told} The second ends on {last}; {'dates are of the first' if same_dates else 'both are drawn up to their ends'}."


def _before_end(frame: Frame, y: float) -> str:
    days = (frame.until_x - frame.from_x) / DAY_MS
    step = next((step for step in (1, 2, 5, 7, 14, 30, 61, 91, 182) if days / step <= 8), 365)
    return "".join(
        label(frame.x(frame.until_x - day * DAY_MS), y, f"{day} days before", "middle")
        for day in range(step, int(days), step)
    )


def _place(place: Place) -> str:
    return str(place).replace("_", " ")


def as_json(left: Reviewed, right: Reviewed) -> dict[str, Any]:
    """The document that ``review --beside --json`` prints."""
    return {
        "reviews": [review_json(left.review), review_json(right.review)],
        "beside": [
            {"what": one.what, "left": one.left, "right": one.right, "apart": one.apart, "unit": one.unit}
            for one in rows_of(left, right)
        ],
    }  # fmt: skip
