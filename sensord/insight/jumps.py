"""Jumps in an hourly series with a daily rhythm: cotton dries over days, but a fill or a moved probe shows in an hour.

A value is compared with the one 24 hours earlier, so that lamps, heat mats and weather of every day cancel.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import fmean

HOUR_KEPT = 56
_SIDE, _LEAST_HOURS = 6, 4


def jump(deficits: Mapping[int, float], hour: int, settle_h: int, least: float) -> tuple[int, float] | None:
    """The newest jump at least ``settle_h`` hours before ``hour``: (its hour, its size), or None.

    Args:
        deficits: by hour number, at least the last ``HOUR_KEPT``.
        settle_h: hours that the new level must have lasted.
        least: size that counts.

    It must happen within two hours and last: 30 % of it at most before them, 70 % at least after.
    """
    lag = {h: value - deficits[h - 24] for h, value in deficits.items() if h > hour - 32 and h - 24 in deficits}
    recent = [lag[h] for h in range(hour - _SIDE + 1, hour + 1) if h in lag]
    if len(recent) < _LEAST_HOURS or abs(fmean(recent)) < least:
        return None
    size = fmean(recent)
    for start in range(hour - settle_h + 1, hour - 23, -1):
        before = [lag[h] / size for h in range(start - 5, start - 1) if h in lag]
        after = [lag[h] / size for h in range(start, start + 4) if h in lag]
        if min(len(before), len(after)) >= _LEAST_HOURS - 1 and max(before) < 0.3 and min(after) > 0.7:
            return start, size
    return None
