"""Everything that happened in and around a nest over the days of a review, as plain values. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.exposures import Distrust, runs
from sensord.insight.wetness_series import wetness_series
from sensord.model import Entry, Place, Season

_GAP_H = 3


@dataclass(frozen=True, slots=True)
class Edges:
    """The four edges of a band hour by hour: ideal range inside limit range."""

    ideal_low: Floats
    ideal_high: Floats
    limit_low: Floats
    limit_high: Floats


@dataclass(frozen=True, slots=True)
class Track:
    """One place of the nest, or its room, hour by hour; NaN where nothing trustworthy was measured.

    Attributes:
        place: ``room`` for the room. probes: which sat there. start_ms: a full hour.
        temp_c, rh_pct: hourly means, calibrated. temp_band, rh_band: None for the room, which has none.
        left_out: hours that were measured and not believed.
    """

    place: Place
    probes: tuple[str, ...]
    start_ms: int
    temp_c: Floats
    rh_pct: Floats
    temp_band: Edges | None = None
    rh_band: Edges | None = None
    left_out: tuple[Distrust, ...] = ()

    @property
    def at_ms(self) -> Floats:
        """Middle of each hour."""
        return np.asarray(self.start_ms + (np.arange(len(self.temp_c)) + 0.5) * HOUR_MS, float)

    @property
    def gaps(self) -> list[tuple[int, int]]:
        """Stretches of three hours or more without any reading that is believed, as (from, until)."""
        blank = ~(np.isfinite(self.temp_c) | np.isfinite(self.rh_pct))
        return [
            (self.start_ms + first * HOUR_MS, self.start_ms + last * HOUR_MS)
            for first, last in runs(blank)
            if last - first >= _GAP_H
        ]

    def missing(self) -> list[tuple[int, int]]:
        """Gaps of which nothing is said in ``left_out``: the probe was silent, or not yet there."""
        return [
            gap for gap in self.gaps
            if not any(one.from_ms <= gap[0] + HOUR_MS and gap[1] - HOUR_MS <= one.until_ms for one in self.left_out)
        ]  # fmt: skip


@dataclass(frozen=True, slots=True)
class AlarmSeen:
    """An alarm about the nest, and whether anybody reacted: acknowledged it, or wrote in the nest's journal after it."""

    kind: str
    place: str
    priority: str
    raised_ms: int
    returned_ms: int | None
    acknowledged_ms: int | None
    acknowledged_by: str
    worst: float
    limit: float
    next_entry: Entry | None = None


@dataclass(frozen=True, slots=True)
class Timeline:
    """All of it.

    Attributes:
        seasons: (from, until, season). wetness: of the nest's probe by the day, (instant, quotient).
        water: (instant, mL left by mass balance) by the day. levels: (instant, mL) as the keeper read or poured.
    """

    nest: str
    from_ms: int
    until_ms: int
    tracks: tuple[Track, ...] = ()
    seasons: tuple[tuple[int, int, Season], ...] = ()
    entries: tuple[Entry, ...] = ()
    alarms: tuple[AlarmSeen, ...] = ()
    wetness: tuple[tuple[int, float], ...] = ()
    water: tuple[tuple[int, float], ...] = ()
    levels: tuple[tuple[int, float], ...] = ()


def daily_wetness(track: Track, room_pa: Floats) -> tuple[tuple[int, float], ...]:
    """How wet the cotton was, day by day: the middle of the hours of each day in which it could be told."""
    hourly, _ = wetness_series(track.temp_c, track.rh_pct, room_pa)
    found = []
    for first in range(0, len(hourly) - 23, 24):
        known = hourly[first : first + 24]
        known = known[np.isfinite(known)]
        if len(known) >= 6:
            found.append((track.start_ms + (first + 12) * HOUR_MS, float(np.median(known))))
    return tuple(found)
