"""A third room for scoring the outlook, kept plain: tubes of one bore that last 40 to 120 days, and nothing is tuned on it.

Reservoirs of 6 to 12 mL; each tube's conductance is whatever makes it last 40 to 120 days in the room's mean air, so that
geometry tells little. Saturation after Tetens 1930 in Murray's form (J. Appl. Meteorol. 6:203, 1967), plain Fick diffusion.
Keepers glance every 10 to 18 days, log a level in 6 of 10 glances, fill what they find empty and half of what is nearly so, and
forget to log 1 fill in 10. ``Habits`` says how far off their levels and volumes are, and whether conductances drift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from bench_room import BenchRoom, Tube


@dataclass(frozen=True)
class Habits:
    """What may differ from room to room."""

    level_ml: float = 0.35
    level_uniform: bool = False  # the 0.35 mL as bounds, not as a standard deviation
    forgotten: float = 0.10
    volume_ln_sd: float = 0.05
    wrong_volume: float = 0.05
    drift_ln_sd: float = 0.0  # of the conductance in a month
    fastest_days: float = 40.0
    slowest_days: float = 120.0
    own_share: float = 0.3


def murray(temp_c):
    """Murray 1967, Pa."""
    return 610.78 * np.exp(17.2693882 * temp_c / (temp_c + 237.3))


def make_room(tubes: int, days: int, seed: int, habits: Habits | None = None) -> BenchRoom:
    """A heated room and its year."""
    habits = habits or Habits()
    random = np.random.default_rng([seed, 3])
    hour = np.arange(days * 24)
    year = 2 * np.pi * hour / 24 / 365
    temp = 23.5 - 1.2 * np.cos(year) + 0.8 * np.sin(2 * np.pi * hour / 24) + 0.6 * _weather(random, len(hour), 72)
    humidity = np.clip(45.0 - 8.0 * np.cos(year) + 6.0 * _weather(random, len(hour), 96), 18, 80)
    vapour = murray(temp) * humidity / 100
    probe = _seen(random, temp, humidity)
    made = [_tube(random, number, temp, vapour, habits) for number in range(tubes)]
    return BenchRoom(len(hour), temp, vapour, *probe, made)


def _weather(random, hours, length):
    """First-order process of unit spread."""
    keep = math.exp(-1.0 / length)
    kicks = random.standard_normal(hours) * math.sqrt(1 - keep**2)
    out = np.empty(hours)
    value = random.standard_normal()
    for at, kick in enumerate(kicks):
        value = keep * value + kick
        out[at] = value
    return out


def _seen(random, temp, humidity):
    """A probe of +-2 %RH and +-0.2 °C, drifting by half a percent a year."""
    drift = random.normal(0, 0.5) * np.arange(len(temp)) / 8766
    rh = humidity + random.normal(0, 2.0 / 2) + drift + 0.3 * random.standard_normal(len(temp))
    return np.round(temp + random.normal(0, 0.1) + 0.03 * random.standard_normal(len(temp)), 2), np.clip(rh, 0, 100)


def _tube(random, number, temp, vapour, habits):
    rack = number % 4
    full, bore, chamber = float(random.uniform(6, 12)), 16.0, float(random.uniform(20, 45))
    heated = 26.0 if rack == 3 else None
    true_temp = temp + random.normal(0, 0.2) if heated is None else np.maximum(temp, heated)
    face, kelvin = murray(true_temp), true_temp + 273.15
    pull = (kelvin / 298.15) ** 1.8 * np.maximum(face - vapour, 0) / (461.5 * kelvin) * 3.6e6  # mL/h for each m³/s
    conductance = full / (24 * pull.mean() * random.uniform(habits.fastest_days, habits.slowest_days))
    own = random.random() < habits.own_share
    tube = Tube(f"L{number:04d}", rack, bore, round(chamber), round(full, 1), "cotton", heated, own, 1 / conductance,
                float(random.uniform(6, 12)))  # fmt: skip
    tube.true_temp = true_temp
    months = np.arange(len(temp)) / (24 * 30)
    drift = np.interp(months, np.arange(len(temp) // 720 + 2), np.cumsum(random.standard_normal(len(temp) // 720 + 2)))
    tube.loss = conductance * pull * np.exp(habits.drift_ln_sd * (drift - drift[0]))
    _keep(random, tube, habits)
    if own:
        path_mm = 2.5e-5 * math.pi / 4 * bore**2 / conductance / 1000
        wetness = max(0.25, 1 - tube.distance_mm / path_mm)
        inside = vapour + wetness * np.maximum(tube.wet * face - vapour, 0)
        tube.probe_temp, tube.probe_rh = _seen(random, true_temp, 100 * inside / face)
    return tube


def _keep(random, tube, habits):
    hours, full = len(tube.loss), tube.reservoir_ml
    tube.water, tube.wet = np.zeros(hours), np.ones(hours)
    at = int(random.uniform(0, 30) * 24)
    while at < hours:
        aimed = full * random.uniform(0.85, 1.0)
        poured = aimed * math.exp(habits.volume_ln_sd * random.standard_normal())
        wrong = random.random() < habits.wrong_volume
        if not tube.fill_hours or random.random() >= habits.forgotten:
            tube.entries.append((at, "fill", round(aimed * (random.uniform(0.6, 1.4) if wrong else 1.0), 1)))
        tube.fill_hours.append(at)
        at = _cycle(random, tube, at, poured, habits)


def _cycle(random, tube, fill_at, poured, habits):
    """One reservoir from its fill to the next; the hour of the next."""
    hours = len(tube.loss)
    left = poured - np.concatenate(([0.0], np.cumsum(tube.loss[fill_at:])))[:-1]
    tube.water[fill_at:] = np.maximum(left, 0.0)
    tube.wet[fill_at:] = np.where(left > 0, 1.0, np.clip(1.0 + left / 0.7, 0.0, 1.0) ** 0.4)
    dry = fill_at + int(np.searchsorted(-left, 0.0))
    glance = fill_at
    while True:
        glance += int(random.uniform(10, 18) * 24)
        if glance >= hours:
            if dry < hours:
                tube.dry_hours.append(dry)
            return hours
        water = tube.water[glance]
        if random.random() < 0.6:
            tube.entries.append((glance, "level", _read(random, water, habits)))
        if water <= 0.0:
            tube.dry_hours.append(dry)
            return glance + 1
        if water < 0.08 * tube.reservoir_ml and random.random() < 0.5:
            return glance + 1


def _read(random, water, habits):
    if water <= 0:
        return 0.0
    reach = habits.level_ml
    off = random.uniform(-reach, reach) if habits.level_uniform else random.normal(0, reach)
    return round(max(0.0, water + off), 1)
