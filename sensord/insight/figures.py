"""Quiet figures as inline SVG, for a page and for paper: no script, no font, no address. Pure.

Colours come by class: ``FIGURE_CSS`` holds those of a file on its own, the dashboard's style sheet those of its two themes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from html import escape

import numpy as np
from numpy.typing import NDArray

from sensord.clock import DAY_MS, HOUR_MS, from_ms, to_ms
from sensord.insight.balance import Floats

WIDTH = 680
FIGURE_CSS = """
.fig{width:100%;height:auto;display:block;overflow:visible}
.fig text{font:11px "Liberation Sans",Arial,sans-serif;fill:#444}
.fig .head{font-weight:bold}
.fig .own{fill:none;stroke:#17324d;stroke-width:1.4}
.fig .other{fill:none;stroke:#a34700;stroke-width:1.4;stroke-dasharray:6 2}
.fig .all{fill:none;stroke:#8a929c;stroke-width:1}
.fig .limit{fill:none;stroke:#b04600;stroke-width:1;stroke-dasharray:5 4}
.fig .ideal{fill:#e3efe6}
.fig .kin{fill:#c9d2da}
.fig .grid{stroke:#ddd}
.fig .gap{fill:#ececec}
.fig .out{fill:#f6dfc9}
.fig .bar{fill:#b04600}
.fig .tick{stroke:#333;stroke-width:1.2}
.fig .dot{fill:#2a7fb8;stroke:#fff}
"""
_LEFT, _RIGHT = 44, 8
_MOST_POINTS = 700
_STEPS_D = (1, 2, 5, 7, 14, 30, 61, 91, 182, 365, 730)


@dataclass(frozen=True, slots=True)
class Frame:
    """A panel: its place in the figure in user units, and what its edges stand for."""

    top: float
    height: float
    from_x: float
    until_x: float
    low: float
    high: float
    left: float = _LEFT
    right: float = WIDTH - _RIGHT

    def x(self, value: float) -> float:
        """Across."""
        return self.left + (value - self.from_x) / max(1e-9, self.until_x - self.from_x) * (self.right - self.left)

    def y(self, value: float) -> float:
        """Down; kept inside."""
        share = (self.high - value) / max(1e-9, self.high - self.low)
        return self.top + min(1.0, max(0.0, share)) * self.height


def svg(parts: Iterable[str], height: float, words: str) -> str:
    """A figure. ``words`` say what it shows to those who do not see it."""
    return f'<svg class="fig" viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(words)}">{"".join(parts)}</svg>'


def label(x: float, y: float, text: str, anchor: str = "start", look: str = "") -> str:
    """Words in a figure."""
    kind = f' class="{look}"' if look else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{kind}>{escape(text)}</text>'


def span_of(series: Iterable[Floats], margin: float, least: float = 4.0) -> tuple[float, float]:
    """Lowest and highest finite value with a margin; never narrower than ``least``."""
    known = [one[np.isfinite(one)] for one in series]
    values = np.concatenate([one for one in known if len(one)] or [np.array([0.0])])
    low, high = float(values.min()) - margin, float(values.max()) + margin
    middle = (low + high) / 2
    return min(low, middle - least / 2), max(high, middle + least / 2)


def grid(frame: Frame) -> str:
    """Level lines at round values, with their numbers."""
    step = next(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 1e6) if (frame.high - frame.low) / step <= 5)
    values = np.arange(np.ceil(frame.low / step), np.floor(frame.high / step) + 1) * step
    return "".join(
        f'<path class="grid" d="M{frame.left} {frame.y(value):.1f}H{frame.right}"/>'
        + label(frame.left - 6, frame.y(value) + 4, f"{value:g}" if step >= 1 else f"{value:.1f}", "end")
        for value in values.tolist()
    )


def days_axis(frame: Frame, y: float, zone: tzinfo) -> str:
    """Local midnights below a frame whose x is milliseconds: a mark each, named as far as there is room."""
    days = (frame.until_x - frame.from_x) / DAY_MS
    step = next((step for step in _STEPS_D if days / step <= 8), 1_461)
    first = from_ms(round(frame.from_x)).astimezone(zone).date() + timedelta(days=1)
    parts = []
    for number in range(0, int(days) + 1, step):
        at_ms = to_ms(datetime.combine(first + timedelta(days=number), time(), zone))
        if at_ms <= frame.until_x and frame.x(at_ms) < frame.right - 14:
            form = "%-d %b" if days < 300 else "%-d %b %y"
            words = from_ms(at_ms).astimezone(zone).strftime(form)
            parts.append(f'<path class="grid" d="M{frame.x(at_ms):.1f} {frame.top:.1f}V{y - 11:.1f}"/>')
            parts.append(label(frame.x(at_ms), y, words, "middle"))
    return "".join(parts)


def line(frame: Frame, at: NDArray[np.int64] | Floats, values: Floats, look: str) -> str:
    """A line broken where there is no value; of many points each stretch keeps its lowest and highest."""
    path, pen = [], "M"
    for number in _kept(values):
        value = float(values[number])
        if value != value:  # noqa: PLR0124  NaN is a gap
            pen = "M"
            continue
        path.append(f"{pen}{frame.x(float(at[number])):.1f} {frame.y(value):.1f}")
        pen = "L"
    return f'<path class="{look}" d="{"".join(path)}"/>'


def _kept(values: Floats) -> list[int]:
    """Which points to draw: all of few, else lowest and highest of each stretch, and where one is empty."""
    if len(values) <= _MOST_POINTS:
        return list(range(len(values)))
    width = -(-2 * len(values) // _MOST_POINTS)
    kept: list[int] = []
    for first in range(0, len(values), width):
        part = values[first : first + width]
        known = np.flatnonzero(np.isfinite(part))
        if not len(known):
            kept.append(first)
            continue
        ends = {int(known[np.argmin(part[known])]), int(known[np.argmax(part[known])])}
        kept += sorted(first + end for end in ends)
    return kept


def area(frame: Frame, at: NDArray[np.int64] | Floats, low: Floats, high: Floats, look: str) -> str:
    """What lies between two series, in columns one step wide; nothing where either is missing."""
    step = max(1, len(at) // _MOST_POINTS)
    wide = float(at[1] - at[0]) * step if len(at) > 1 else HOUR_MS
    parts = []
    first: int | None = None
    numbers = [*range(0, len(at), step), len(at)]
    for number in numbers:
        level = (low[number], high[number]) if number < len(at) else (np.nan, np.nan)
        before = (low[first], high[first]) if first is not None else (np.nan, np.nan)
        if level == before:
            continue
        if first is not None:
            end = float(at[number]) if number < len(at) else float(at[-1]) + wide
            parts.append(_column(frame, float(at[first]), end, float(before[0]), float(before[1])))
        first = number if number < len(at) and np.isfinite(level).all() and level[0] < level[1] else None
    return f'<path class="{look}" d="{"".join(parts)}"/>' if parts else ""


def _column(frame: Frame, left: float, right: float, low: float, high: float) -> str:
    x, until = frame.x(left), min(frame.right, frame.x(right))
    return f"M{x:.1f} {frame.y(high):.1f}H{until:.1f}V{frame.y(low):.1f}H{x:.1f}z"


def block(frame: Frame, from_x: float, until_x: float, look: str, words: str = "") -> str:
    """A stretch over the whole height, with words where there is room for them."""
    left, right = max(frame.left, frame.x(from_x)), min(frame.right, frame.x(until_x))
    if right <= left:
        return ""
    found = f'<rect class="{look}" x="{left:.1f}" y="{frame.top:.1f}" width="{max(1.0, right - left):.1f}" height="{frame.height:.1f}"/>'
    room = right - left > 6.2 * len(words)
    return found + (label(left + 4, frame.top + frame.height - 5, words) if words and room else "")


def ticks(frame: Frame, at: Iterable[float]) -> str:
    """A short mark at each instant, over the height of the frame."""
    path = "".join(
        f"M{frame.x(one):.1f} {frame.top:.1f}v{frame.height:.1f}" for one in at if frame.from_x <= one <= frame.until_x
    )
    return f'<path class="tick" d="{path}"/>' if path else ""


def bars(frame: Frame, spans: Iterable[tuple[float, float]]) -> str:
    """A bar for each stretch, at least two units wide, over the height of the frame."""
    found = []
    for from_x, until_x in spans:
        left, right = max(frame.left, frame.x(from_x)), min(frame.right, frame.x(until_x))
        if right >= frame.left and left <= frame.right:
            found.append(
                f'<rect class="bar" x="{min(left, frame.right - 2):.1f}" y="{frame.top:.1f}" width="{max(2.0, right - left):.1f}" height="{frame.height:.1f}"/>'
            )
    return "".join(found)


def dots(frame: Frame, points: Iterable[tuple[float, float]]) -> str:
    """A dot for each (x, value)."""
    return "".join(
        f'<circle class="dot" cx="{frame.x(x):.1f}" cy="{frame.y(value):.1f}" r="3.5"/>'
        for x, value in points
        if frame.from_x <= x <= frame.until_x
    )


def figure(drawn: str, caption: str) -> str:
    """A figure with its caption, never parted on paper."""
    return f"<figure>{drawn}<figcaption>{escape(caption)}</figcaption></figure>"


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A plain table that scrolls sideways on a phone; nothing where there are no rows."""
    if not rows:
        return ""
    head = "".join(f'<th scope="col">{escape(one)}</th>' for one in heads)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<div class="scroll" tabindex="0"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'
