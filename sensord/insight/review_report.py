"""A review as one HTML file that needs nothing else, for a screen and for A4, and its hourly data as CSV. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from html import escape

import numpy as np

from sensord.clock import HOUR_MS, from_ms, iso
from sensord.insight.balance import Floats
from sensord.insight.exposures import Exposure, PlaceAir
from sensord.insight.review import Review

_WIDTH, _HEIGHT, _LEFT, _BOTTOM = 680, 170, 46, 22
_STYLE = """
@page { size: A4; margin: 15mm }
body { font: 15px/1.5 Georgia, serif; color: #222; max-width: 44em; margin: 2em auto; padding: 0 1em }
h1 { font-size: 1.5em } h2 { font-size: 1.15em; margin-top: 1.6em }
.verdict { border-left: 5px solid #35618a; padding: .3em 1em; background: #eef3f7; font-size: 1.1em }
figure { margin: 1em 0; break-inside: avoid } figcaption { font-size: .85em; color: #555 }
svg { width: 100%; height: auto } svg text { font: 11px sans-serif; fill: #444 }
table { border-collapse: collapse; width: 100%; font-size: .85em } tr { break-inside: avoid }
th, td { text-align: left; border-bottom: 1px solid #ccc; padding: .25em .5em; vertical-align: top }
"""


@dataclass(frozen=True, slots=True)
class Happened:
    """A line of what happened: an entry of the journal or an alarm. ``text`` is plain."""

    at_ms: int
    what: str
    text: str


def html_of(review: Review, happened: Sequence[Happened], zone: tzinfo, *, room: str = "", warned: str = "") -> str:
    """The report as one HTML document; no script, no request to anywhere.

    Args:
        happened: journal and alarms of the window. warned: what would have warned earlier, in words.
    """
    case, day = review.case, _day(zone)
    found = [
        f"<h1>{escape(case.nest)}: what the climate did</h1>",
        _about(review, room, day),
        f'<p class="verdict">{escape(review.verdict.because)}</p>',
        f"<p><b>Check next.</b> {escape(review.check_next)}</p>",
        f"<p><b>Earlier warning.</b> {escape(warned)}</p>" if warned else "",
        *(_figures(air, review, happened, day) for air in case.places),
        _table("Causes weighed", ("cause", "support", "because"),
               [(one.cause.replace("_", " "), f"{one.support:.2f}", one.because) for one in review.findings]),
        _table("Beyond the limits", ("what", "from", "to", "hours", "worst", "limit", "more than of 100 siblings that lived"),
               [_exposure_cells(one, day) for one in review.exposures]),
        _table("Readings left out", ("why", "from", "to"),
               [(one.why, day(one.from_ms), day(one.until_ms)) for one in case.distrusted]),
        _table("Journal and alarms", ("when", "what", ""), [(day(one.at_ms), one.what, one.text) for one in happened]),
        "<p>A review weighs what was measured. It never proves a cause: the most it says is 'consistent with'.</p>",
    ]  # fmt: skip
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(case.nest)}: review</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style><body>{"".join(found)}</body></html>\n'
    )


def _about(review: Review, room: str, day: Callable[[int], str]) -> str:
    case = review.case
    return (
        f"<p>{escape(room)} {day(case.from_ms)} to {day(case.until_ms)}. Trusted readings cover "
        f"{review.coverage.window:.0%} of it. Compared with {len(case.siblings.all)} siblings "
        f"{escape(case.siblings.who)}, of which {case.siblings.died} died.</p>"
    )


def csv_rows(review: Review) -> list[tuple[str, ...]]:
    """The hourly data behind the figures, the heading first; blank where not measured or not trusted."""
    rows: list[tuple[str, ...]] = [
        ("at", "nest", "place", "temp_c", "rh_pct", "temp_limit_low_c", "temp_limit_high_c", "rh_limit_low_pct",
         "rh_limit_high_pct")
    ]  # fmt: skip
    for air in review.case.places:
        lim = air.limits
        columns = (air.temp_c, air.rh_pct, lim.temp_low_c, lim.temp_high_c, lim.rh_low_pct, lim.rh_high_pct)
        for hour, values in enumerate(zip(*(column.tolist() for column in columns), strict=True)):
            cells = ("" if value != value else f"{value:.2f}" for value in values)  # noqa: PLR0124  NaN
            rows.append((iso(air.start_ms + hour * HOUR_MS), review.case.nest, str(air.place), *cells))
    return rows


def _figures(air: PlaceAir, review: Review, happened: Sequence[Happened], day: Callable[[int], str]) -> str:
    lim = air.limits
    peers = review.case.siblings.lived_at(air.place)
    place = str(air.place).replace("_", " ")
    drawn = []
    for what, unit, own, low, high, name in (
        ("Temperature", "°C", air.temp_c, lim.temp_low_c, lim.temp_high_c, "temp_c"),
        ("Relative humidity", "%", air.rh_pct, lim.rh_low_pct, lim.rh_high_pct, "rh_pct"),
    ):
        others = [getattr(peer, name) for peer in peers]
        svg = _chart(
            own, (low, high), others, (air.start_ms, review.case.compared_hour), [one.at_ms for one in happened]
        )
        caption = (
            f"{what} at the {place}, {unit}, {day(air.start_ms)} to {day(review.case.until_ms)}: dark line, this nest; "
            "grey, the middle half of its siblings that lived; dashed, the limits; ticks below, journal and alarms."
        )
        drawn.append(f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>")
    return f"<h2>{escape(place.capitalize())}</h2>" + "".join(drawn)


def _chart(
    own: Floats, limits: tuple[Floats, Floats], others: Sequence[Floats], start: tuple[int, int], marks: Iterable[int]
) -> str:
    shown = [own, *limits]
    values = np.concatenate([one[np.isfinite(one)] for one in shown]) if len(own) else np.array([0.0])
    low, high = float(values.min()) - 1.0, float(values.max()) + 1.0
    hours = max(1, len(own) - 1)

    def x(hour: float) -> float:
        return _LEFT + hour / hours * (_WIDTH - _LEFT - 6)

    def y(value: float) -> float:
        return 6 + (high - value) / (high - low) * (_HEIGHT - _BOTTOM - 6)

    step = max(1, len(own) // 700)
    parts = [_grid(low, high, y)]
    if others:
        parts.append(_middle_half(np.stack(others), start[1], step, x, y))
    parts += [_line(limit, step, x, y, 'stroke="#b3541e" stroke-dasharray="5 4"') for limit in limits]
    parts.append(_line(own, step, x, y, 'stroke="#17324d" stroke-width="1.4"'))
    for at_ms in marks:
        hour = (at_ms - start[0]) / HOUR_MS
        if 0 <= hour <= hours:
            parts.append(f'<path d="M{x(hour):.1f} {_HEIGHT - _BOTTOM}v7" stroke="#555"/>')
    days = len(own) / 24
    parts += [
        f'<text x="{x(day * 24):.0f}" y="{_HEIGHT - 3}" text-anchor="middle">{day - days:+.0f} d</text>'
        for day in np.linspace(0, days, 7)[1:-1].round()
    ]
    return f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img">{"".join(parts)}</svg>'


def _grid(low: float, high: float, y: Callable[[float], float]) -> str:
    step = next(step for step in (1, 2, 5, 10, 20, 50, 100) if (high - low) / step <= 6)
    lines = range(int(np.ceil(low / step)) * step, int(high) + 1, step)
    return "".join(
        f'<path d="M{_LEFT} {y(value):.1f}H{_WIDTH - 6}" stroke="#ddd"/>'
        f'<text x="{_LEFT - 6}" y="{y(value) + 4:.1f}" text-anchor="end">{value}</text>'
        for value in lines
    )


def _line(values: Floats, step: int, x: Callable[[float], float], y: Callable[[float], float], look: str) -> str:
    """A line broken where nothing was measured."""
    path, pen = [], "M"
    for hour in range(0, len(values), step):
        value = float(values[hour])
        if value == value:  # noqa: PLR0124  NaN is a gap
            path.append(f"{pen}{x(hour):.1f} {y(value):.1f}")
            pen = "L"
        else:
            pen = "M"
    return f'<path d="{"".join(path)}" fill="none" {look}/>'


def _middle_half(table: Floats, first: int, step: int, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    lowest, highest = 6.0, _HEIGHT - _BOTTOM
    parts = []
    for hour in range(0, table.shape[1], step):
        known = np.sort(table[:, hour][np.isfinite(table[:, hour])])
        if len(known):
            top = max(lowest, y(float(known[3 * (len(known) - 1) // 4])))
            bottom = min(highest, y(float(known[(len(known) - 1) // 4])))
            if bottom > top:
                left = x(first + hour)
                parts.append(f"M{left:.1f} {top:.1f}H{x(first + hour + step):.1f}V{bottom:.1f}H{left:.1f}z")
    return f'<path d="{"".join(parts)}" fill="#cfd6dc"/>'


def _exposure_cells(one: Exposure, day: Callable[[int], str]) -> tuple[str, ...]:
    share = "-" if one.sibling_percentile is None else f"{one.sibling_percentile:.0f}"
    return (
        str(one.factor).replace("_", " "), day(one.from_ms), day(one.until_ms), f"{one.hours:.0f}", f"{one.worst:.1f}",
        f"{one.limit:.1f}", share,
    )  # fmt: skip


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return ""
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    head = "".join(f"<th>{escape(one)}</th>" for one in heads)
    return f"<h2>{escape(title)}</h2><table><tr>{head}</tr>{body}</table>"


def _day(zone: tzinfo) -> Callable[[int], str]:
    return lambda at_ms: f"{from_ms(at_ms).astimezone(zone):%Y-%m-%d %H:%M}"
