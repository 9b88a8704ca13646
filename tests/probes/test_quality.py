"""Flags on readings: they mark, they never delete."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from room_of_probes import Bench, seat

from sensord.clock import ManualClock
from sensord.probes.quality import CONDENSED_AFTER_S, STUCK_AFTER_S, Flag, Trail, in_range, judge


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "good"),
    [(130.0, 100.0, False), (-45.0, 0.0, False), (-40.0, 0.1, True), (80.0, 100.0, True), (25.0, 0.0, False)],
)
def test_range(temp_c: float, rh_pct: float, good: bool) -> None:
    """All bits set (130 °C, 100 %) and none (-45 °C, 0 %), by the datasheet's formulas, are no room's air."""
    assert good == in_range(temp_c, rh_pct)


def test_condensed_after_a_quarter_of_an_hour(clock: ManualClock) -> None:
    """A probe at 100 % is flagged after 15 minutes, still delivers, and is clear again when it has dried."""
    bench = Bench(clock, seat("a"))
    bench.chips["a"].condensed = True
    flags = []
    for _ in range(17):
        (sample,) = bench.scanner.scan().samples
        assert sample.rh_pct == 100
        flags.append(Flag.CONDENSED in sample.flags)
        clock.advance(60)
    first_flagged = 15
    assert [False] * first_flagged + [True] * 2 == flags
    bench.chips["a"].condensed = False
    assert Flag.CONDENSED not in bench.scanner.scan().samples[0].flags


def test_stuck_words(clock: ManualClock) -> None:
    """A chip that repeats its words for two hours while the air changes is flagged, and reported."""
    bench = Bench(clock, seat("a"))
    start_s = clock.monotonic()
    bench.chips["a"].air = lambda _at: (20 + (clock.monotonic() - start_s) / 3600, 50.0)
    bench.scan()
    bench.chips["a"].stuck = True
    kinds = []
    for _ in range(13):
        clock.advance(600)
        kinds.append(bench.scan()[1].get("a"))
    assert kinds == [None] * 11 + ["stuck"] * 2


def test_moving_air_is_never_stuck(clock: ManualClock) -> None:
    """One step of a word is enough to be alive."""
    trail = Trail()
    for minute in range(600):
        trail, flags = judge(trail, (0x6666 + minute % 2, 0x6666), 25.0, 40.0, minute * 60.0)
        assert flags == frozenset()


@given(st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.floats(1, 3600)), max_size=60))
def test_flags_follow_their_definition(measurements: list[tuple[int, int, float]]) -> None:
    """For any history, the running trail finds the same flags as looking back over the whole of it."""
    trail, at_s, history = Trail(), 0.0, []
    for temperature, humidity, pause_s in measurements:
        at_s += pause_s
        temp_c, rh_pct = -45 + 175 * temperature / 65535, 100 * humidity / 65535
        trail, flags = judge(trail, (temperature, humidity), temp_c, rh_pct, at_s)
        history.append((at_s, rh_pct, (temperature, humidity)))
        wet_since_s = at_s
        for when_s, past_pct, _ in reversed(history):
            if past_pct < 99.5:
                break
            wet_since_s = when_s
        condensed = rh_pct >= 99.5 and at_s - wet_since_s >= CONDENSED_AFTER_S
        assert condensed == (Flag.CONDENSED in flags)
        assert (not in_range(temp_c, rh_pct)) == (Flag.OUT_OF_RANGE in flags)


def test_stuck_needs_time_and_scans() -> None:
    """Few scans far apart, or many within minutes, prove nothing."""
    trail = Trail()
    for scan in range(9):
        trail, flags = judge(trail, (1, 2), 25.0, 40.0, scan * STUCK_AFTER_S)
        assert Flag.STUCK not in flags
    trail = Trail()
    for scan in range(100):
        trail, flags = judge(trail, (1, 2), 25.0, 40.0, scan * 60.0)
        assert Flag.STUCK not in flags
