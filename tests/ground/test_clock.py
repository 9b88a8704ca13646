"""Time: instants carry an offset, clocks obey one port."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.clock import (
    Clock,
    ManualClock,
    ScaledClock,
    SystemClock,
    clock_from_environment,
    from_ms,
    iso,
    parse_instant,
    to_ms,
)
from sensord.errors import InputError

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "utc"),
    [  # forms of ISO 8601; the last is the start of summer time in Lisbon
        ("2026-04-01T12:00:00Z", NOON),
        ("2026-04-01T14:00:00+02:00", NOON),
        ("2026-04-01T14:00+02:00", NOON),
        ("20260401T120000Z", NOON),
        ("2026-03-29T02:00:00+01:00", datetime(2026, 3, 29, 1, tzinfo=UTC)),
    ],
)
def test_an_instant_with_an_offset_is_understood(text: str, utc: datetime) -> None:
    assert parse_instant(text) == utc


@pytest.mark.parametrize("text", ["2026-04-01T12:00:00", "2026-04-01", "noon", "", "2026-13-01T00:00:00Z"])
def test_an_instant_without_an_offset_is_an_error_not_a_guess(text: str) -> None:
    with pytest.raises(InputError, match=r"has no offset|is not ISO 8601"):
        parse_instant(text)


@given(st.integers(min_value=0, max_value=4_102_444_800_000))
def test_milliseconds_survive_both_ways(at_ms: int) -> None:
    assert to_ms(from_ms(at_ms)) == at_ms
    assert to_ms(parse_instant(iso(at_ms))) == at_ms


def test_any_zone_is_the_same_instant() -> None:
    assert to_ms(NOON.astimezone(timezone(timedelta(hours=-5)))) == to_ms(NOON)


@pytest.mark.parametrize("clock", [SystemClock(), ScaledClock(NOON, 0.0, 1000.0), ManualClock(NOON)])
def test_every_clock_obeys_the_port(clock: Clock) -> None:
    before, event = clock.monotonic(), threading.Event()
    assert clock.now().tzinfo is UTC
    clock.sleep(0.001)
    assert not clock.wait(event, 0.001)
    assert clock.monotonic() - before > 0.0019
    event.set()
    assert clock.wait(event, 1000.0)
    clock.sleep(-1)


def test_a_step_moves_the_wall_clock_alone() -> None:
    clock = ManualClock(NOON, 5.0)
    clock.step(-3600)
    assert (clock.now(), clock.monotonic()) == (NOON - timedelta(hours=1), 5.0)


def test_a_scaled_clock_runs_faster_from_its_origin() -> None:
    real = SystemClock().monotonic()
    clock = clock_from_environment({"NESTCLIMATE_CLOCK": f"2026-04-01T12:00:00Z,{real - 10},60"})
    assert timedelta(seconds=600) <= clock.now() - NOON < timedelta(seconds=4200)


@pytest.mark.parametrize("text", ["x", "2026-04-01T12:00:00,1,1", "2026-04-01T12:00:00Z,1,0", "2026-04-01T12:00:00Z,1"])
def test_a_wrong_scaled_clock_is_one_clear_line(text: str) -> None:
    with pytest.raises(InputError, match=r"clock|NESTCLIMATE_CLOCK") as caught:
        clock_from_environment({"NESTCLIMATE_CLOCK": text})
    assert len(caught.value.problems) == 1
