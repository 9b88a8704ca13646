"""Lines of a chart: silence is a hole, a slower pace is none; dates as the rest of the page writes them."""

from __future__ import annotations

import math

import pytest

from dashboard.figures.history import history_figure
from dashboard.figures.lines import Clockface, line
from dashboard.figures.water import water_figure
from dashboard.nest_snapshot import AirTracks, History, Track
from dashboard.snapshot import Water
from dashboard.viewmodels import outlook_words
from sensord.clock import HOUR_MS, MINUTE_MS

UTC = Clockface("UTC")


def holes(minutes: list[float], step_min: float = 1) -> int:
    """In a line over readings at these minutes, drawn with that step."""
    track = Track(
        tuple(round(at * MINUTE_MS) for at in minutes), (50.0,) * len(minutes), step_ms=round(step_min * MINUTE_MS)
    )
    return sum(value is None for value in line(track, UTC, float, 1)["y"])


def minutes(*stretches: tuple[int, int, int]) -> list[float]:
    """Of readings: from, until and every so many minutes, one stretch after another."""
    return [float(at) for first, last, every in stretches for at in range(first, last, every)]


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        (minutes((0, 120, 1)), 0),
        (minutes((0, 600, 5), (600, 1200, 1)), 0),
        (minutes((0, 600, 60), (600, 1200, 1)), 0),
        (minutes((0, 600, 1), (600, 1200, 10)), 0),
        (minutes((0, 60, 1), (90, 120, 1)), 1),
        (minutes((0, 60, 1), (72, 73, 1), (102, 180, 1)), 2),
        (minutes((0, 600, 5), (660, 1200, 5)), 1),
        (minutes((0, 60, 1), (480, 481, 1), (960, 961, 1), (1440, 1500, 1)), 3),
    ],
    ids=["even", "faster", "hourly first", "slower", "silent", "silent twice", "a slow logger silent", "eight hours are no pace"],
)  # fmt: skip
def test_a_hole_is_where_nothing_came_at_the_pace_usual_there(at: list[float], expected: int) -> None:
    assert holes(at) == expected


def panel(figure: dict, name: str) -> dict:
    """The axis of that name."""
    return figure["layout"][name]


def test_wetness_is_drawn_from_dry_to_wet() -> None:
    """The flutter of a wet cotton, 0.90 to 0.91, must not look like drying."""
    at = tuple(number * HOUR_MS for number in range(24))
    wetness = Track(at, tuple(0.9 + number % 2 / 100 for number in range(24)), step_ms=HOUR_MS)
    air = AirTracks(wetness, wetness)
    figure = history_figure(History(0, 24 * HOUR_MS, "wet_end", air, wetness=wetness), "UTC", "x")
    assert panel(figure, "yaxis4")["range"] == [0.0, 1.05] or panel(figure, "yaxis4")["range"] == (0.0, 1.05)
    assert panel(figure, "yaxis4")["autorange"] is False
    over = Track(at, (1.3, math.nan, *wetness.middle[2:]), step_ms=HOUR_MS)
    figure = history_figure(History(0, 24 * HOUR_MS, "wet_end", air, wetness=over), "UTC", "x")
    assert panel(figure, "yaxis4")["range"][1] == pytest.approx(1.35)


def test_a_dry_reservoir_is_a_word_and_no_chart() -> None:
    dry = Water(0.0, 0.0, 0.0, left_ml=0.0, left_p10_ml=0.0, left_p90_ml=0.0, basis="own probe")
    assert water_figure(dry, 0, "UTC") is None
    words = outlook_words(dry, 0, "UTC")
    assert words.startswith("The reservoir is dry, or as good as.")
    assert "Runs dry" not in words


def test_both_time_axes_write_day_before_month_and_upright() -> None:
    air = AirTracks(Track((0, HOUR_MS), (1.0, 2.0), step_ms=HOUR_MS), Track())
    water = Water(1.0, 2.0, 3.0, left_ml=5.0, left_p10_ml=4.0, left_p90_ml=6.0)
    for figure in (history_figure(History(0, HOUR_MS, "wet_end", air), "UTC", "x"), water_figure(water, 0, "UTC")):
        axis = panel(figure or {}, "xaxis")
        assert axis["tickangle"] == 0
        forms = [stop["value"] for stop in axis["tickformatstops"]]
        assert all("%b %d" not in form and "%-d %b" in form for form in forms if "%d" in form or "%-d" in form)
        assert len(forms) == 5
