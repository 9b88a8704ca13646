"""How long the water lasts: the recent days' weather goes on, its surprises resampled, and the water goes with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensord.insight.balance import Floats
from sensord.insight.belief import EMPTY, Belief
from sensord.insight.spells import Spells

HORIZON_DAYS = 365
QUANTILES = (0.1, 0.5, 0.9)
_PATHS = 48
_UNMEASURED_LN_SD_PER_ROOT_DAY = 0.035
_POINTS = 64
_SEED = 20_260_401  # fixed: the same question has the same answer


@dataclass(frozen=True, slots=True)
class Quantiles:
    """Where 10, 50 and 90 % of the probability lie below."""

    p10: float
    p50: float
    p90: float


def power_paths(recent_daily: Floats, *, measured: bool = True) -> Floats:
    """Possible futures: running sums of daily drying power, shape (paths, HORIZON_DAYS + 1), mL per m³/s.

    Args:
        recent_daily: drying power of the last days, oldest first, mL/day per m³/s; at least one.
        measured: whether anything measures the air at present; if not, it may be anything like those days.
    """
    random = np.random.default_rng(_SEED)
    if measured:
        daily = Spells.told_by(recent_daily).paths(_PATHS, HORIZON_DAYS, random)
    else:
        drift = random.standard_normal((_PATHS, HORIZON_DAYS)) * _UNMEASURED_LN_SD_PER_ROOT_DAY
        drift -= drift.mean(axis=0)
        daily = float(recent_daily.mean()) * np.exp(np.cumsum(drift, axis=1))
    return np.concatenate((np.zeros((_PATHS, 1)), np.cumsum(daily, axis=1)), axis=1)


def water_quantiles(belief: Belief) -> Quantiles:
    """Water left in mL."""
    columns = belief.p.sum(axis=0)
    weights = np.concatenate(([columns[: EMPTY + 1].sum()], columns[EMPTY + 1 :]))
    return _quantiles(belief.water_ml[EMPTY:], weights, belief.step_ml)


def days_quantiles(belief: Belief, paths: Floats) -> Quantiles:
    """Days until the reservoir is empty, 0 to 365."""
    needed = _needed(belief)
    grid = np.arange(HORIZON_DAYS + 1, dtype=np.float64)
    days = np.stack([np.interp(needed, path, grid, right=HORIZON_DAYS) for path in paths])
    return _quantiles(days.ravel(), np.full(days.size, 1.0 / days.size), 0.0)


def _needed(belief: Belief) -> Floats:
    """Drying power that empties the reservoir, as equally probable points."""
    needed = (belief.water_ml[None, :] / np.exp(belief.ln_conductance)[:, None]).ravel()
    weights = belief.p.ravel()
    counts = weights > 1e-9
    needed, weights = needed[counts], weights[counts]
    order = np.argsort(needed)
    total = np.cumsum(weights[order])
    marks = (np.arange(_POINTS) + 0.5) / _POINTS * total[-1]
    return np.asarray(needed[order][np.searchsorted(total, marks).clip(0, len(order) - 1)])


def _quantiles(values: Floats, weights: Floats, width: float) -> Quantiles:
    """Weighted quantiles; a grid's columns of some width are taken as evenly filled, but for the one at 0."""
    order = np.argsort(values)
    values, total = values[order], np.cumsum(weights[order])
    total /= total[-1]
    if not width:
        marks = values[np.searchsorted(total, QUANTILES).clip(0, len(values) - 1)]
        return Quantiles(*(float(mark) for mark in marks))
    marks = np.interp(QUANTILES, total, values + 0.5 * width, left=0.0)
    return Quantiles(*(max(0.0, float(mark)) for mark in np.where(np.array(QUANTILES) <= total[0], 0.0, marks)))
