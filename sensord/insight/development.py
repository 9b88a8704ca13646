"""Degree-days, and the next brood stage where a source says how many it takes. Pure; silent where there is no source.

A day is its lowest and highest temperature in °C. ``upper_c`` cuts off horizontally: warmer than it counts as it.
Definitions: Zalom et al. 1983, UC Davis leaflet 21373 as cited by the UC IPM methods page; sine: Allen 1976, Environ.
Entomol. 5:388-396.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from sensord.errors import InputError


@dataclass(frozen=True, slots=True)
class Development:
    """What it takes a species: degree-days above a threshold from one stage to another, and who says so."""

    species: str
    from_stage: str
    to_stage: str
    degree_days: float
    threshold_c: float
    source: str


# Only what a publication gives. Keepers add their own with a source of their own.
PUBLISHED = (
    Development(
        "Linepithema humile", "egg", "adult", 445.4, 15.9, "Hartley & Lester 2003 (from memory, not seen in print)"
    ),
)


def simple_average(low_c: float, high_c: float, threshold_c: float) -> float:
    """Degree-days of the day's mean above the threshold."""
    _check(low_c, high_c, threshold_c, None)
    return max(0.0, 0.5 * (low_c + high_c) - threshold_c)


def modified_average(low_c: float, high_c: float, threshold_c: float, upper_c: float | None = None) -> float:
    """The same with the day's low raised to the threshold and its high lowered to the upper one."""
    _check(low_c, high_c, threshold_c, upper_c)
    top = math.inf if upper_c is None else upper_c
    low, high = (min(top, max(threshold_c, each)) for each in (low_c, high_c))
    return 0.5 * (low + high) - threshold_c


def single_sine(low_c: float, high_c: float, threshold_c: float, upper_c: float | None = None) -> float:
    """Area between the threshold and a sine through the day's low and high (Allen 1976)."""
    _check(low_c, high_c, threshold_c, upper_c)
    return _sine(low_c, high_c, threshold_c) - (0.0 if upper_c is None else _sine(low_c, high_c, upper_c))


def single_triangle(low_c: float, high_c: float, threshold_c: float, upper_c: float | None = None) -> float:
    """Area between the threshold and straight lines through the day's low and high."""
    _check(low_c, high_c, threshold_c, upper_c)
    return _triangle(low_c, high_c, threshold_c) - (0.0 if upper_c is None else _triangle(low_c, high_c, upper_c))


def published(species: str) -> tuple[Development, ...]:
    """What is published for a species; empty for most."""
    return tuple(each for each in PUBLISHED if each.species == species)


def progress(days: Iterable[tuple[float, float]], need: Development) -> float:
    """Share of a development passed, 0 to 1, from the (low, high) of each day since it began, by single sine."""
    total = sum(single_sine(low, high, need.threshold_c) for low, high in days)
    return min(1.0, total / need.degree_days)


def _sine(low_c: float, high_c: float, threshold_c: float) -> float:
    mean, half = 0.5 * (high_c + low_c), 0.5 * (high_c - low_c)
    if low_c >= threshold_c:
        return mean - threshold_c
    if high_c <= threshold_c:
        return 0.0
    angle = math.asin((threshold_c - mean) / half)
    return ((mean - threshold_c) * (math.pi / 2 - angle) + half * math.cos(angle)) / math.pi


def _triangle(low_c: float, high_c: float, threshold_c: float) -> float:
    if low_c >= threshold_c:
        return 0.5 * (high_c + low_c) - threshold_c
    if high_c <= threshold_c:
        return 0.0
    return (high_c - threshold_c) ** 2 / (2.0 * (high_c - low_c))


def _check(low_c: float, high_c: float, threshold_c: float, upper_c: float | None) -> None:
    if low_c > high_c:
        raise InputError(f"a day from {low_c:g} to {high_c:g} °C: the low must not be above the high")
    if upper_c is not None and upper_c <= threshold_c:
        raise InputError(f"upper threshold {upper_c:g} °C: allowed is above the lower one, {threshold_c:g} °C")
