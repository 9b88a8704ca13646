"""A second room for scoring the outlook, by other assumptions than the first: checks that nothing is tuned to one of them.

Conductances spread by 30 % about a plain geometry (Magnus saturation after Alduchov & Eskridge 1996, plain Fick
diffusion), rack effects, a rate that wanders up to 5 % from one cycle to the next, a stronger season with heating
periods, tubes of one size, keepers who glance every 12 to 16 days, log a level (0.35 mL off) in 6 of 10 glances, fill on sight of
an empty tube and some of a nearly empty one, forget 1 fill in 10 and now and then write down a wrong volume.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from bench_room import BenchRoom, Tube


@dataclass(frozen=True)
class Flaws:
    """What is imperfect, each to be taken out alone."""

    level_ml: float = 0.35
    level_uniform: bool = False  # the 0.35 mL as bounds, not as a standard deviation
    forgotten: float = 0.10
    volume_ln_sd: float = 0.06
    wrong_volume: float = 0.08
    wander_ln_sd: float = 0.03
    weather: float = 1.0
    probe: float = 1.0
    own_share: float = 0.25


def magnus(temp_c):
    """Alduchov & Eskridge 1996, J. Appl. Meteorol. 35:601, Pa."""
    return 610.94 * np.exp(17.625 * temp_c / (243.04 + temp_c))


def make_room(tubes: int, days: int, seed: int, flaws: Flaws | None = None) -> BenchRoom:
    """A room and its year."""
    flaws = flaws or Flaws()
    random = np.random.default_rng([seed, 2])
    hour = np.arange(days * 24)
    year = 2 * np.pi * (hour / 24 + random.uniform(0, 365)) / 365
    temp = 24.0 + flaws.weather * (2.5 * np.sin(year) + np.sin(2 * np.pi * hour / 24) + _walk(random, len(hour), 100))
    humidity = 48.0 + flaws.weather * (9.0 * np.sin(year + 0.3) + 6.0 * _walk(random, len(hour), 70))
    vapour = magnus(temp) * np.clip(humidity, 20, 85) / 100
    probe = _seen(random, temp, 100 * vapour / magnus(temp), flaws.probe)
    racks = np.exp(0.12 * random.standard_normal(5))
    made = [_tube(random, number, racks, temp, vapour, flaws) for number in range(tubes)]
    return BenchRoom(len(hour), temp, vapour, *probe, made)


def _walk(random, hours, length):
    kicks = random.standard_normal(hours + 5 * length)
    smooth = np.convolve(kicks, np.exp(-np.arange(5 * length) / length), "valid")[:hours]
    return smooth / math.sqrt(length / 2)


def _seen(random, temp, humidity, share):
    hours = len(temp)
    off_c, off_pct = random.uniform(-0.2, 0.2), random.uniform(-2.5, 2.5)
    noisy = humidity + share * (off_pct + 0.3 * random.standard_normal(hours))
    return np.round(temp + share * (off_c + 0.05 * random.standard_normal(hours)), 2), np.clip(noisy, 0, 100)


def _tube(random, number, racks, temp, vapour, flaws):
    rack = number % len(racks)
    bore, chamber, plug = float(random.choice([14.0, 16.0])), float(random.uniform(35, 55)), "open"
    path_m = (chamber + random.uniform(2, 8)) / 1000
    conductance = 2.4e-5 * math.pi / 4 * (bore / 1000) ** 2 / path_m * racks[rack] * math.exp(random.normal(0, 0.3))
    full = math.pi / 4 * bore**2 * random.uniform(45, 60) / 1000
    own, heated = random.random() < flaws.own_share, rack == 2
    tube = Tube(f"S{number:04d}", rack, bore, round(chamber), round(full, 1), plug, 27.0 if heated else None,
                own, 1 / conductance, float(random.uniform(10, 18)))  # fmt: skip
    tube.true_temp = np.maximum(temp, 27.0) if heated else temp + random.normal(0, 0.3)
    face = magnus(tube.true_temp)
    kelvin = tube.true_temp + 273.15
    per_hour = conductance * (kelvin / 298.15) ** 1.75 * np.maximum(face - vapour, 0) / (461.5 * kelvin) * 3.6e6
    _live(random, tube, per_hour, flaws)
    if own:
        wetness = max(0.3, 1 - tube.distance_mm / 1000 / (2.4e-5 * math.pi / 4 * (bore / 1000) ** 2 / conductance))
        inside = vapour + wetness * np.maximum(tube.wet * face - vapour, 0)
        tube.probe_temp, tube.probe_rh = _seen(random, tube.true_temp, 100 * inside / face, flaws.probe)
    return tube


def _live(random, tube, per_hour, flaws):
    hours, full = len(per_hour), tube.reservoir_ml
    tube.water, tube.wet = np.zeros(hours), np.ones(hours)
    at = int(random.uniform(0, 30) * 24)
    while at < hours:
        poured = full * random.uniform(0.88, 1.0)
        said = poured * math.exp(flaws.volume_ln_sd * random.standard_normal())
        if random.random() < flaws.wrong_volume:
            said *= random.choice([0.7, 1.35])
        if not tube.fill_hours or random.random() >= flaws.forgotten:
            tube.entries.append((at, "fill", round(said, 1)))
        tube.fill_hours.append(at)
        at = _cycle(random, tube, per_hour * math.exp(flaws.wander_ln_sd * random.standard_normal()), at, poured, flaws)


def _cycle(random, tube, loss, fill_at, poured, flaws):
    """One reservoir from its fill to the next; the hour of the next."""
    hours = len(loss)
    left = poured - np.concatenate(([0.0], np.cumsum(loss[fill_at:])))[:-1]
    tube.water[fill_at:] = np.maximum(left, 0.0)
    tube.wet[fill_at:] = np.where(left > 0, 1.0, np.clip(1.0 + left / 0.8, 0.0, 1.0) ** 0.4)
    dry = fill_at + int(np.searchsorted(-left, 0.0))
    glance = fill_at
    while True:
        glance += int(random.uniform(12, 16) * 24)
        if glance >= hours:
            if dry < hours:
                tube.dry_hours.append(dry)
            return hours
        water = tube.water[glance]
        if random.random() < 0.6:
            off = (
                random.uniform(-flaws.level_ml, flaws.level_ml)
                if flaws.level_uniform
                else random.normal(0, flaws.level_ml)
            )
            seen = max(0.0, water + off) if water > 0 else 0.0
            tube.entries.append((glance, "level", round(seen, 1)))
        if water <= 0.0:
            tube.dry_hours.append(dry)
            return glance + 1
        if water < 0.08 * tube.reservoir_ml and random.random() < 0.3:
            return glance + 1
