"""What a probe's own readings say about the probe: pure, fed one measurement at a time.

Flags mark a reading, they never delete it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

TEMP_LOW_C, TEMP_HIGH_C = -40.0, 80.0
"""Beyond these no ant room is, and a broken line is likely: all bits set read as 130 °C, none as -45 °C."""
CONDENSED_PCT = 99.5
CONDENSED_AFTER_S = 15 * 60.0
STUCK_AFTER_S = 2 * 3600.0
STUCK_SCANS = 10
"""One step of the humidity word is 0.0015 %RH, far below the chip's own noise: identical words for long are no air."""


class Flag(StrEnum):
    """What is doubtful about a reading."""

    OUT_OF_RANGE = "out_of_range"
    CONDENSED = "condensed"
    STUCK = "stuck"
    RESET_SEEN = "reset_seen"


@dataclass(frozen=True, slots=True)
class Trail:
    """What must be remembered of a probe's past measurements; a new probe has ``Trail()``.

    Attributes:
        words: the last raw words. same_since_s: since when they are the same; same_scans: how often seen.
        wet_since_s: since when humidity is at 99.5 % or above, None where it is not.
    """

    words: tuple[int, int] | None = None
    same_since_s: float = 0.0
    same_scans: int = 0
    wet_since_s: float | None = None


def in_range(temp_c: float, rh_pct: float) -> bool:
    """Whether both can be true of a room with ants: -40 to 80 °C, above 0 and up to 100 %RH."""
    return TEMP_LOW_C <= temp_c <= TEMP_HIGH_C and 0 < rh_pct <= 100


def judge(
    trail: Trail, words: tuple[int, int], temp_c: float, rh_pct: float, at_s: float
) -> tuple[Trail, frozenset[Flag]]:
    """One more measurement: the new trail, and the flags of this reading.

    Args:
        words: the raw words of temperature and humidity.
        at_s: monotonic seconds, not earlier than the last.
    """
    same = trail.words == words
    wet = rh_pct >= CONDENSED_PCT
    new = Trail(
        words=words,
        same_since_s=trail.same_since_s if same else at_s,
        same_scans=trail.same_scans + 1 if same else 1,
        wet_since_s=None if not wet else at_s if trail.wet_since_s is None else trail.wet_since_s,
    )
    flags = set()
    if not in_range(temp_c, rh_pct):
        flags.add(Flag.OUT_OF_RANGE)
    if new.wet_since_s is not None and at_s - new.wet_since_s >= CONDENSED_AFTER_S:
        flags.add(Flag.CONDENSED)
    if new.same_scans >= STUCK_SCANS and at_s - new.same_since_s >= STUCK_AFTER_S:
        flags.add(Flag.STUCK)
    return new, frozenset(flags)


def judge_stored(at_ms: Iterable[int], temp_c: Iterable[float], rh_pct: Iterable[float]) -> frozenset[Flag]:
    """The flags of the last of some stored readings, ascending in time, whose raw words are not known any more.

    A reading that lacks either value (NaN) says nothing.
    """
    trail, flags = Trail(), frozenset[Flag]()
    for at, temp, rh in zip(at_ms, temp_c, rh_pct, strict=True):
        if math.isfinite(temp) and math.isfinite(rh):
            trail, flags = judge(trail, (round(temp * 1_000), round(rh * 1_000)), temp, rh, at / 1_000)
    return flags
