"""A small room for tests only, made independently of the product: its own vapour formula, its own physics, one hour a step.

Saturation: Buck 1981, J. Appl. Meteorol. 20:1527-1532. Tube: two vapour resistances in series (face to probe, probe to
room), a reservoir, then cotton whose water activity falls with what it still holds. Invented, for measuring rates only.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

START_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
HOUR_MS = 3_600_000


def buck_1981_pa(temp_c: float) -> float:
    return 611.21 * math.exp(17.502 * temp_c / (240.97 + temp_c))


@dataclass
class Tube:
    """One simulated tube: what the probes read each hour, and the truth beside it."""

    seed: int
    hours: int
    wet_for_h: float  # until the reservoir is empty; infinite: never
    cotton_h: float = 200.0  # how long the wet cotton then lasts about
    w0: float = 0.6
    heated: bool = False
    noise_pct: float = 0.4
    cycle_h: int = 10**9  # filled again so often
    samples: list[tuple[int, float, float, float]] = field(default_factory=list)  # at_ms, temp_c, rh_pct, room_pa
    activity: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = random.Random(self.seed)
        bias, room_bias = rng.gauss(0, 2.0), rng.gauss(0, 2.0)
        temp_bias, room_temp_bias = rng.gauss(0, 0.2), rng.gauss(0, 0.2)
        drift_pct_h = rng.gauss(0, 1.0) / 8766
        weather, weather_temp, season = 0.0, 0.0, rng.uniform(0, 2 * math.pi)
        level = rng.uniform(38, 58)
        held = 1.0
        disturbed = 0.0
        for n in range(self.hours):
            weather += -weather / 60 + rng.gauss(0, 1.3)
            weather_temp += -weather_temp / 80 + rng.gauss(0, 0.2)
            day = math.sin(2 * math.pi * n / 24)
            room_c = 21.5 + 1.5 * day + weather_temp + 1.5 * math.sin(2 * math.pi * n / 8766 + season)
            room_rh = min(92.0, max(18.0, level + 8 * math.sin(2 * math.pi * n / 8766 + season) + weather - 3 * day))
            if rng.random() < 0.004:
                disturbed = 1.0
            tube_c = room_c + (3.0 + 0.8 * (n % 24 < 12) if self.heated else 0.3)
            e_room, e_sat = buck_1981_pa(room_c) * room_rh / 100, buck_1981_pa(tube_c)
            if n % self.cycle_h == 0:
                held = 1.0
            if (
                n % self.cycle_h >= self.wet_for_h
            ):  # an hour's loss against what the cotton holds, scaled to last about cotton_h
                a_now = self._face(held)
                held = max(0.0, held - max(0.0, a_now - e_room / e_sat) / (0.5 * self.cotton_h))
            a = self._face(held)
            e_probe = e_room + self.w0 * (1 - disturbed) * (a * e_sat - e_room)
            disturbed = max(0.0, disturbed - 0.7)
            rh = 100 * e_probe / e_sat + bias + drift_pct_h * n + rng.gauss(0, self.noise_pct)
            room_read_c = room_c + room_temp_bias
            room_read = min(100.0, max(0.0, room_rh + room_bias + rng.gauss(0, self.noise_pct)))
            self.activity.append(a)
            self.samples.append(
                (
                    START_MS + n * HOUR_MS,
                    tube_c + temp_bias,
                    min(100.0, max(0.0, rh)),
                    buck_1981_pa(room_read_c) * room_read / 100,
                )
            )

    @staticmethod
    def _face(held: float) -> float:
        return 1.0 if held >= 0.9 else (max(0.0, held) / 0.9) ** 0.7
