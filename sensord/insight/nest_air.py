"""The air that dries one nest: its own probe's where there is one, else its room's, as hourly drying power. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensord.air.moist_air import saturation_pa
from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats, PowerSeries, drying_power

_SHARED_SD_C = 1.0  # nests of one rack whose probes differ by more are not heated alike
_LEAST_HOURS, _WEEK_H = 24, 168


@dataclass(frozen=True, slots=True)
class AirHours:
    """Air by the hour on a grid without holes, NaN where not measured.

    Attributes:
        start_ms: a full hour. temp_c, vapour_pa: hourly means, same length.
    """

    start_ms: int
    temp_c: Floats
    vapour_pa: Floats

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Hours with both."""
        return np.isfinite(self.temp_c) & np.isfinite(self.vapour_pa)

    @property
    def end_ms(self) -> int:
        """The hour after the last."""
        return self.start_ms + len(self.temp_c) * HOUR_MS

    def since(self, from_ms: int) -> AirHours:
        """The part from an hour on; blank hours in front where it begins later."""
        skip = (from_ms - self.start_ms) // HOUR_MS
        if skip >= 0:
            return AirHours(self.start_ms + skip * HOUR_MS, self.temp_c[skip:], self.vapour_pa[skip:])
        blank = np.full(-skip, np.nan)
        return AirHours(
            self.start_ms + skip * HOUR_MS,
            np.concatenate((blank, self.temp_c)),
            np.concatenate((blank, self.vapour_pa)),
        )


def nest_temp_c(
    own: AirHours | None, room: AirHours, rack_temp_c: Floats | None, warmer_c: float = 0.0
) -> tuple[Floats, Floats]:
    """Temperature at the cotton, hour by hour, on the grid of the room.

    As measured there; else the room's and what the nest was warmer in the last week; where that is not known, as its
    rack's neighbours; else the room's and what nest or rack was last known to be warmer.

    Args:
        rack_temp_c: of the neighbours, NaN where not known. warmer_c: than the room, before the first of these hours.

    Returns:
        The temperature, and what is known last of how much warmer than the room it is, °C.
    """
    blank = np.full(len(room.temp_c), np.nan)
    own_c = blank if own is None else own.temp_c
    rack_c = blank if rack_temp_c is None else rack_temp_c
    lately, neighbours = _last_week(own_c - room.temp_c), _last_week(rack_c - room.temp_c)
    fresh = np.isfinite(lately)
    known: Floats = np.where(fresh, lately, neighbours).round(3)
    warmer = _carried(known, warmer_c)
    stand_in = np.where(np.isfinite(rack_c) & ~fresh, rack_c, room.temp_c + warmer)
    return np.where(np.isfinite(own_c), own_c, stand_in), warmer


def rack_temp_c(probed: Sequence[AirHours], room: AirHours) -> Floats | None:
    """Mean temperature of a rack's nests that have probes, on the room's grid; NaN where they were not alike in the last week.

    None where they never are.
    """
    on_grid = [air.since(room.start_ms).temp_c[: len(room.temp_c)] for air in probed]
    full = [one for one in on_grid if len(one) == len(room.temp_c)]
    if not full:
        return None
    temps = np.stack(full)
    warmer = np.stack([_last_week(one - room.temp_c) for one in full])
    known = np.isfinite(warmer)
    alike = _mean(known, (warmer - _mean(known, warmer)) ** 2) <= _SHARED_SD_C**2
    found = np.where(alike, _mean(known & np.isfinite(temps), temps), np.nan)
    return found if np.isfinite(found).any() else None


def _last_week(hourly: Floats) -> Floats:
    """Mean of what was measured in the week up to each hour; NaN where that is less than a day."""
    measured = np.isfinite(hourly)
    total = np.concatenate((np.zeros(_WEEK_H), np.cumsum(np.where(measured, hourly, 0.0))))
    count = np.concatenate((np.zeros(_WEEK_H), np.cumsum(measured)))
    hours = count[_WEEK_H:] - count[:-_WEEK_H]
    return np.where(hours >= _LEAST_HOURS, (total[_WEEK_H:] - total[:-_WEEK_H]) / np.maximum(hours, 1), np.nan)


def _carried(hourly: Floats, before: float) -> Floats:
    """Gaps filled with what was last known."""
    last = np.maximum.accumulate(np.where(np.isfinite(hourly), np.arange(len(hourly)), -1))
    return np.where(last >= 0, hourly[last], before)


def _mean(counted: NDArray[np.bool_], values: Floats) -> Floats:
    """Over the first axis, of those that count; NaN where none does."""
    counts = counted.sum(axis=0)
    return np.asarray(np.where(counted, values, 0.0).sum(axis=0) / np.where(counts > 0, counts, np.nan))


def power_of(temp_c: Floats, room: AirHours, own: AirHours | None, expected_w0: float) -> PowerSeries | None:
    """Hourly drying power; None where nothing was measured.

    Where no room probe told the room's vapour pressure in the last week, the deficit at the nest's own probe stands in for
    it, as the straight-line profile says: e_s - e_r = (e_s - e_p) / (1 - w0).
    """
    room_pa = room.vapour_pa
    if own is not None:
        face_pa = saturation_pa(temp_c)
        told_pa = np.clip(face_pa - (face_pa - own.vapour_pa) / max(0.05, 1.0 - expected_w0), 0.0, None)
        room_pa = np.where(np.isfinite(room_pa) | np.isfinite(_last_week(room_pa)), room_pa, told_pa)
    hourly = np.where(np.isfinite(temp_c) & np.isfinite(room_pa), 0.0, np.nan)
    known = np.isfinite(hourly)
    if not known.any():
        return None
    hourly[known] = drying_power(temp_c[known], room_pa[known])
    return PowerSeries.bridged(room.start_ms, hourly)
