"""What a figure shows: nothing is smoothed away, gaps stay gaps, days stand at local midnight."""

from __future__ import annotations

import re
from datetime import UTC
from zoneinfo import ZoneInfo

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.figures import Frame, area, bars, block, days_axis, grid, line, span_of, svg, table

FRAME = Frame(10.0, 100.0, 0.0, 8_760.0, 0.0, 50.0)


def points(path):
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]


def test_an_hour_of_heat_in_a_year_is_seen():
    """Of many points each stretch keeps its lowest and highest: one hot hour of 8,760 is drawn at its height."""
    values = np.full(8_760, 25.0)
    values[4_321] = 45.0
    drawn = points(line(FRAME, np.arange(8_760.0), values, "own"))
    assert len(drawn) <= 705
    assert min(y for _, y in drawn) == FRAME.y(45.0)
    x = next(x for x, y in drawn if y == FRAME.y(45.0))
    assert abs(x - FRAME.x(4_321)) < 0.1


def test_a_gap_breaks_the_line():
    """Nothing is drawn across hours without a reading."""
    values = np.array([1.0, 2.0, np.nan, np.nan, 5.0, 6.0])
    drawn = line(FRAME, np.arange(6.0), values, "own")
    assert drawn.count("M") == 2
    long = np.full(8_760, 20.0)
    long[1_000:2_000] = np.nan
    assert line(FRAME, np.arange(8_760.0), long, "own").count("M") == 2


def test_an_area_follows_its_edges_and_stops_where_one_is_missing():
    """A band that steps is two columns; where either edge is missing there is none."""
    low, high = np.array([1.0, 1.0, 3.0, np.nan, 3.0]), np.array([5.0, 5.0, 9.0, 9.0, 9.0])
    drawn = area(FRAME, np.arange(5.0), low, high, "ideal")
    assert drawn.count("z") == 3
    assert area(FRAME, np.arange(2.0), np.full(2, np.nan), np.full(2, 1.0), "ideal") == ""


def test_days_stand_at_local_midnight():
    """Through the end of summer time in Lisbon, 25 October 2026, the marks stay at midnight there, an hour later in UTC."""
    from_ms, days = 1_792_713_600_000, 5  # 2026-10-23T00:00Z
    frame = Frame(10.0, 100.0, float(from_ms), float(from_ms + days * DAY_MS), 0, 1)
    zone = ZoneInfo("Europe/Lisbon")
    drawn = days_axis(frame, 130.0, zone)
    assert ["24 Oct", "25 Oct", "26 Oct", "27 Oct"] == re.findall(r">(\d+ \w+)<", drawn)
    marks = [float(x) for x in re.findall(r'd="M([\d.]+) 10.0V', drawn)]
    hours = [round((x - frame.x(from_ms)) / (frame.x(from_ms + HOUR_MS) - frame.x(from_ms))) for x in marks]
    assert hours == [23, 47, 72, 96]
    assert len(re.findall("<text", days_axis(Frame(10, 100, 0, 365.0 * DAY_MS, 0, 1), 130.0, UTC))) <= 9


def test_scales_hold_all_and_numbers_are_round():
    """The scale holds every value and is never flat; level lines stand at round numbers."""
    low, high = span_of([np.array([20.0, 31.0, np.nan]), np.array([])], 1.0)
    assert (low, high) == (19.0, 32.0)
    flat = span_of([np.full(3, 20.0)], 1.0)
    assert flat[1] - flat[0] >= 4.0
    assert span_of([np.full(3, np.nan)], 1.0) == (-2.0, 2.0)
    assert re.findall(r">([\d.]+)<", grid(Frame(0, 100, 0, 1, 17.3, 33.1))) == ["20", "25", "30"]


def test_bars_and_blocks_stay_inside_and_are_never_too_thin():
    """An alarm of a minute is still seen; what began before the window begins at its edge."""
    drawn = bars(FRAME, [(100.0, 100.1), (-50.0, 10.0)])
    boxes = [(float(x), float(width)) for x, width in re.findall(r' x="([\d.]+)".*? width="([\d.]+)"', drawn)]
    assert min(width for _, width in boxes) >= 2.0
    assert min(x for x, _ in boxes) >= FRAME.left
    assert block(FRAME, -20.0, -10.0, "gap") == ""


def test_words_are_escaped():
    """Whatever a keeper writes is only text."""
    assert "<b>" not in svg([], 10, "<b>") + table(("<b>",), [("<b>",)])
    assert table(("a",), []) == ""
