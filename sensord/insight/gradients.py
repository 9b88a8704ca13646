"""What the humidity gradient at a nest's probe says of its conductance, and how far that is to be believed in this room.

Walls leak, profiles bend, probes sit askew: how far gradients are off is learned from the tubes whose levels tell their
conductance too. Where the two disagree, the gradients of the whole room count for less.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sensord.insight.balance import Floats
from sensord.insight.belief import Belief

_LN_SD, _AS_MANY_TUBES = 0.35, 3.0  # believed of gradients beforehand, and worth so many tubes
_TOLD_LN_SD = 0.35  # a tube whose entries tell its conductance better than that shows how good its gradient is

Gradient = tuple[float, float]


def with_gradients(beliefs: Sequence[Belief], gradients: Sequence[Gradient | None]) -> list[Belief]:
    """The beliefs of all tubes, each with its gradient (ln conductance, spread) taken in, as far as it is to be believed."""
    off_sd = gradient_sd(beliefs, gradients)
    return [
        belief if told is None else _taken_in(belief, told[0], (told[1] ** 2 + off_sd**2) ** 0.5)
        for belief, told in zip(beliefs, gradients, strict=True)
    ]


def gradient_sd(beliefs: Sequence[Belief], gradients: Sequence[Gradient | None]) -> float:
    """How far gradients are off in this room beyond what each one's own spread says, in ln conductance."""
    squares, tubes = _AS_MANY_TUBES * _LN_SD**2, _AS_MANY_TUBES
    for belief, told in zip(beliefs, gradients, strict=True):
        mean, variance = _moments(belief)
        if told is not None and variance < _TOLD_LN_SD**2:
            squares += max(0.0, (told[0] - mean) ** 2 - variance - told[1] ** 2)
            tubes += 1.0
    return float((squares / tubes) ** 0.5)


def _moments(belief: Belief) -> tuple[float, float]:
    ln_conductance, rows = belief.ln_conductance, belief.rows
    mean = float(rows @ ln_conductance)
    return mean, float(rows @ (ln_conductance - mean) ** 2)


def _taken_in(belief: Belief, ln_mean: float, ln_sd: float) -> Belief:
    likelihood: Floats = 1.0 / (1.0 + ((belief.ln_conductance - ln_mean) / ln_sd) ** 2 / 4.0) ** 2.5  # t, 4 degrees
    p = belief.p * likelihood[:, None]
    return replace(belief, p=p / p.sum())
