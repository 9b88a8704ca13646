"""How long colonies live: Kaplan-Meier curves with log-log intervals, and the log-rank test. Pure, without a library.

Kaplan & Meier 1958, J. Am. Stat. Assoc. 53:457-481; Greenwood's variance; intervals on the log(-log) scale, which stay
within 0 and 1; log-rank: Mantel 1966, Cancer Chemother. Rep. 50:163-170.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from sensord.errors import InputError
from sensord.insight.balance import Floats


@dataclass(frozen=True, slots=True)
class Life:
    """One colony: days it was watched, and whether it died at their end (else it was still alive)."""

    days: float
    died: bool


@dataclass(frozen=True, slots=True)
class Step:
    """The curve from ``days`` on: ``at_risk`` and ``died`` there, share surviving, and its interval."""

    days: float
    at_risk: int
    died: int
    survival: float
    low: float
    high: float


def kaplan_meier(lives: Sequence[Life], confidence: float = 0.95) -> list[Step]:
    """A step for every time at which somebody died; before the first it is 1.

    Raises:
        InputError: no lives, negative days, or a confidence not between 0 and 1.
    """
    _check(lives)
    if not 0.0 < confidence < 1.0:
        raise InputError(f"confidence = {confidence}: allowed is above 0 and below 1")
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    survival, variance, steps = 1.0, 0.0, []
    for days in sorted({life.days for life in lives if life.died}):
        at_risk = sum(life.days >= days for life in lives)
        died = sum(life.died and life.days == days for life in lives)
        survival *= 1.0 - died / at_risk
        variance += died / (at_risk * (at_risk - died)) if at_risk > died else math.inf
        steps.append(Step(days, at_risk, died, survival, *_interval(survival, variance, z)))
    return steps


def _interval(survival: float, variance: float, z: float) -> tuple[float, float]:
    if survival <= 0.0:
        return 0.0, 0.0
    half = z * math.sqrt(variance) / math.log(survival)  # of log(-log S)
    return survival ** math.exp(-half), survival ** math.exp(half)


def survival_at(steps: Sequence[Step], days: float) -> tuple[float, float, float]:
    """Share surviving at a time, and its interval; 1 before anybody died."""
    past = [step for step in steps if step.days <= days]
    return (past[-1].survival, past[-1].low, past[-1].high) if past else (1.0, 1.0, 1.0)


def median_days(steps: Sequence[Step]) -> float | None:
    """When half of them had died; None where more than half lived on."""
    return next((step.days for step in steps if step.survival <= 0.5), None)


@dataclass(frozen=True, slots=True)
class LogRank:
    """Whether groups live equally long: the statistic, its degrees of freedom, and p under no difference."""

    chi2: float
    degrees: int
    p: float


def log_rank(groups: Mapping[str, Sequence[Life]]) -> LogRank:
    """The log-rank test of two groups or more.

    Raises:
        InputError: fewer than two groups, an empty one, or negative days.
    """
    if len(groups) < 2:
        raise InputError(f"log-rank of {len(groups)} group: allowed is two or more")
    for lives in groups.values():
        _check(lives)
    return of_deaths(risk_sets(groups))


def risk_sets(groups: Mapping[str, Sequence[Life]]) -> list[Death]:
    """Every time at which somebody died, with who of which group was at risk then."""
    everybody = [life for lives in groups.values() for life in lives]
    return [
        Death(
            tuple(sum(life.days >= days for life in lives) for lives in groups.values()),
            tuple(sum(life.died and life.days == days for life in lives) for lives in groups.values()),
        )
        for days in sorted({life.days for life in everybody if life.died})
    ]


@dataclass(frozen=True, slots=True)
class Death:
    """One time at which somebody died: how many of each group were at risk then, and how many of them died."""

    at_risk: tuple[int, ...]
    died: tuple[int, ...]


def expected(deaths: Sequence[Death]) -> list[float]:
    """How many of each group would have died, had the groups not differed."""
    table = [np.array(one.at_risk, float) * sum(one.died) / sum(one.at_risk) for one in deaths]
    return [float(value) for value in np.sum(table, axis=0)] if table else []


def of_deaths(deaths: Sequence[Death], scores: Sequence[float] | None = None) -> LogRank:
    """The log-rank test from its risk sets, so that somebody may be of another group at every death.

    Args:
        scores: one number a group, for a test of trend with one degree of freedom (Tarone 1975, Biometrika 62:679-682);
            None: whether the groups differ at all.
    """
    groups = len(deaths[0].at_risk) if deaths else len(scores or ())
    excess, covariance = np.zeros(groups), np.zeros((groups, groups))
    for one in deaths:
        at_risk, died = np.array(one.at_risk, float), np.array(one.died, float)
        n, d = at_risk.sum(), died.sum()
        share = at_risk / n
        excess += died - d * share
        if n > 1:
            covariance += d * (n - d) / (n - 1.0) * (np.diag(share) - np.outer(share, share))
    if scores is not None:
        weights = np.array(scores, float)
        spread = float(weights @ covariance @ weights)
        chi2 = float(weights @ excess) ** 2 / spread if spread > 0 else 0.0
        return LogRank(chi2, 1, chi2_above(chi2, 1))
    if groups < 2:
        return LogRank(0.0, 1, 1.0)
    chi2 = float(excess[:-1] @ np.linalg.pinv(covariance[:-1, :-1]) @ excess[:-1])
    return LogRank(chi2, groups - 1, chi2_above(chi2, groups - 1))


def exact_p(deaths: Sequence[Death], scores: Sequence[int]) -> float:
    """Chance that the scores of those that died add up to a sum as far from what is expected, or farther.

    At each death whoever died is taken for drawn at random from those at risk (hypergeometric), one death after another, so
    it holds for few deaths too, where chi-square does not (Thomas 1975, Comput. Biomed. Res. 8:423-446; Mehta, Patel & Gray
    1985, J. Am. Stat. Assoc. 80:969-973).

    Args:
        scores: a whole number for each group, 0 or more; 0 and 1 hold one group against another.
    """
    spread = np.ones(1)
    seen = mean = 0.0
    for one in deaths:
        spread = np.convolve(spread, _drawn(one.at_risk, sum(one.died), scores))
        seen += sum(score * died for score, died in zip(scores, one.died, strict=True))
        weighed = sum(score * number for score, number in zip(scores, one.at_risk, strict=True))
        mean += sum(one.died) * weighed / sum(one.at_risk)
    far = np.abs(np.arange(len(spread)) - mean) >= abs(seen - mean) - 1e-9
    return min(1.0, float(spread[far].sum()))


def _drawn(at_risk: Sequence[int], drawn: int, scores: Sequence[int]) -> Floats:
    """Chances of each sum of scores, when so many are drawn without putting back."""
    ways: dict[tuple[int, int], int] = {(0, 0): 1}  # how many drawn so far, and their sum
    for number, score in zip(at_risk, scores, strict=True):
        after: dict[tuple[int, int], int] = {}
        for (have, total), count in ways.items():
            for more in range(min(number, drawn - have) + 1):
                key = have + more, total + more * score
                after[key] = after.get(key, 0) + count * math.comb(number, more)
        ways = after
    everything = math.comb(sum(at_risk), drawn)
    found = np.zeros(drawn * max(scores) + 1)
    for (have, total), count in ways.items():
        if have == drawn:
            found[total] = count / everything
    return found


def chi2_above(chi2: float, degrees: int) -> float:
    """Probability of a chi-square above a value: the regularised upper incomplete gamma function Q(k/2, x/2).

    By its recurrence Q(a+1, x) = Q(a, x) + x^a e^-x / Gamma(a+1) from Q(1/2, x) = erfc(sqrt x) or Q(1, x) = e^-x
    (Abramowitz & Stegun 6.5).
    """
    x = max(0.0, chi2) / 2.0
    a, q = (1.0, math.exp(-x)) if degrees % 2 == 0 else (0.5, math.erfc(math.sqrt(x)))
    while a < degrees / 2.0:
        q += math.exp(a * math.log(x) - x - math.lgamma(a + 1.0)) if x > 0 else 0.0
        a += 1.0
    return min(1.0, q)


def _check(lives: Sequence[Life]) -> None:
    if not lives:
        raise InputError("survival of nobody: give one life at least")
    wrong = [life.days for life in lives if not life.days >= 0.0]
    if wrong:
        raise InputError(f"survival over {wrong[0]} days: allowed is 0 and above")
