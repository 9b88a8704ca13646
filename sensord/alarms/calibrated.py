"""Single readings as calibrated: each by what holds for its probe at its instant. Pure."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

from sensord.air.calibration import Calibration, holding
from sensord.model import Reading


class Calibrated:
    """Calibrations by probe.

    Args:
        calibrations: all there are, ascending in time for each probe.
    """

    def __init__(self, calibrations: Iterable[Calibration] = ()) -> None:
        self._by_probe: defaultdict[str, list[Calibration]] = defaultdict(list)
        for calibration in calibrations:
            self._by_probe[calibration.probe].append(calibration)

    def of(self, probe: str) -> Sequence[Calibration]:
        """Those of one probe; empty where it has none."""
        return self._by_probe.get(probe, ())

    def __call__(self, reading: Reading) -> Reading:
        """The reading as calibrated; what is missing stays missing."""
        calibration = holding(self.of(reading.probe), reading.at_ms)
        if calibration is None:
            return reading
        nan = math.nan
        temp_c, rh_pct = calibration.correct(
            nan if reading.temp_c is None else reading.temp_c, nan if reading.rh_pct is None else reading.rh_pct
        )
        return replace(
            reading,
            temp_c=None if reading.temp_c is None else float(temp_c),
            rh_pct=None if reading.rh_pct is None else float(rh_pct),
        )
