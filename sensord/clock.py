"""Time, passed in. No module but this one asks the machine for the time, and no test sleeps.

Instants are aware UTC datetimes at the edges and integer milliseconds since 1970 (``at_ms``) in bulk.
"""

from __future__ import annotations

import os
import re
import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

from sensord.errors import InputError

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECOND_MS = 1_000
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
LATEST_MS = 253_402_300_799_999  # the last of the year 9999
_FARTHEST_DAYS = 36_525


class Clock(Protocol):
    """What the house needs of time. ``monotonic`` never steps and counts time asleep; ``now`` may step."""

    def now(self) -> datetime:
        """The present instant, aware UTC."""

    def monotonic(self) -> float:
        """Seconds since an arbitrary start that is the same for all processes of one boot."""

    def sleep(self, seconds: float) -> None:
        """Let that much of this clock's time pass; none for zero or less."""

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for the event, at most that long of this clock's time; whether it is set."""


class SystemClock:
    """The machine's own time."""

    def now(self) -> datetime:
        """The present instant, aware UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds since boot, time asleep included where the system can tell."""
        return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))

    def sleep(self, seconds: float) -> None:
        """Sleep; returns at once for zero or less."""
        if seconds > 0:
            time.sleep(seconds)

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for the event, at most ``seconds``; whether it is set."""
        return event.wait(max(0.0, seconds))


class ScaledClock:
    """Time that runs ``speed`` times as fast from a common origin: the demo's room lives in it.

    Every process that gets the same three numbers agrees on the time.

    Args:
        origin: the instant shown when the machine's monotonic clock read ``origin_monotonic_s``.
        origin_monotonic_s: seconds, of ``SystemClock.monotonic``.
        speed: how many seconds pass here in one real second; > 0.
    """

    def __init__(self, origin: datetime, origin_monotonic_s: float, speed: float) -> None:
        if not speed > 0:
            raise InputError(f"clock speed {speed} is not above 0")
        self._origin, self._origin_monotonic_s, self.speed = origin, origin_monotonic_s, speed
        self._real = SystemClock()

    def monotonic(self) -> float:
        """Scaled seconds since the origin's boot."""
        passed = self._real.monotonic() - self._origin_monotonic_s
        return self._origin_monotonic_s + passed * self.speed

    def now(self) -> datetime:
        """The scaled instant, aware UTC."""
        return self._origin + timedelta(seconds=self.monotonic() - self._origin_monotonic_s)

    def sleep(self, seconds: float) -> None:
        """Sleep ``seconds`` of scaled time."""
        self._real.sleep(seconds / self.speed)

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for the event, at most ``seconds`` of scaled time."""
        return self._real.wait(event, seconds / self.speed)


class ManualClock:
    """Time that passes only when told to: for tests, replays and back-filling.

    ``step`` moves the wall clock alone, as a time server does.
    """

    def __init__(self, now: datetime, monotonic_s: float = 1_000.0) -> None:
        self._now, self._monotonic_s = require_aware(now), monotonic_s

    def now(self) -> datetime:
        """The instant it was set to."""
        return self._now

    def monotonic(self) -> float:
        """Seconds passed so far."""
        return self._monotonic_s

    def advance(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        self._monotonic_s += seconds
        self._now += timedelta(seconds=seconds)

    def step(self, seconds: float) -> None:
        """Move the wall clock alone."""
        self._now += timedelta(seconds=seconds)

    def sleep(self, seconds: float) -> None:
        """Pass at once."""
        self.advance(max(0.0, seconds))

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Pass at once unless the event is set already."""
        if not event.is_set():
            self.sleep(seconds)
        return event.is_set()


def clock_from_environment(environment: os._Environ[str] | dict[str, str] = os.environ) -> Clock:
    """The machine's clock, or the scaled one that ``NESTCLIMATE_CLOCK=ORIGIN,MONOTONIC,SPEED`` asks for.

    Raises:
        InputError: the variable is set and not of that form.
    """
    text = environment.get("NESTCLIMATE_CLOCK")
    if not text:
        return SystemClock()
    try:
        origin, monotonic_s, speed = text.split(",")
        return ScaledClock(parse_instant(origin), float(monotonic_s), float(speed))
    except ValueError as error:
        raise InputError(
            f"NESTCLIMATE_CLOCK={text!r}: allowed is ORIGIN,MONOTONIC,SPEED, "
            f"for example 2026-05-01T08:00:00Z,1000.0,60 ({error})"
        ) from error


def require_aware(instant: datetime) -> datetime:
    """The instant in UTC.

    Raises:
        InputError: it carries no offset.
    """
    if instant.tzinfo is None:
        raise InputError(f"instant {instant.isoformat()} has no offset: write Z or +01:00 behind it")
    return instant.astimezone(UTC)


def parse_length(text: str) -> int:
    """A length of time such as ``30m``, ``2h`` or ``1d``, in milliseconds.

    Raises:
        InputError: another form; says only what is allowed, the caller says where it stood.
    """
    found = re.fullmatch(r"(\d{1,4})([mhd])", text.strip(), re.ASCII)
    if not found:
        raise InputError("allowed is a number with m, h or d, for example 2h")
    return int(found[1]) * {"m": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS}[found[2]]


def parse_instant(text: str) -> datetime:
    """ISO 8601 with an offset or ``Z`` to an aware UTC instant.

    Raises:
        InputError: not ISO 8601, or without an offset (an error, not a guess).
    """
    try:
        instant = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            f"instant {text[:60]!r} is not ISO 8601: write it like 2026-05-01T08:00:00Z or 2026-05-01T10:00:00+02:00"
        ) from None
    try:
        return require_aware(instant)
    except OverflowError:
        raise InputError(f"instant {text[:60]!r}: in UTC it lies outside the years 1 to 9999") from None


def as_of(text: str | None, clock: Clock) -> int:
    """The instant that ``--at`` names, in milliseconds; without it the present one.

    Raises:
        InputError: as ``parse_instant``; more than a hundred years ahead, for which nothing can be worked out.
    """
    now_ms = to_ms(clock.now())
    at_ms = now_ms if text is None else to_ms(parse_instant(text))
    farthest_ms = min(now_ms + _FARTHEST_DAYS * DAY_MS, LATEST_MS)
    if at_ms > farthest_ms:
        raise InputError(
            f"--at {iso(at_ms)}: lies more than a hundred years ahead; allowed is up to {iso(farthest_ms)}"
        )
    return at_ms


def to_ms(instant: datetime) -> int:
    """Milliseconds since 1970, rounded to the nearest; what would round up to the year 10000 stays below it."""
    delta = require_aware(instant) - EPOCH
    at_ms = (delta.days * 86_400 + delta.seconds) * SECOND_MS + (delta.microseconds + 500) // 1_000
    return min(at_ms, LATEST_MS)


def from_ms(at_ms: int) -> datetime:
    """Milliseconds since 1970 to an aware UTC instant."""
    return EPOCH + timedelta(milliseconds=at_ms)


def iso(at_ms: int) -> str:
    """Milliseconds since 1970 as ISO 8601 in UTC with ``Z``; milliseconds shown only where there are any."""
    text = from_ms(at_ms).isoformat(timespec="milliseconds" if at_ms % SECOND_MS else "seconds")
    return text.replace("+00:00", "Z")
