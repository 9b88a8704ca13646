"""The time of readings on a machine without a clock battery: pure rules, no clock asked.

Every reading is stamped with monotonic time, which never steps. ``offset_ms`` is UTC minus monotonic time; a reading's
date is its monotonic time plus the offset in force.

1. While the wall clock is not sure, there is no offset and readings wait undated.
2. The first time it is sure, its offset is adopted; the readings of this boot get their date by it.
3. After that the wall clock may lose its server: the offset stays in force, so nothing changes.
4. A step larger than 200 ms is adopted for later readings only when the wall clock is sure and has kept to the new
   offset for 60 s; until then the old offset dates. Clocks that are slewed do not move the offset, for the monotonic
   clock is slewed with them.
5. A date once given is never changed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

TOLERANCE_MS: Final = 200
STEADY_MS: Final = 60_000
EARLIEST_MS: Final = 1_704_067_200_000
"""2024-01-01: a wall clock before that has not been set, whatever is said about it."""


@dataclass(frozen=True, slots=True)
class ClockFix:
    """What is known of the time in this boot.

    Attributes:
        offset_ms: in force; None while unknown. candidate_ms, since_ms: an offset on trial, and since which monotonic time.
    """

    offset_ms: int | None = None
    candidate_ms: int = 0
    since_ms: int | None = None

    def observe(self, wall_ms: int, mono_ms: int, *, sure: bool) -> ClockFix:
        """What is known after one look at both clocks.

        Args:
            wall_ms: wall clock. mono_ms: monotonic clock at the same moment.
            sure: whether the wall clock is to be believed (``is_sure``).
        """
        offset_ms = wall_ms - mono_ms
        if not sure or wall_ms < EARLIEST_MS:
            return ClockFix(self.offset_ms)
        if self.offset_ms is None:
            return ClockFix(offset_ms)
        if abs(offset_ms - self.offset_ms) <= TOLERANCE_MS:
            return ClockFix(self.offset_ms)
        if self.since_ms is None or abs(offset_ms - self.candidate_ms) > TOLERANCE_MS:
            return ClockFix(self.offset_ms, offset_ms, mono_ms)
        if mono_ms - self.since_ms < STEADY_MS:
            return self
        return ClockFix(self.candidate_ms)

    def date_ms(self, mono_ms: int) -> int | None:
        """The date of a reading taken at that monotonic time, or None while unknown."""
        return None if self.offset_ms is None else mono_ms + self.offset_ms


def is_sure(setting: str, *, synchronised: bool, raspberry_pi: bool) -> bool:
    """Whether the wall clock is to be believed.

    Args:
        setting: ``[[hub]] clock``: ``auto``, ``synchronised`` or ``trusted``.
        synchronised: whether the kernel says that a time server keeps it. raspberry_pi: a machine without a clock battery.
    """
    if setting == "trusted" or (setting == "auto" and not raspberry_pi):
        return True
    return synchronised
