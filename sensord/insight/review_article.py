"""A review as a piece of HTML: verdict, evidence, a figure of every place, what was done and by whom. Pure.

The dashboard shows it in a page, ``review_report.py`` in a file of its own; both bring the colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from html import escape

import numpy as np

from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.contrast import contrast
from sensord.insight.figures import (
    Frame,
    area,
    bars,
    block,
    days_axis,
    dots,
    figure,
    grid,
    label,
    line,
    span_of,
    svg,
    ticks,
)
from sensord.insight.review import Review
from sensord.insight.review_tables import SEASONS, Day, day_of, tables
from sensord.insight.timeline import Edges, Timeline, Track
from sensord.model import Place

_PANEL, _LANE, _HEAD = 118, 12, 16
CAUSES = {
    "dry": "consistent with too dry air", "wet": "consistent with too wet a nest", "heat": "consistent with heat",
    "cold": "consistent with cold", "swing": "consistent with temperature swings",
    "reservoir_empty": "consistent with an empty reservoir", "not_climate": "the climate does not explain it",
    "cannot_tell": "too little was recorded to tell",
}  # fmt: skip
SAYS = "A review weighs what was measured. It never proves a cause: the most it says is 'consistent with'."


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A review with everything around it.

    Attributes:
        warned: what would have warned earlier, in words. unit: of temperatures in figures, C or F; words are in °C.
    """

    review: Review
    timeline: Timeline
    warned: str = ""
    zone: tzinfo = field(kw_only=True)
    unit: str = "C"


def article(found: Reviewed) -> str:
    """All of it, verdict first; headings from level 2."""
    review, day = found.review, day_of(found.zone)
    return (
        f'<section class="review"><h2>{escape(review.case.nest)}: {CAUSES[review.verdict.cause]}</h2>'
        f"{verdict(found)}{_contrast(review)}{timeline_figures(found)}{tables(review, found.timeline, day)}</section>"
    )


def verdict(found: Reviewed) -> str:
    """The answer, what to look at next, and what would have warned earlier."""
    review = found.review
    warned = f"<p><b>Earlier warning.</b> {escape(found.warned)}</p>" if found.warned else ""
    return (
        f'<p class="verdict">{escape(review.verdict.because)}</p>'
        f"<p><b>Check next.</b> {escape(review.check_next)}</p>{warned}{_about(review, day_of(found.zone))}"
    )


def _about(review: Review, day: Day) -> str:
    case = review.case
    when = f"Died {day(case.died_at_ms)}. " if case.died_at_ms is not None else "Its colony lives. "
    kin = len(case.siblings.all)
    compared = (
        f"held against {kin} sibling{'s' if kin != 1 else ''} {case.siblings.who}, of which {case.siblings.died} died"
        if kin
        else "without siblings to hold it against"
    )
    return (
        f'<p class="soft">{when}{day(case.from_ms)} to {day(case.until_ms)}, {review.coverage.window:.0%} of the hours '
        f"measured and believed; {escape(compared)}. {SAYS}</p>"
    )


def _contrast(review: Review) -> str:
    found = contrast(review)
    return _list("What was unusual", found.unusual or ("Nothing.",)) + _list("What was not", found.usual)


def _list(title: str, lines: Sequence[str]) -> str:
    if not lines:
        return ""
    return f"<h3>{title}</h3><ul>{''.join(f'<li>{escape(one)}</li>' for one in lines)}</ul>"


# -- figures


def timeline_figures(found: Reviewed) -> str:
    """One figure for every place, one for the water."""
    line_ = found.timeline
    drawn = [_place_figure(found, track) for track in line_.tracks] or [
        "<p>No probe measured this nest or its room in these days.</p>"
    ]
    return f"<h3>Day by day</h3>{''.join(drawn)}{_water_figure(line_, found.zone)}"


def _place_figure(found: Reviewed, track: Track) -> str:
    review, told = found.review, found.timeline
    at, top, parts, kin = track.at_ms, _HEAD, [], None
    place = str(track.place).replace("_", " ")
    for what, own, band, name in (
        (
            f"Temperature, °{found.unit}",
            as_shown(track.temp_c, found.unit),
            _band_shown(track.temp_band, found.unit),
            "temp_c",
        ),
        ("Relative humidity, %", track.rh_pct, track.rh_band, "rh_pct"),
    ):
        kin = _kin(review, track, name)
        if kin is not None and name == "temp_c":
            kin = as_shown(kin[0], found.unit), as_shown(kin[1], found.unit)
        frame = _panel(top, (told.from_ms, told.until_ms), own, band)
        parts.append(label(frame.left, top - 4, f"{place.capitalize()}: {what}", look="head"))
        parts.append(_bands(frame, at, band))
        if kin is not None:
            parts.append(area(frame, at, *kin, "kin"))
        parts += [_unmeasured(frame, track), grid(frame)]
        parts += [_limits(frame, at, band), line(frame, at, own, "own")]
        top += _PANEL + _HEAD + 4
    lanes, height = _lanes(told, track.place, top - _HEAD, last=frame, zone=found.zone)
    caption = _caption(track, with_kin=kin is not None)
    words = f"{place} of {told.nest} over the days of the review: temperature, humidity, alarms and journal"
    return figure(svg([lanes, *parts], height, words), caption)


def as_shown(temp_c: Floats, unit: str) -> Floats:
    """Temperatures of a figure in the reader's unit (NIST Special Publication 811, 2008, B.8)."""
    return temp_c * 1.8 + 32.0 if unit == "F" else temp_c


def _band_shown(band: Edges | None, unit: str) -> Edges | None:
    if band is None:
        return None
    edges = (band.ideal_low, band.ideal_high, band.limit_low, band.limit_high)
    return Edges(*(as_shown(edge, unit) for edge in edges))


def _panel(top: float, span_: tuple[int, int], own: Floats, band: Edges | None) -> Frame:
    near = [] if band is None else [band.limit_low, band.limit_high]
    low, high = span_of([own], 1.0)
    if near:  # limits far beyond what was measured would flatten the line
        reach = max(6.0, 0.8 * (high - low))
        low = min(low, max(float(near[0].min()) - 1.0, low - reach))
        high = max(high, min(float(near[1].max()) + 1.0, high + reach))
    return Frame(top, _PANEL, float(span_[0]), float(span_[1]), low, high)


def _unmeasured(frame: Frame, track: Track) -> str:
    blank = "".join(block(frame, *gap, "gap", "no reading") for gap in track.missing())
    return blank + "".join(
        block(frame, one.from_ms, one.until_ms, "out", f"left out: {one.why}") for one in track.left_out
    )


def _bands(frame: Frame, at: Floats, band: Edges | None) -> str:
    return "" if band is None else area(frame, at, band.ideal_low, band.ideal_high, "ideal")


def _limits(frame: Frame, at: Floats, band: Edges | None) -> str:
    if band is None:
        return ""
    shown = []
    for edge in (band.limit_low, band.limit_high):
        inside = np.where((edge >= frame.low) & (edge <= frame.high), edge, np.nan)
        shown.append(line(frame, at, inside, "limit"))
    return "".join(shown)


def _kin(review: Review, track: Track, name: str) -> tuple[Floats, Floats] | None:
    """The middle half of the siblings that lived, on the hours of the track."""
    peers = review.case.siblings.lived_at(track.place)
    if not peers or track.temp_band is None:
        return None
    values = np.sort(np.stack([getattr(one, name) for one in peers]), axis=0)
    known = np.isfinite(values).sum(axis=0)
    hours = len(track.temp_c)
    first = (peers[0].start_ms - track.start_ms) // HOUR_MS
    found = []
    for share in (0.25, 0.75):
        rank = np.floor(share * np.maximum(0, known - 1)).astype(np.intp)
        row = np.where(known > 1, np.take_along_axis(values, rank[None, :], axis=0)[0], np.nan)
        whole = np.full(hours, np.nan)
        length = min(len(row), hours - first)
        whole[first : first + length] = row[:length]
        found.append(whole)
    return found[0], found[1]


def _lanes(told: Timeline, place: Place, top: float, *, last: Frame, zone: tzinfo) -> tuple[str, float]:
    """Below the panels: alarms of the place and those of none, journal, seasons where they change, and the days."""
    alarms_here = [one for one in told.alarms if one.place in {"", str(place)}]
    ends = (float(told.from_ms), float(told.until_ms))
    alarms, journal = Frame(top + 8, 7, *ends, 0, 1), Frame(top + 8 + _LANE, 7, *ends, 0, 1)
    parts = [
        label(last.left - 6, alarms.top + 7, "alarms", "end"), label(last.left - 6, journal.top + 7, "journal", "end"),
        bars(alarms, ((one.raised_ms, one.returned_ms or told.until_ms) for one in alarms_here)),
        ticks(journal, (one.at_ms for one in told.entries)),
    ]  # fmt: skip
    bottom = journal.top + 2 * _LANE + 6
    if len(told.seasons) > 1:
        for from_, until, season in told.seasons:
            left = last.x(max(from_, told.from_ms))
            if last.x(min(until, told.until_ms)) - left > 6.8 * len(SEASONS[season]):
                parts.append(label(left + 2, bottom, SEASONS[season]))
        bottom += _LANE
    return "".join(parts) + days_axis(Frame(_HEAD, 1, *ends, 0, 1), bottom, zone), bottom + 5


def _caption(track: Track, *, with_kin: bool) -> str:
    told = [f"Probe {', '.join(track.probes)}." if track.probes else "", "Dark line: hourly mean."]
    if track.temp_band is not None:
        told.append("Pale band: ideal; dashed: limits, where they are near enough to show.")
    if with_kin:
        told.append("Darker band: the middle half of its siblings that lived.")
    if track.missing() or track.left_out:
        told.append("Blocks: no reading, or readings that were not believed; the table below says which.")
    return " ".join(one for one in told if one)


def _water_figure(told: Timeline, zone: tzinfo) -> str:
    """Wetness of the cotton and water left, where either is known."""
    if not told.wetness and not told.water and not told.levels:
        return ""
    ends, parts, top = (float(told.from_ms), float(told.until_ms)), [], float(_HEAD)
    frame = Frame(top, 1, *ends, 0, 1)
    for what, points, marks in (
        ("Wetness of the cotton, 0 to 1", told.wetness, ()),
        ("Water left in the reservoir, mL", told.water, told.levels),
    ):
        if not points and not marks:
            continue
        at, values = np.array([one[0] for one in points], float), np.array([one[1] for one in points], float)
        _, high = span_of([values, np.array([one[1] for one in marks], float)], 0.1, 1.0)
        frame = Frame(top, 80, *ends, 0.0, high)
        parts += [
            label(frame.left, top - 4, what, look="head"),
            grid(frame),
            line(frame, at, values, "own"),
            dots(frame, marks),
        ]
        top += 80 + _HEAD + 4
    axis = days_axis(Frame(_HEAD, 1, *ends, 0, 1), top - _HEAD + 10, zone)
    caption = (
        "Wetness compares vapour pressures of nest and room, so weather and heating do not show in it. Water left is a mass "
        "balance from what was poured; dots: what the keeper poured or read off."
    )
    return figure(svg([axis, *parts], top - _HEAD + 15, f"water of {told.nest} over the days of the review"), caption)
