"""A winter rest counted: hours in its band, so that a fridge that warmed up is seen, and when to wake. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from sensord.clock import DAY_MS, HOUR_MS, from_ms

RECENT_MS = 2 * DAY_MS
"""What counts as now: a fridge door that stood open for an hour is no alarm."""
LEAST_MEASURED_H = 24.0
DAY_H = DAY_MS / HOUR_MS


@dataclass(frozen=True, slots=True)
class Rest:
    """A winter rest from its first instant up to now, by the temperature measured at the nest.

    Attributes:
        low_c, high_c: the limits of its band. in_band_h: hours between them; measured_h: hours anybody knows of.
        recent_in_band_h, recent_measured_h, recent_mean_c: the same over the last two days, and the mean temperature.
        least_days: days of rest the species needs, None where no source says.
    """

    begun_ms: int
    low_c: float
    high_c: float
    in_band_h: float
    measured_h: float
    recent_in_band_h: float
    recent_measured_h: float
    recent_mean_c: float
    least_days: float | None

    @property
    def known(self) -> bool:
        """Whether a day at least was measured."""
        return self.measured_h >= LEAST_MEASURED_H

    @property
    def counted_days(self) -> float:
        """Days in the band."""
        return self.in_band_h / DAY_H

    @property
    def lost(self) -> bool:
        """Whether it has been out of its band for most of the last two days."""
        return self.recent_measured_h >= LEAST_MEASURED_H and self.recent_in_band_h < self.recent_measured_h / 2

    @property
    def enough(self) -> bool:
        """Whether as many days count as the species needs."""
        return self.known and self.least_days is not None and self.counted_days >= self.least_days

    def wake_up_ms(self, at_ms: int) -> int | None:
        """When it will have rested enough if it stays in its band from now on; None where no source says how long."""
        if self.least_days is None:
            return None
        if not self.known:
            return max(at_ms, self.begun_ms + round(self.least_days * DAY_MS))
        return at_ms + round(max(0.0, self.least_days - self.counted_days) * DAY_MS)

    def tally(self, at_ms: int) -> str:
        """How many days counted, and the day to wake it, in words."""
        elapsed_days = (at_ms - self.begun_ms) / DAY_MS
        if not self.known:
            text = f"day {elapsed_days:.0f} of its rest, and no probe tells how warm it rests"
        else:
            needed = f" of {self.least_days:g}" if self.least_days is not None else ""
            text = f"{self.counted_days:.0f}{needed} days counted at {self.low_c:g} to {self.high_c:g} °C"
            unknown_days = elapsed_days - self.measured_h / DAY_H
            text += f", {unknown_days:.0f} not measured" if unknown_days >= 1.0 else ""
        wake_ms = self.wake_up_ms(at_ms)
        return text if wake_ms is None or self.enough else f"{text}; wake it about {_day(wake_ms)}"

    def complaint(self) -> str:
        """What is wrong while ``lost``."""
        side = "warm" if self.recent_mean_c > self.high_c else "cold" if self.recent_mean_c < self.low_c else "unsteady"
        return (
            f"too {side} for its rest: {self.recent_mean_c:.1f} °C over the last two days, its band is {self.low_c:g} to "
            f"{self.high_c:g} °C; check the fridge or the room"
        )


def _day(at_ms: int) -> str:
    return from_ms(at_ms).strftime("%-d %b %Y")
