"""A room for scoring the outlook: its own physics, and things in it that the product's model does not have.

Different formulas throughout (Buck 1981 saturation, Fuller-type diffusivity, plug and chamber as resistances in series),
door openings, ants that carry water, cotton that ages, racks with warm spots, probes with bias and drift, and keepers
who glance about every fortnight, log a level in 6 of 10 glances, misjudge volumes and forget 1 fill in 10.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z


def saturation(temp_c):
    """Buck 1981, J. Appl. Meteorol. 20:1527, Pa."""
    return 611.21 * np.exp(17.502 * temp_c / (240.97 + temp_c))


@dataclass
class Tube:
    """One tube: what is told of it, what is true, and what happened."""

    name: str
    rack: int
    bore_mm: float
    chamber_mm: float
    reservoir_ml: float | None
    plug: str
    heated_c: float | None
    own_probe: bool
    resistance: float  # true, s/m³
    distance_mm: float
    true_temp: np.ndarray = field(default=None, repr=False)
    water: np.ndarray = field(default=None, repr=False)
    dry_hours: list[int] = field(default_factory=list)  # hour at which each cycle ran dry
    fill_hours: list[int] = field(default_factory=list)  # true fills, logged or not
    entries: list[tuple[int, str, float | None]] = field(default_factory=list)  # hour, kind, amount
    wet: np.ndarray = field(default=None, repr=False)  # activity of the cotton face
    probe_temp: np.ndarray = field(default=None, repr=False)
    probe_rh: np.ndarray = field(default=None, repr=False)


@dataclass
class BenchRoom:
    """The room's air by the hour, true and as its probe says."""

    hours: int
    temp: np.ndarray
    vapour: np.ndarray
    probe_temp: np.ndarray
    probe_rh: np.ndarray
    tubes: list[Tube]


def make_room(tubes: int, days: int, seed: int) -> BenchRoom:
    """A room, and what happened in it over that time."""
    random = np.random.default_rng(seed)
    hours = days * 24
    hour = np.arange(hours)
    season = np.cos(2 * np.pi * (hour / 24 - 20) / 365)
    spells = _spells(random, hours, 60.0)
    temp = 21.5 - 2.0 * season + 1.3 * np.sin(2 * np.pi * (hour - 9) / 24) + 0.9 * spells
    vapour = (1_150 - 280 * season) * np.exp(0.13 * _spells(random, hours, 90.0))
    for at in random.integers(0, hours - 3, days):  # windows and doors
        temp[at : at + 2] -= random.uniform(0.5, 3.0)
        vapour[at : at + 2] *= random.uniform(0.8, 1.1)
    vapour = np.minimum(vapour, 0.9 * saturation(temp))
    probe_temp, probe_rh = _probe(random, temp, vapour)
    racks = np.exp(0.15 * random.standard_normal(6))
    made = [_tube(random, number, racks) for number in range(tubes)]
    for tube in made:
        _live(random, tube, temp, vapour)
    return BenchRoom(hours, temp, vapour, probe_temp, probe_rh, made)


def _spells(random, hours, length):
    """Weather: a first-order process of unit spread, ``length`` hours long."""
    keep = math.exp(-1.0 / length)
    kicks = random.standard_normal(hours) * math.sqrt(1 - keep**2)
    value, out = 0.0, np.empty(hours)
    for at in range(hours):
        value = keep * value + kicks[at]
        out[at] = value
    return out


def _probe(random, temp, vapour):
    """An SHT31: bias within its data sheet, slow drift, noise, rounding."""
    hours = len(temp)
    bias_rh, drift = random.normal(0, 1.5), random.normal(0, 1.0)
    seen_temp = temp + random.normal(0, 0.15) + 0.03 * random.standard_normal(hours)
    rh = 100 * vapour / saturation(temp) + bias_rh + drift * np.arange(hours) / (365 * 24)
    rh += 0.4 * random.standard_normal(hours)
    return np.round(seen_temp, 2), np.round(np.clip(rh, 1, 100), 2)


def _tube(random, number, racks):
    rack = number % len(racks)
    bore, column = random.choice([(14.0, 75.0), (16.0, 75.0), (18.0, 70.0), (12.0, 60.0)])
    chamber = float(random.uniform(45, 80))
    plug = str(random.choice(["cotton", "cotton", "foam", "open"]))
    slack = {"cotton": random.uniform(12, 30), "foam": random.uniform(8, 25), "open": random.uniform(2, 8)}[plug]
    area = math.pi / 4 * (bore / 1000) ** 2
    diffusivity = 2.5e-5
    true = diffusivity * area / ((chamber + slack) / 1000)
    true *= racks[rack] * math.exp(random.normal(0, random.uniform(0.2, 0.35)))
    known = random.random() < 0.8
    return Tube(
        f"T{number:04d}", rack, bore, round(chamber), round(area * column * 1000, 1) if known else None, plug,
        float(random.uniform(24, 28)) if rack in (1, 4) else None, random.random() < 0.4,
        1.0 / true, float(random.uniform(8, 20)),
    )  # fmt: skip


def _live(random, tube, temp, vapour):
    """A year in the life of a tube, hour by hour."""
    hours = len(temp)
    room_temp = temp + random.normal(0, 0.4)
    heated = tube.heated_c
    tube.true_temp = room_temp if heated is None else np.maximum(room_temp, heated + 0.3 * np.sin(np.arange(hours) / 4))
    face = saturation(tube.true_temp)
    flux = np.maximum(face - vapour, 0.0) / (461.5 * (tube.true_temp + 273.15))
    flux *= 1 + 0.008 * (tube.true_temp - 20)  # diffusivity and Stefan flow with temperature
    per_hour = flux / tube.resistance * 3600 * 1000
    _keep(random, tube, per_hour)
    if tube.own_probe:
        path_mm = 2.5e-5 * math.pi / 4 * (tube.bore_mm / 1000) ** 2 * tube.resistance * 1000
        wetness = max(0.25, 1 - tube.distance_mm / path_mm)
        wetness *= 1 + 0.01 * _spells(random, hours, 30.0)
        at_probe = vapour + wetness * np.clip(tube.wet * face - vapour, 0, None)
        tube.probe_temp, tube.probe_rh = _probe(random, tube.true_temp, np.minimum(at_probe, face))


def _keep(random, tube, per_hour):
    """Water, cotton and keeper together."""
    hours = len(per_hour)
    usual = tube.reservoir_ml or math.pi / 4 * tube.bore_mm**2 * 75 / 1000
    water, cotton, ageing = 0.0, 1.0, 0.0
    capacity = random.uniform(0.4, 1.0)
    tube.water, tube.wet = np.empty(hours), np.empty(hours)
    fill_at = int(random.integers(0, 40 * 24))
    glance = fill_at + int(random.uniform(8, 20) * 24)
    dry_by = random.uniform(0, 1) < 0.5  # this keeper waits until it is empty
    begun = False
    for at in range(hours):
        if begun and at == glance:
            glance = at + int(random.uniform(9, 19) * 24)
            if random.random() < 0.6:
                seen = water + random.normal(0, 0.35) if water > 0 else 0.0
                tube.entries.append((at, "level", max(0.0, round(seen * 5) / 5)))
            if water <= 0 or (water < 0.12 * usual and not dry_by and random.random() < 0.5):
                fill_at = at + 1
        if at == fill_at:
            aimed = usual * random.uniform(0.85, 1.0)
            water = aimed * math.exp(random.normal(0, 0.05))
            said = aimed if random.random() > 0.05 else aimed * random.uniform(0.6, 1.4)
            cotton, begun, ageing = 1.0, True, random.normal(0, 0.04)
            tube.fill_hours.append(at)
            if len(tube.fill_hours) == 1 or random.random() > 0.1:
                tube.entries.append((at, "fill", round(said * 2) / 2 if random.random() > 0.05 else None))
        loss = per_hour[at] * (1 + ageing) * (1 + 0.05 * random.standard_normal()) + random.exponential(0.0002)
        if water > 0:
            water = max(0.0, water - loss)
            if water == 0.0:
                tube.dry_hours.append(at)
        elif begun:
            cotton = max(0.0, cotton - loss / capacity)
        tube.water[at] = water
        tube.wet[at] = 1.0 if water > 0 else cotton**0.35 if cotton > 0 else 0.0
