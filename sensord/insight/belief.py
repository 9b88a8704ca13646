"""What is believed about one reservoir: a joint probability over its conductance and the water left, on a grid.

Rows are the logarithm of the conductance, columns the water. Everything that happens or is seen is one small step on
the grid: water drains at each row's own rate, a fill moves it up, a level weighs the columns. Every observation has a heavy tail, since
keepers misjudge, forget and write into the wrong line: one wrong entry must not spoil what was learned.

An empty reservoir has wet cotton before it for days yet: columns below ``EMPTY`` tell what the cotton gave since, so that
cotton seen wet is not taken for water seen behind it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sensord.insight.balance import Floats
from sensord.insight.hands import HANDS, Hand

LN_STEP = 0.03  # from row to row, 3 % of conductance
EMPTY = 16  # the column of an empty reservoir
COLUMNS = EMPTY + 160
_HEADROOM = 1.25  # the grid reaches that far above the fullest known
_PRUNE = 1e-8  # rows less likely than that can never come back

_LEVEL_WRONG, _LEVEL_WRONG_SD_ML = 0.05, 2.5
_MARKS_EDGE_ML = 0.04
_EMPTY_BELOW_ML = 0.15
_FILL_SD_ML = 0.15  # rounded when written down
_FILL_WRONG, _FILL_WRONG_LN_SD = 0.12, 0.30
_FILL_NOT_DONE = 0.03
_WEIGH_SD_G, _WEIGH_LN_SD, _WEIGH_WRONG, _WEIGH_WRONG_SD_G = 0.15, 0.06, 0.1, 4.0
_DRIFT_LN_VAR_PER_DAY = 0.008**2 / 7.0  # plug, cotton and ants change a little from week to week
_WEATHER_LN_VAR_PER_DAY = 0.05**2 / 7.0  # what the air may do from week to week where nothing measures it
_BLUR_SHARE, _MOST_BLURS = 0.3, 20  # to either neighbour at once; how often at most
_SLOP_ML2_PER_DAY = 0.01**2  # ants drink and carry water
_PLUG_PULLED_LN_SD = 0.03  # a keeper who fills pulls the plug and puts it back
_LEAK, _COTTON_WRONG = 0.02, 0.003  # water gone that no air took; a probe that sees dry cotton where it is wet
_COTTON_GIVES_ML, _COTTON_GIVES_LN_SD = 0.3, 0.9  # until a probe sees it dry: wet cotton of a tube holds 1 mL or so
_LOW_SHARE = 0.2
_UNLOGGED_LOW, _UNLOGGED_ANY = 0.12, 0.008  # fills that nobody wrote down, from one glance to the next
_FILL_MOMENTS = (0.0, 0.25, 0.5, 0.75, 1.0)


@dataclass(slots=True)
class Belief:
    """Grid ``p[row, column]``, summing to 1.

    Attributes:
        ln_first: logarithm of the first row's conductance, m³/s; full_ml: water when full; full_known: told, not guessed.
        step_ml: from column to column. p: probabilities, shape (rows, COLUMNS).
        weighed: last weighing in this cycle: grams and drying power since, or None.
        hand: how exact the keeper's entries are taken to be. ln_evidence: logarithm of how probable all that was seen is
            by this belief.
    """

    ln_first: float
    full_ml: float
    step_ml: float
    p: Floats
    full_known: bool = True
    weighed: tuple[float, float] | None = None
    hand: Hand = HANDS[0]
    ln_evidence: float = 0.0

    @classmethod
    def start(
        cls, ln_median: float, ln_sd: float, full_ml: float, *, full_known: bool = True, hand: Hand = HANDS[0]
    ) -> Belief:
        """Before anything is known: the conductance spread log-normally, any amount of water alike."""
        rows = 2 * math.ceil(min(3.2 * ln_sd, 3.0) / LN_STEP) + 1
        offset = (np.arange(rows) - rows // 2) * LN_STEP
        prior = np.exp(-0.5 * (offset / ln_sd) ** 2)
        p = np.repeat(prior[:, None] / prior.sum() / (COLUMNS - EMPTY), COLUMNS, axis=1)
        p[:, :EMPTY] = 0.0
        return cls(ln_median - rows // 2 * LN_STEP, full_ml, _step_ml(full_ml), p, full_known, hand=hand)

    @property
    def water_ml(self) -> Floats:
        """Water of each column, never negative."""
        return np.maximum(self._balance_ml, 0.0)

    @property
    def _balance_ml(self) -> Floats:
        """Water of each column, less what the cotton gave since the reservoir was empty."""
        return np.arange(-EMPTY, COLUMNS - EMPTY, dtype=np.float64) * self.step_ml

    @property
    def ln_conductance(self) -> Floats:
        """Logarithm of each row's conductance."""
        return self.ln_first + np.arange(len(self.p), dtype=np.float64) * LN_STEP

    @property
    def rows(self) -> Floats:
        """Probability of each row."""
        return np.asarray(self.p.sum(axis=1))

    def drain(self, power: float, days: float, unmeasured_days: float = 0.0) -> None:
        """Let the air take what it can in that time: ``power`` in mL per m³/s, part of it perhaps a guess."""
        columns = np.exp(self.ln_conductance) * power / self.step_ml
        part = columns - np.floor(columns)
        blurred = float(self.rows @ (part * (1.0 - part))) * self.step_ml**2  # by sharing between two columns
        self.p = drained(self.p, columns)
        self._blur_rows(_DRIFT_LN_VAR_PER_DAY * days + _WEATHER_LN_VAR_PER_DAY * unmeasured_days)
        self._blur_columns(max(0.0, _SLOP_ML2_PER_DAY * days - blurred))
        if self.weighed is not None:
            self.weighed = (self.weighed[0], self.weighed[1] + power)

    def _blur_rows(self, variance: float) -> None:
        share = variance / (2.0 * LN_STEP**2)
        passes = min(_MOST_BLURS, math.ceil(share / _BLUR_SHARE))
        for _ in range(passes):
            part = min(_BLUR_SHARE, share / passes)
            up, down = self.p[1:] * part, self.p[:-1] * part
            self.p[1:] -= up
            self.p[:-1] -= down
            self.p[:-1] += up
            self.p[1:] += down

    def _blur_columns(self, variance: float) -> None:
        """An empty reservoir stays empty; nothing else is lost."""
        share = min(_BLUR_SHARE, variance / (2.0 * self.step_ml**2))
        holding = self.p[:, EMPTY:]
        up, down = holding[:, 1:] * share, holding[:, 1:-1] * share
        holding[:, 1:] -= up
        holding[:, 1:-1] -= down
        holding[:, :-1] += up
        holding[:, 2:] += down

    def weigh_columns(self, likelihood: Floats) -> float:
        """Take in evidence about the water (one value a column, or a grid); the evidence's own probability."""
        self.p *= likelihood
        return self._normalise()

    def _normalise(self) -> float:
        evidence = float(self.p.sum())
        if not evidence > 0:  # impossible by construction: every likelihood has a floor
            raise ArithmeticError("belief vanished")
        self.p /= evidence
        self.ln_evidence += math.log(evidence)
        rows = np.flatnonzero(self.rows > _PRUNE)
        first, last = max(0, int(rows[0]) - 2), min(len(self.p), int(rows[-1]) + 3)
        self.p, self.ln_first = self.p[first:last], self.ln_first + first * LN_STEP
        return evidence

    def level(self, seen_ml: float, power: float) -> float:
        """A level the keeper read off the column, 0 when found empty.

        Args:
            seen_ml: what is left, >= 0.
            power: drying power since the entry before, mL per m³/s: a fill that nobody wrote down lies within it.

        Returns:
            How probable it is that such a fill happened in that time.
        """
        likelihood = level_likelihood(seen_ml, self.water_ml, self.hand)
        if not self._surprising(seen_ml):
            self.weigh_columns(likelihood)
            return 0.0
        refilled = self._refilled(power) * likelihood
        kept = self.p * (1.0 - self._unlogged()) * likelihood
        probability = float(refilled.sum() / (refilled.sum() + kept.sum()))
        self.p = kept + refilled
        self._normalise()
        if probability > 0.5:
            self.weighed = None
        return probability

    def refill_unlogged(self, power: float, probability: float) -> None:
        """The cotton turned wet again and nobody wrote why: filled, somewhere in that time."""
        weight = np.full_like(self.p, probability)
        self.p = self.p * (1.0 - weight) + self._refilled(power, weight)
        self._normalise()
        self.weighed = None

    def _surprising(self, seen_ml: float) -> bool:
        total = np.cumsum(self.p.sum(axis=0))
        likely_most = float(self.water_ml[np.searchsorted(total, 0.97).clip(0, COLUMNS - 1)])
        return seen_ml > likely_most + 0.5

    def _unlogged(self) -> Floats:
        low = self.water_ml < _LOW_SHARE * self.full_ml
        return np.where(low, _UNLOGGED_LOW, _UNLOGGED_ANY)

    def _refilled(self, power: float, weight: Floats | None = None) -> Floats:
        """The grid had it been filled at some moment of the time in which the air took ``power``."""
        rows = (self.p * (self._unlogged() if weight is None else weight)).sum(axis=1)
        filled = rows[:, None] * self._fill_profile(None)
        lost = np.exp(self.ln_conductance) * power / self.step_ml
        return np.asarray(sum(drained(filled, lost * share) for share in _FILL_MOMENTS) / len(_FILL_MOMENTS))

    def _fill_profile(self, amount_ml: float | None) -> Floats:
        """Water after a fill: as written with a heavy tail, or anything up to full where nothing is written."""
        water = self.water_ml
        if amount_ml is None:
            profile = _normal(water, self.full_ml, 0.12 * self.full_ml) + 0.3 * (water <= self.full_ml) / self.full_ml
        else:
            careful = _normal(water, amount_ml, self._poured_sd_ml(amount_ml))
            careless = _normal(water, amount_ml, _FILL_WRONG_LN_SD * amount_ml + _FILL_SD_ML)
            profile = (1.0 - _FILL_WRONG) * careful + _FILL_WRONG * careless
        profile[:EMPTY] = 0.0
        return np.asarray(profile / profile.sum())

    def fill(self, amount_ml: float | None) -> None:
        """Filled, now holding so many mL; None where the keeper did not say."""
        if amount_ml is not None:
            self._reach(amount_ml)
        self._weigh_low()
        self._blur_rows(_PLUG_PULLED_LN_SD**2)
        self.p = _FILL_NOT_DONE * self.p + (1.0 - _FILL_NOT_DONE) * self.rows[:, None] * self._fill_profile(amount_ml)
        self._normalise()
        self.weighed = None

    def _weigh_low(self) -> None:
        """Keepers fill what is low rather than what is full: weak evidence, worth four to one at most."""
        self.weigh_columns(0.3 + np.exp(-self.water_ml / (0.3 * self.full_ml)))

    def top_up(self, amount_ml: float | None) -> None:
        """So many mL added; None: nobody knows how many, up to full."""
        if amount_ml is None:
            self.fill(None)
            return
        self._reach(min(amount_ml, 2.0 * self.full_ml))
        water = self.water_ml
        sd = self._poured_sd_ml(amount_ml)
        rise = water[None, :] - water[:, None] - amount_ml
        move = (1.0 - _FILL_WRONG) * _normal(rise, 0.0, sd) + _FILL_WRONG * _normal(rise, 0.0, 0.3 * amount_ml + sd)
        move *= self.step_ml * np.exp(-0.5 * (np.maximum(0.0, water - 1.1 * self.full_ml) / (0.05 * self.full_ml)) ** 2)
        move[:, :EMPTY] = 0.0
        self._blur_rows(_PLUG_PULLED_LN_SD**2)
        self.p = (1.0 - _FILL_NOT_DONE) * self.p @ move + _FILL_NOT_DONE * self.p
        self._normalise()
        self.weighed = None

    def _poured_sd_ml(self, amount_ml: float) -> float:
        return math.hypot(self.hand.fill_ln_sd * amount_ml, _FILL_SD_ML)

    def _reach(self, amount_ml: float) -> None:
        """Stretch the columns when more goes in than the grid reaches."""
        if amount_ml * 1.1 <= self.water_ml[-1]:
            return
        full_ml = amount_ml
        step_ml = _step_ml(full_ml)
        distance = self._balance_ml[:, None] / step_ml - np.arange(-EMPTY, COLUMNS - EMPTY)[None, :]
        wider = self.p @ np.maximum(0.0, 1.0 - np.abs(distance))  # each column shared between the two it falls between
        self.p, self.step_ml, self.full_ml = wider, step_ml, full_ml

    def weighing(self, grams: float) -> None:
        """The nest weighed: between two weighings of one cycle, what is missing is water."""
        if self.weighed is not None and self.weighed[1] > 0:
            before_g, power = self.weighed
            expected = np.exp(self.ln_conductance) * power
            sd = np.hypot(_WEIGH_SD_G, _WEIGH_LN_SD * expected)
            missing = before_g - grams
            careless = _normal(expected, missing, _WEIGH_WRONG_SD_G)
            self.weigh_columns(
                ((1.0 - _WEIGH_WRONG) * _normal(expected, missing, sd) + _WEIGH_WRONG * careless + 1e-6)[:, None]
            )
        self.weighed = (grams, 0.0)

    def cotton(self, *, wet: bool) -> None:
        """What the probe in the tube says of the cotton: wet as long as there is water behind it, and for a while after."""
        given = np.maximum(-self._balance_ml, 1e-9) / _COTTON_GIVES_ML
        spreads = np.log(given) / _COTTON_GIVES_LN_SD
        if wet:
            self.weigh_columns(
                0.25 + 0.75 / (1.0 + np.exp(1.7 * spreads))
            )  # the logistic curve nearest to the normal one
        else:
            self.p *= 1.0 - _LEAK
            self.p[:, EMPTY] += self.rows * _LEAK / (1.0 - _LEAK)
            drying = np.where(self._balance_ml < 0, 0.3 + 0.7 * np.exp(-0.5 * spreads**2), 0.3)
            self.weigh_columns(_COTTON_WRONG + drying * np.exp(-self.water_ml / 0.25))

    def learn_rows(self, likelihood: Floats) -> None:
        """Take in evidence about the conductance, one value a row."""
        self.weigh_columns((likelihood + 1e-6 * likelihood.max())[:, None])


def _step_ml(full_ml: float) -> float:
    return full_ml * _HEADROOM / (COLUMNS - EMPTY - 1)


def drained(p: Floats, columns: Floats) -> Floats:
    """Each row moved down by its own number of columns (not whole ones); what would fall below the first stays there."""
    whole = np.minimum(np.floor(columns).astype(np.intp), COLUMNS)
    part = np.where(columns < COLUMNS, columns - whole, 0.0)[:, None]
    padded = np.concatenate((p, np.zeros((len(p), 1))), axis=1)
    source = np.minimum(np.arange(COLUMNS + 1)[None, :] + whole[:, None], COLUMNS)
    source += np.arange(len(p))[:, None] * (COLUMNS + 1)
    shifted = padded.take(source)
    moved = shifted[:, :-1] - part * (shifted[:, :-1] - shifted[:, 1:])
    moved[:, 0] += p.sum(axis=1) - moved.sum(axis=1)
    return np.maximum(moved, 0.0)


def mixed(beliefs: Sequence[Belief], weights: Floats) -> Belief:
    """One belief of several about the same reservoir, each with its weight; for looking at, not for going on with."""
    first = min(one.ln_first for one in beliefs)
    offsets = [round((one.ln_first - first) / LN_STEP) for one in beliefs]
    p = np.zeros((max(at + len(one.p) for at, one in zip(offsets, beliefs, strict=True)), COLUMNS))
    for at, one, weight in zip(offsets, beliefs, weights, strict=True):
        p[at : at + len(one.p)] += weight * one.p
    return replace(beliefs[0], ln_first=first, p=p)


def level_likelihood(seen_ml: float, water_ml: Floats, hand: Hand) -> Floats:
    """How probable it is to read that level, for each amount of water; a floor keeps a slip of the pen harmless."""
    if seen_ml <= _EMPTY_BELOW_ML:
        return np.exp(-0.5 * (np.maximum(0.0, water_ml - 0.1) / hand.level_sd_ml) ** 2) + 0.02
    careful = _normal(water_ml, seen_ml, hand.level_sd_ml)
    if hand.marks_ml is not None:
        careful = _between(water_ml - seen_ml, hand.marks_ml / 2.0)
    careless = _normal(water_ml, seen_ml, _LEVEL_WRONG_SD_ML)
    return (1.0 - _LEVEL_WRONG) * careful + _LEVEL_WRONG * careless + 1e-4


def _between(off: Floats, reach: float) -> Floats:
    """All alike up to ``reach`` on either side, with soft edges: logistic curves."""
    rising, falling = (np.tanh((off + edge) / (2.0 * _MARKS_EDGE_ML)) for edge in (reach, -reach))
    return np.asarray((rising - falling) / (4.0 * reach))


def _normal(x: Floats, mean: float | Floats, sd: float | Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - mean) / sd) ** 2) / (np.sqrt(2.0 * np.pi) * sd))
