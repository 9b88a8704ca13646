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
_LEAST_HOURS = 24


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


def nest_temp_c(own: AirHours | None, room: AirHours, rack_temp_c: Floats | None) -> Floats:
    """Temperature at the cotton, hour by hour: as measured there, else as its rack's neighbours, else as the room.

    All on one grid. Where a nest had a probe for a day at least, what it was warmer than room or rack holds for the rest.
    """
    stand_in = room.temp_c if rack_temp_c is None else np.where(np.isfinite(rack_temp_c), rack_temp_c, room.temp_c)
    if own is None:
        return stand_in
    both = np.isfinite(own.temp_c) & np.isfinite(stand_in)
    warmer_c = float(np.mean((own.temp_c - stand_in)[both])) if both.sum() >= _LEAST_HOURS else 0.0
    return np.where(np.isfinite(own.temp_c), own.temp_c, stand_in + warmer_c)


def rack_temp_c(probed: Sequence[AirHours], room: AirHours) -> Floats | None:
    """Mean temperature of a rack's nests that have probes, on the room's grid; None where they are not alike."""
    on_grid = [air.since(room.start_ms).temp_c[: len(room.temp_c)] for air in probed]
    full = [one for one in on_grid if len(one) == len(room.temp_c) and np.isfinite(one).sum() >= _LEAST_HOURS]
    if not full:
        return None
    levels = [float(np.nanmean(one - room.temp_c)) if np.isfinite(one - room.temp_c).any() else 0.0 for one in full]
    if float(np.std(levels)) > _SHARED_SD_C:
        return None
    table = np.stack(full)
    counts = np.isfinite(table).sum(axis=0)
    return np.asarray(np.nansum(table, axis=0) / np.where(counts > 0, counts, np.nan))


def power_of(temp_c: Floats, room: AirHours, own: AirHours | None, expected_w0: float) -> PowerSeries | None:
    """Hourly drying power; None where nothing was measured.

    Where no room probe tells the room's vapour pressure, the deficit at the nest's own probe stands in for it, as the
    straight-line profile says: e_s - e_r = (e_s - e_p) / (1 - w0).
    """
    room_pa = room.vapour_pa
    if own is not None and not np.isfinite(room_pa).any():
        face_pa = saturation_pa(temp_c)
        room_pa = np.clip(face_pa - (face_pa - own.vapour_pa) / max(0.05, 1.0 - expected_w0), 0.0, None)
    hourly = np.where(np.isfinite(temp_c) & np.isfinite(room_pa), 0.0, np.nan)
    known = np.isfinite(hourly)
    if not known.any():
        return None
    hourly[known] = drying_power(temp_c[known], room_pa[known])
    return PowerSeries.bridged(room.start_ms, hourly)
