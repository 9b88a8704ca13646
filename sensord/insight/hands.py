"""How exact a keeper's hand is: several are followed side by side, and the whole room tells which one it is.

How far a level is read off the truth, and a fill written down off what went in, differs from keeper to keeper and with the scale on
the glass. Taken too wide, intervals are too wide and levels teach too little; taken too narrow, both are too bold. One
tube's few entries cannot tell, all the tubes of a station can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sensord.insight.balance import Floats

_OWN = 0.1  # share of the weights that stays with the tube's own evidence, should another keeper look after it


@dataclass(frozen=True, slots=True)
class Hand:
    """How far off a keeper's entries are.

    Attributes:
        level_sd_ml: standard deviation of a level read off the column. fill_ln_sd: of the logarithm of an amount poured.
        marks_ml: read between marks that far apart, any error up to half of that alike; None: no marks, any error may be.
    """

    level_sd_ml: float
    fill_ln_sd: float
    marks_ml: float | None = None


HANDS = (Hand(0.2, 0.06, marks_ml=0.66), Hand(0.28, 0.06), Hand(0.42, 0.06))


def hand_weights(ln_evidence: Sequence[Sequence[float]]) -> Floats:
    """How probable each hand is for each tube (rows sum to 1), by what all the tubes' entries say.

    Args:
        ln_evidence: for each tube, logarithm of how probable its history is under each hand.
    """
    own = np.array(ln_evidence, dtype=np.float64).reshape(-1, len(HANDS))
    return np.asarray((1.0 - _OWN) * _weights(own.sum(axis=0)) + _OWN * _weights(own))


def _weights(ln_weights: Floats) -> Floats:
    weights = np.exp(ln_weights - ln_weights.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))
