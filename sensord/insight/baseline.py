"""What a tube's probe reads while the cotton is wet: its baseline ``w0`` and its offset, learned together.

In relative humidity h over saturation at the probe's temperature, with r = e_r / e_s for the room, steady diffusion says

    h = r + w0 (a - r) + offset

for a cotton face of water activity a. The offset takes up the biases of the two probes, which in the quotient
w = (h - r) / (1 - r) would grow beyond bounds in damp weather; here they stay as small as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

OFFSET_SD = 0.025  # two probes at +-2 %RH and +-0.2 C each, weighted by w0 and 1 - w0
HOURS_ALIKE = 12.0  # hourly residuals go together: a dozen of them tell what one independent one would
MEMORY_H = 1500.0  # after the first days the baseline follows drift over about two months, and no faster
LEAST_NOISE = 0.004


@dataclass(slots=True)
class Baseline:
    """Joint estimate of w0 and offset: means, covariance, hours learned from, noise of one hour's residual."""

    w0: float
    offset: float
    var_w0: float
    var_offset: float
    cov: float
    hours: float
    noise: float

    @classmethod
    def expecting(cls, w0: float, w0_sd: float) -> Baseline:
        """Before anything was learned."""
        return cls(w0, 0.0, w0_sd**2, OFFSET_SD**2, 0.0, 0.0, 2 * LEAST_NOISE)

    def expected(self, room: float) -> float:
        """Relative humidity (0 to 1) at the probe while the cotton is wet."""
        return room + self.w0 * (1.0 - room) + self.offset

    def expected_sd(self, room: float) -> float:
        """Its standard deviation from what is not known of w0 and offset."""
        dry = 1.0 - room
        return math.sqrt(max(0.0, dry * dry * self.var_w0 + 2 * dry * self.cov + self.var_offset))

    def learn(self, room: float, surprise: float) -> None:
        """One hour of wet cotton: a Kalman step with ``surprise`` = read minus expected, robust against outliers."""
        dry = 1.0 - room
        gain_w0, gain_offset = dry * self.var_w0 + self.cov, dry * self.cov + self.var_offset
        model_var = dry * gain_w0 + gain_offset
        read_var = self.noise**2 * HOURS_ALIKE
        reach = 3.0 * math.sqrt(model_var + self.noise**2)
        clipped = max(-reach, min(reach, surprise))
        total = model_var + read_var
        self.w0 = min(1.0, max(0.02, self.w0 + gain_w0 / total * clipped))
        self.offset += gain_offset / total * clipped
        self.var_w0 -= gain_w0 * gain_w0 / total
        self.cov -= gain_w0 * gain_offset / total
        self.var_offset -= gain_offset * gain_offset / total
        self.var_offset += read_var / MEMORY_H**2  # keeps the gain of an old baseline alive, so that it follows drift
        self._learn_noise(clipped * read_var / total)
        self.hours += 1.0

    def refilled(self, w0_sd: float) -> None:
        """After a fill the cotton sits a little differently, the probes do not."""
        self.var_w0 += w0_sd**2
        self.hours = 0.0

    def _learn_noise(self, left: float) -> None:
        rate = 1.0 / min(self.hours + 8.0, 200.0)
        self.noise = max(LEAST_NOISE, math.sqrt((1.0 - rate) * self.noise**2 + rate * left**2))
