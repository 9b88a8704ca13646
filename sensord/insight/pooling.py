"""What tubes of one kind tell of each other: a new tube starts with what the room already taught.

Each tube's conductance, as a factor on its geometry, is modelled as the sum of effects of its plug, its bore, its rack and
where its air is measured, and a remainder of its own. A tube's prior is what all the others say, never itself.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from sensord.insight.balance import Floats

# spreads (standard deviations of the logarithm) that are tried, weighed by how well they explain the tubes at hand
_OWN_SDS = (0.1, 0.15, 0.2, 0.27, 0.35, 0.45)
_RACK_SDS = (0.03, 0.1, 0.2, 0.35)
_KIND_SD, _COMMON_SD, _BASIS_SD = 0.20, 0.60, 0.15  # common: a whole room's plugs may leak alike
_TOO_VAGUE = 0.9  # a tube that knows less than that of itself teaches nothing


@dataclass(frozen=True, slots=True)
class Learned:
    """What one tube learned by itself.

    Attributes:
        ln_factor: logarithm of conductance over geometry's; ln_sd: its spread by the evidence alone (infinite: none).
        kind, rack, basis: what it has in common with others.
        ln_prior_sd: spread by geometry alone.
    """

    ln_factor: float
    ln_sd: float
    kind: Hashable
    rack: Hashable
    basis: Hashable
    ln_prior_sd: float


def pooled_priors(tubes: Sequence[Learned]) -> tuple[Floats, Floats]:
    """Mean and spread of each tube's ``ln_factor`` by what the *other* tubes taught."""
    prior_sd = np.array([tube.ln_prior_sd for tube in tubes])
    taught = [place for place, tube in enumerate(tubes) if tube.ln_sd < _TOO_VAGUE]
    if not taught:
        return np.zeros(len(tubes)), prior_sd
    design, group = _design(tubes)
    seen = np.array([tubes[place].ln_factor for place in taught])
    variance = np.array([tubes[place].ln_sd ** 2 for place in taught])
    fits = [_Fit.of(design, group, taught, seen, variance, own, rack) for own, rack in product(_OWN_SDS, _RACK_SDS)]
    weights = np.exp(np.array([fit.ln_evidence for fit in fits]) - max(fit.ln_evidence for fit in fits))
    weights /= weights.sum()
    means, variances = np.zeros(len(tubes)), np.zeros(len(tubes))
    for weight, fit in zip(weights, fits, strict=True):
        if weight > 1e-3:
            mean, spread = fit.without_self(design, taught, seen)
            means += weight * mean
            variances += weight * (spread + mean**2)
    return means, np.sqrt(np.maximum(variances / weights[weights > 1e-3].sum() - means**2, 1e-4))


def _design(tubes: Sequence[Learned]) -> tuple[Floats, list[str]]:
    """One column an effect: common to all, each kind, each rack, each basis."""
    columns, group = [np.ones(len(tubes))], ["common"]
    for name in ("kind", "rack", "basis"):
        values = [getattr(tube, name) for tube in tubes]
        for value in dict.fromkeys(values):
            columns.append(np.array([float(one == value) for one in values]))
            group.append(name)
    return np.stack(columns, axis=1), group


@dataclass(frozen=True, slots=True)
class _Fit:
    """Posterior of the effects for one pair of spreads: ``inverse`` is their covariance, ``shift`` its right-hand side."""

    own_variance: float
    precision: Floats
    inverse: Floats
    shift: Floats
    ln_evidence: float

    @classmethod
    def of(
        cls,
        design: Floats,
        group: list[str],
        taught: list[int],
        seen: Floats,
        variance: Floats,
        own: float,
        rack: float,
    ) -> _Fit:
        spreads = {"common": _COMMON_SD, "kind": _KIND_SD, "rack": rack, "basis": _BASIS_SD}
        prior = np.diag([spreads[name] ** -2 for name in group])
        rows = design[taught]
        precision = 1.0 / (variance + own**2)
        inverse: Floats = np.linalg.inv(prior + rows.T @ (rows * precision[:, None])).astype(np.float64)
        shift = rows.T @ (precision * seen)
        sign_and_size = np.linalg.slogdet(inverse)[1] + np.linalg.slogdet(prior)[1]
        fit = float(precision @ seen**2 - shift @ inverse @ shift)
        return cls(own**2, precision, inverse, shift, 0.5 * (sign_and_size + float(np.log(precision).sum()) - fit))

    def without_self(self, design: Floats, taught: list[int], seen: Floats) -> tuple[Floats, Floats]:
        """Mean and variance for each tube, its own contribution taken out (Sherman-Morrison)."""
        mean = design @ self.inverse @ self.shift
        variance = np.einsum("ij,jk,ik->i", design, self.inverse, design)
        kept = 1.0 - self.precision * variance[taught]
        mean[taught] = (mean[taught] - variance[taught] * self.precision * seen) / kept
        variance[taught] = variance[taught] / kept
        return mean, variance + self.own_variance
