"""Wetness of the cotton over a stretch of time, as arrays: what ``wetness.py`` says of one hour, for charts. Pure."""

from __future__ import annotations

import numpy as np

from sensord.air.moist_air import PROBE_RH_SD_PCT, PROBE_TEMP_SD_C, deficit_pa, saturation_pa, vapour_pa
from sensord.insight.balance import Floats
from sensord.insight.wetness import CONDENSED_PCT, MEANINGLESS_SD


def wetness_series(temp_c: Floats, rh_pct: Floats, room_pa: Floats) -> tuple[Floats, Floats]:
    """The quotient (e_p - e_r) / (e_s - e_r) and its standard deviation from both probes' (±2 %RH, ±0.2 °C).

    NaN where not measured, where water condensed on the probe, and where the deviation is so large that it says nothing.

    Args:
        temp_c, rh_pct: at the probe. room_pa: vapour pressure of the room at the same times.
    """
    full_pa = saturation_pa(temp_c)
    with np.errstate(invalid="ignore", divide="ignore"):
        lack = np.where(full_pa > room_pa, full_pa - room_pa, np.nan)
        w = (vapour_pa(temp_c, rh_pct) - room_pa) / lack
        rh_pa = PROBE_RH_SD_PCT / 100.0 * full_pa
        slope = (saturation_pa(temp_c + 0.01) - saturation_pa(temp_c - 0.01)) / 0.02
        temp_pa = slope * PROBE_TEMP_SD_C * room_pa / full_pa
        dry = deficit_pa(temp_c, rh_pct) / lack
        sd = np.hypot(np.hypot(rh_pa, temp_pa * dry), dry * np.hypot(rh_pa, temp_pa)) / lack
        known = (sd <= MEANINGLESS_SD) & (rh_pct < CONDENSED_PCT)
    return np.where(known, w, np.nan), np.where(known, sd, np.nan)
