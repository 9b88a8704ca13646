"""Wetness of the cotton over a stretch of time, as arrays: what ``wetness.py`` says of one hour, for charts. Pure."""

from __future__ import annotations

import numpy as np

from sensord.insight.balance import Floats
from sensord.insight.wetness import CONDENSED_PCT, MEANINGLESS_SD, quotients


def wetness_series(temp_c: Floats, rh_pct: Floats, room_pa: Floats) -> tuple[Floats, Floats]:
    """The quotient (e_p - e_r) / (e_s - e_r) and its standard deviation from both probes' (±2 %RH, ±0.2 °C).

    NaN where not measured, where water condensed on the probe, and where the deviation is so large that it says nothing.

    Args:
        temp_c, rh_pct: at the probe. room_pa: vapour pressure of the room at the same times.
    """
    w, sd, _ = quotients(temp_c, rh_pct, room_pa)
    known = (sd <= MEANINGLESS_SD) & (rh_pct < CONDENSED_PCT)
    return np.where(known, w, np.nan), np.where(known, sd, np.nan)
