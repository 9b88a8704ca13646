"""How drying power goes on: a level that wanders with the season, and spells of weather that come and pass.

    power of a day = level + spell,   level: a random walk,   spell: kept x yesterday's + a surprise

How long spells last and how far the level wanders is not known: several pairs are followed side by side through the days
at hand by a Kalman filter, and each counts for the future as far as it explained them. A local level with an
autoregressive component: Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989, ch. 2 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sensord.insight.balance import Floats

DAYS_USED = 90  # older days tell of another season
_KEPT, _WANDER_SD = np.array(list(product((0.45, 0.65, 0.8, 0.9), (0.014, 0.022)))).T  # the pairs, both a day
_USUAL_SD, _WORTH_DAYS = 0.07, 5  # from day to day, where too few days tell
_LEVEL_SD = 0.3  # before the first day
_STAYS = 5.0  # standard deviations: such a surprise is heating or another place rather than weather, and stays
_LEAST = 0.05  # of the usual power: no room of a keeper is saturated for weeks
_MOST_SURPRISE, _FEW = 3.0, 16


@dataclass(slots=True)
class Spells:
    """What the days so far tell, in units of their mean; arrays have one value for each pair.

    Attributes:
        usual: that mean, mL/day per m³/s. surprise_sd: of a spell, a day. level, spell: of today.
        var_level, cov, var_spell: how far both are known. ln_weights: how well each pair explained the days.
        surprises: standardised, by each pair, one row a day.
    """

    usual: float
    surprise_sd: Floats
    level: Floats
    spell: Floats
    var_level: Floats
    cov: Floats
    var_spell: Floats
    ln_weights: Floats
    surprises: list[Floats]

    @classmethod
    def told_by(cls, daily: Floats) -> Spells:
        """What the last days tell (the last ``DAYS_USED``).

        Args:
            daily: drying power, oldest first, mL/day per m³/s; at least one, none negative.
        """
        daily = daily[-DAYS_USED:]
        usual = max(float(daily.mean()), 1e-9)
        days, zeros = daily / usual, np.zeros(len(_KEPT))
        surprise_sd = _day_to_day_sd(days) * np.sqrt((1.0 + _KEPT) / 2.0)
        level, var_level = zeros + np.median(days[:7]), zeros + _LEVEL_SD**2
        found = cls(usual, surprise_sd, level, zeros, var_level, zeros, surprise_sd**2 / (1.0 - _KEPT**2), zeros, [])
        found._take(float(days[0]))
        for day in days[1:].tolist():
            found._let_pass()
            found._take(day)
        return found

    def _let_pass(self) -> None:
        self.spell, self.cov = _KEPT * self.spell, _KEPT * self.cov
        self.var_level = self.var_level + _WANDER_SD**2
        self.var_spell = _KEPT**2 * self.var_spell + self.surprise_sd**2

    def _take(self, day: float) -> None:
        off = day - self.level - self.spell
        total = self.var_level + 2.0 * self.cov + self.var_spell
        self.surprises.append(off / np.sqrt(total))
        stays = np.abs(self.surprises[-1]) > _STAYS
        self.var_level, total = self.var_level + stays * off**2, total + stays * off**2
        self.ln_weights = self.ln_weights - 0.5 * (np.log(total) + off**2 / total)
        by_level, by_spell = (self.var_level + self.cov) / total, (self.cov + self.var_spell) / total
        self.level, self.spell = self.level + by_level * off, self.spell + by_spell * off
        self.var_level = self.var_level - by_level**2 * total
        self.cov = self.cov - by_level * by_spell * total
        self.var_spell = self.var_spell - by_spell**2 * total

    def paths(self, paths: int, days: int, random: np.random.Generator) -> Floats:
        """Possible futures, shape (paths, days), mL/day per m³/s: their surprises are drawn from those that came."""
        weights = np.exp(self.ln_weights - self.ln_weights.max())
        marks = (np.arange(paths) + 0.5) / paths * weights.sum()
        pair = np.searchsorted(np.cumsum(weights), marks).clip(0, len(weights) - 1)
        level, spell = self._now(pair, random)
        wander = _centred(random.standard_normal((days, paths))) * _WANDER_SD[pair]
        came = _standardised(np.array(self.surprises)[1:, int(weights.argmax())])
        surprise = _centred(came[random.integers(0, len(came), (days, paths))]) * self.surprise_sd[pair]
        levels = level * np.exp(np.cumsum(wander, axis=0))
        found = np.empty((days, paths))
        for day in range(days):
            spell = _KEPT[pair] * spell + surprise[day]
            found[day] = np.maximum(levels[day] + spell, _LEAST)
        return self.usual * found.T

    def _now(self, pair: NDArray[np.intp], random: np.random.Generator) -> tuple[Floats, Floats]:
        """Level and spell of today as they may be."""
        level_sd = np.sqrt(self.var_level)
        together = self.cov / level_sd
        spell_sd = np.sqrt(np.maximum(self.var_spell - together**2, 0.0))
        one, other = _centred(random.standard_normal((2, len(pair))))
        level = np.maximum(self.level[pair] + level_sd[pair] * one, _LEAST)
        return level, self.spell[pair] + together[pair] * one + spell_sd[pair] * other


def _day_to_day_sd(days: Floats) -> float:
    """Of the change from one day to the next: half of the changes are smaller than 0.67 of it."""
    changes = np.abs(np.diff(days))
    seen = (np.median(changes) / 0.6745) ** 2 if len(changes) else 0.0
    return float(np.sqrt((len(changes) * seen + _WORTH_DAYS * _USUAL_SD**2) / (len(changes) + _WORTH_DAYS)))


def _standardised(surprises: Floats) -> Floats:
    """Of mean 0 and spread 1, none of them enormous; where they are few, a normal distribution's stand beside."""
    beside = np.linspace(-1.9, 1.9, max(0, _FEW - len(surprises)))
    told = np.concatenate((np.clip(surprises, -_MOST_SURPRISE, _MOST_SURPRISE), beside))
    return np.asarray((told - told.mean()) / max(float(told.std()), 0.1))


def _centred(drawn: Floats) -> Floats:
    """Less their mean on each day, so that few paths do not lean to one side."""
    return np.asarray(drawn - drawn.mean(axis=1, keepdims=True))
