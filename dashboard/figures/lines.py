"""From tracks to lines and shaded ranges of a Plotly figure: gaps stay gaps, instants stand on the room's own clock."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.nest_snapshot import Track
from sensord.clock import HOUR_MS

Convert = Callable[[float], float]
_GAP_STEPS = 2.5
"""Two instants farther apart than so many steps have silence between them, and no line bridges it."""
_AROUND, _SLOWEST_MS = 2, HOUR_MS
"""Readings came less often before the hub, or from a logger: the usual distance of so many neighbours to either side counts
as the step, up to one reading an hour."""
TIME_TICKS = {
    "tickangle": 0, "hoverformat": "%-d %b %Y %H:%M",
    "tickformatstops": [
        {"dtickrange": [None, 60_000], "value": "%H:%M:%S\n%-d %b"},
        {"dtickrange": [60_000, 86_400_000], "value": "%H:%M\n%-d %b"},
        {"dtickrange": [86_400_000, "M1"], "value": "%-d %b\n%Y"},
        {"dtickrange": ["M1", "M12"], "value": "%b\n%Y"},
        {"dtickrange": ["M12", None], "value": "%Y"},
    ],
}  # fmt: skip
"""A time axis as the rest of the page writes its dates; short and upright, so that a phone has room for them."""


class Clockface:
    """Instants as text on the room's clock. Plotly draws no time zones, so it gets local time without one."""

    def __init__(self, zone: str) -> None:
        self._zone, self._told = ZoneInfo(zone), dict[int, str]()

    def at(self, ms: int) -> str:
        """``2026-04-01T13:00:00``, remembered, since several lines share their instants."""
        found = self._told.get(ms)
        if found is None:
            local = datetime.fromtimestamp(ms / 1_000, self._zone)
            found = self._told[ms] = local.replace(tzinfo=None).isoformat(timespec="seconds")
        return found


def line(track: Track, clock: Clockface, convert: Convert, digits: int, fine: Track | None = None) -> dict[str, Any]:
    """``x`` and ``y`` of a line; None in ``y`` is a hole. Where ``fine`` was measured, it takes the place of the track."""
    when: list[str] = []
    values: list[float | None] = []
    before_ms = None
    points = list(_points(track, fine))
    for number, (at_ms, value, _) in enumerate(points):
        if before_ms is not None and (_silent(points, number) or clock.at(at_ms) < when[-1]):
            when.append(clock.at(before_ms))  # of a clock set back, the line begins anew
            values.append(None)
        when.append(clock.at(at_ms))
        values.append(round(convert(value), digits) if math.isfinite(value) else None)
        before_ms = at_ms
    return {"x": when, "y": values}


def _silent(points: Sequence[tuple[int, float, int]], number: int) -> bool:
    """Whether nothing was heard between a point and the one before, at the pace that was usual around them."""
    far_ms, step_ms = points[number][0] - points[number - 1][0], points[number][2]
    if far_ms <= _GAP_STEPS * step_ms:
        return False
    around = points[max(0, number - 1 - _AROUND) : number + 1 + _AROUND]
    usual_ms = statistics.median(after[0] - before[0] for before, after in itertools.pairwise(around))
    return far_ms > _GAP_STEPS * max(step_ms, min(usual_ms, _SLOWEST_MS))


def ribbon(track: Track, clock: Clockface, convert: Convert, digits: int, leave_out: Track | None = None) -> Any:
    """``x`` and ``y`` of the range as one polygon for each stretch without a gap; None where there is no range."""
    when: list[str | None] = []
    values: list[float | None] = []
    for stretch in _stretches(track, leave_out):
        there = [clock.at(track.at_ms[number]) for number in stretch]
        low = [round(convert(track.low[number]), digits) for number in stretch]
        high = [round(convert(track.high[number]), digits) for number in stretch]
        when += [*there, *reversed(there), None]
        values += [*low, *reversed(high), None]
    return {"x": when, "y": values} if when else None


def _points(track: Track, fine: Track | None) -> Iterator[tuple[int, float, int]]:
    """Instant, value and step; inside the finer stretch from there, outside from the track, never both."""
    if fine is None or not fine.at_ms:
        yield from ((at_ms, value, track.step_ms) for at_ms, value in zip(track.at_ms, track.middle, strict=True))
        return
    first_ms, last_ms = fine.at_ms[0], fine.at_ms[-1]
    coarse = list(zip(track.at_ms, track.middle, strict=True))
    yield from ((at_ms, value, track.step_ms) for at_ms, value in coarse if at_ms < first_ms)
    for number, (at_ms, value) in enumerate(zip(fine.at_ms, fine.middle, strict=True)):
        yield at_ms, value, fine.step_ms if number else track.step_ms
    yield from ((at_ms, value, track.step_ms) for at_ms, value in coarse if at_ms > last_ms)


def _stretches(track: Track, leave_out: Track | None) -> Iterator[list[int]]:
    """Numbers of the track's instants whose range is known, parted where there is a gap or a finer line."""
    hidden = (leave_out.at_ms[0], leave_out.at_ms[-1]) if leave_out is not None and leave_out.at_ms else (1, 0)
    stretch: list[int] = []
    for number, (low, high) in enumerate(zip(track.low, track.high, strict=True)):
        at_ms = track.at_ms[number]
        if not (math.isfinite(low) and math.isfinite(high)) or hidden[0] <= at_ms <= hidden[1]:
            continue
        if stretch and at_ms - track.at_ms[stretch[-1]] > _GAP_STEPS * track.step_ms:
            yield stretch
            stretch = []
        stretch.append(number)
    if stretch:
        yield stretch
