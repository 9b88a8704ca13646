"""What the chart of a nest shows, in words and numbers, for who cannot see it or wants to write it down. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from dashboard import text, text_nest
from dashboard.nest_snapshot import History, Track
from dashboard.units import degrees, sign
from dashboard.viewmodels import local_datetime
from sensord.clock import DAY_MS

HOURS_UPTO_MS, DAYS_UPTO_MS = 2 * DAY_MS, 45 * DAY_MS
_FORMS = {"hour": "%-d %b %H:00", "day": "%-d %b %Y", "month": "%b %Y"}
_CUT: dict[str, Callable[[datetime], tuple[int, ...]]] = {
    "hour": lambda at: (at.year, at.month, at.day, at.hour, at.fold),
    "day": lambda at: (at.year, at.month, at.day),
    "month": lambda at: (at.year, at.month),
}


def mean_words(history: History, unit: str) -> str:
    """The window in one line; empty where nothing was measured."""
    rh, temp = _span(history.air.rh_pct), _span(history.air.temp_c)
    if rh is None or temp is None:
        return ""
    temps = [f"{degrees(value, unit):.1f}" for value in temp]
    return text_nest.MEAN.format(
        place=text.PLACES.get(history.place, history.place),
        rh_low=f"{rh[0]:.0f}", rh_high=f"{rh[1]:.0f}", rh=f"{rh[2]:.0f}",
        temp_low=temps[0], temp_high=temps[1], temp=temps[2], unit=sign(unit),
    )  # fmt: skip


def part_of(window_ms: int) -> str:
    """Into what the table of a window is parted: hour, day or month."""
    if window_ms <= HOURS_UPTO_MS:
        return "hour"
    return "day" if window_ms <= DAYS_UPTO_MS else "month"


def mean_rows(history: History, zone: str, unit: str) -> list[tuple[str, ...]]:
    """One row an hour, day or month of the room's calendar: mean and extremes of humidity and temperature."""
    part = part_of(history.until_ms - history.from_ms)
    humidity, first = _parted(history.air.rh_pct, zone, part)
    warmth, first_too = _parted(history.air.temp_c, zone, part)

    def in_unit(temp_c: float) -> float:
        return degrees(temp_c, unit)

    rows: list[tuple[str, ...]] = []
    for key, at in sorted(({**first, **first_too}).items()):
        cells = (*_cells(humidity.get(key), "%", 0, float), *_cells(warmth.get(key), sign(unit), 1, in_unit))
        rows.append((at.strftime(_FORMS[part]), *cells))
    return rows


_Key = tuple[int, ...]
_Span = tuple[float, float, float]


def _parted(track: Track, zone: str, part: str) -> tuple[dict[_Key, _Span | None], dict[_Key, datetime]]:
    """What each part of the calendar saw, and the first instant in it."""
    groups: dict[_Key, list[int]] = {}
    first: dict[_Key, datetime] = {}
    for number, at_ms in enumerate(track.at_ms):
        at = local_datetime(at_ms, zone)
        key = _CUT[part](at)
        groups.setdefault(key, []).append(number)
        first.setdefault(key, at)
    return {key: _span(track, numbers) for key, numbers in groups.items()}, first


def _span(track: Track, numbers: Sequence[int] | None = None) -> _Span | None:
    """Least, most and mean of what is known."""
    chosen = range(len(track.at_ms)) if numbers is None else numbers
    middle = _known(track.middle, chosen)
    if not middle:
        return None
    low, high = _known(track.low or track.middle, chosen), _known(track.high or track.middle, chosen)
    return min(low or middle), max(high or middle), math.fsum(middle) / len(middle)


def _known(values: Sequence[float], numbers: Iterable[int]) -> list[float]:
    return [values[number] for number in numbers if math.isfinite(values[number])]


def _cells(span: _Span | None, unit: str, digits: int, convert: Callable[[float], float]) -> tuple[str, str]:
    if span is None:
        return "", ""
    low, high, mean = (f"{convert(value):.{digits}f}" for value in span)
    return f"{mean} {unit}", f"{low} to {high}"
