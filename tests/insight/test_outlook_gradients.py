"""Gradients at the probes count as far as this room's levels bear them out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sensord.insight.belief import Belief
from sensord.insight.gradients import gradient_sd, with_gradients

LN_TRUE = math.log(8e-8)


def tube(ln_mean: float, ln_sd: float) -> Belief:
    """A reservoir of 11 mL whose conductance is known so well."""
    belief = Belief.start(ln_mean, 0.8, 11.0)
    off = (belief.ln_conductance - ln_mean) / ln_sd
    belief.learn_rows(np.exp(-0.5 * off**2))
    return belief


def mean(belief: Belief) -> float:
    return float(belief.rows @ belief.ln_conductance)


def test_where_levels_bear_gradients_out_a_new_tube_leans_on_its_own():
    """Ten tubes agree within a tenth; the eleventh has a gradient alone, and is moved most of the way to it."""
    known = [tube(LN_TRUE, 0.1)] * 10
    new = tube(LN_TRUE - 1.0, 0.8)
    told = [(LN_TRUE + off, 0.1) for off in np.linspace(-0.1, 0.1, 10)] + [(LN_TRUE, 0.1)]
    assert mean(with_gradients([*known, new], told)[-1]) == pytest.approx(LN_TRUE, abs=0.25)


def test_where_levels_contradict_gradients_nobody_leans_on_them():
    """Ten tubes lose three times what their gradients say (leaks): the eleventh's gradient moves it little."""
    known = [tube(LN_TRUE, 0.1)] * 10
    new = tube(LN_TRUE - 0.3, 0.5)
    told = [(LN_TRUE - math.log(3.0), 0.1)] * 11
    assert gradient_sd([*known, new], told) > 0.9
    assert mean(with_gradients([*known, new], told)[-1]) == pytest.approx(LN_TRUE - 0.3, abs=0.25)


def test_a_tube_without_a_probe_stays_as_it_is():
    """No gradient, no change."""
    alone = tube(LN_TRUE, 0.3)
    assert with_gradients([alone], [None])[0] is alone
