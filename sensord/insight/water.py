"""Whether the reservoir was empty when a nest's air dried, or the cotton dried with water behind it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import PowerSeries
from sensord.insight.ledger import Event, Happening

FOUND_EMPTY = "the keeper found the reservoir empty"
FOUND_WATER = "the keeper read water behind the cotton while the air was dry"
POURED_IN_VAIN = "water was poured and the air stayed dry"
BY_BALANCE = "by the mass balance the reservoir was empty for days"
NOTHING_TELLS = "nothing in the journal says whether water was left"
EMPTY_ML = 0.3  # a column is read to about that
_COTTON_LASTS_MS = 10 * DAY_MS  # common practice: cotton stays wet for days after the water is gone
_COTTON_FAILS_A_DAY = (
    0.006  # a bubble, a wick off the water, a plug left out, among nests that are reviewed: common practice
)
_SURE = 0.97
_SOAKED_MS = 2 * DAY_MS  # cotton that water reaches is wet again by then
_LEAST_DAYS, _LEAST_ML = 2.0, 0.2
_LEFT_AT_FILL = 0.2  # common practice: filled when about so much of it is left
_SIBLING_LN_SD = 0.3  # tubes of one make differ by that


@dataclass(frozen=True, slots=True)
class Water:
    """The reservoir through the window.

    Attributes:
        empty_by_day: (instant, probability that it was empty then), by mass balance alone, ascending.
        levels: (instant, mL) as the keeper read it, ascending. poured: instants of fills and top-ups, ascending.
    """

    empty_by_day: tuple[tuple[int, float], ...] = ()
    levels: tuple[tuple[int, float], ...] = ()
    poured: tuple[int, ...] = ()

    def empty_when_dried(self, began_ms: int, ended_ms: int) -> tuple[float, str]:
        """How probably the reservoir was empty, given that the air over the cotton was dry from then till then, and why.

        A reading in that time decides, or water poured that changed nothing. Else the hazard of running empty in the days
        before is held against that of cotton failing with water behind it. 0 where nothing tells.
        """
        read = [ml for at, ml in self.levels if began_ms < at <= ended_ms + DAY_MS]
        if read and not EMPTY_ML < read[-1] <= 2 * EMPTY_ML:
            return (_SURE, FOUND_EMPTY) if read[-1] <= EMPTY_ML else (1.0 - _SURE, FOUND_WATER)
        if any(began_ms < at < ended_ms - _SOAKED_MS for at in self.poured):
            return 1.0 - _SURE, POURED_IN_VAIN
        if self._found_empty(began_ms):
            return _SURE, FOUND_EMPTY
        if not self.empty_by_day:
            return 0.0, NOTHING_TELLS
        before, then = self._share(began_ms - _COTTON_LASTS_MS), self._share(began_ms + DAY_MS // 2)
        ran_out = max(0.0, then - before) / max(1.0 - before, 1e-6)
        failed = _COTTON_FAILS_A_DAY * _COTTON_LASTS_MS / DAY_MS
        empty = ran_out / (ran_out + failed)
        return empty, f"by the mass balance the reservoir was then empty with a probability of {empty:.2f}"

    def _found_empty(self, began_ms: int) -> bool:
        """Whether the keeper found it empty shortly before, and poured nothing since."""
        last = max((at for at in self.poured if at <= began_ms), default=0)
        before = [ml for at, ml in self.levels if max(last, began_ms - 4 * DAY_MS) <= at <= began_ms]
        return bool(before) and before[-1] <= EMPTY_ML

    def _share(self, at_ms: int) -> float:
        if at_ms < self.empty_by_day[0][0]:
            return 0.0
        at, share = zip(*self.empty_by_day, strict=True)
        return float(np.interp(at_ms, at, share))

    def seen_empty_h(self, until_ms: int) -> float:
        """Hours since the keeper first found it empty without pouring since; 0 where not."""
        poured = max(self.poured, default=0)
        since = None
        for at, ml in self.levels:
            if at > poured:
                since = None if ml > EMPTY_ML else at if since is None else since
        return 0.0 if since is None else max(0.0, (until_ms - since) / HOUR_MS)

    def surely_empty_h(self, until_ms: int) -> float:
        """Hours for which the mass balance has had it empty, nine in ten or surer; 0 where not."""
        since = None
        for at, share in self.empty_by_day:
            since = None if share < 0.9 else at if since is None else since
        return 0.0 if since is None else max(0.0, (until_ms - since) / HOUR_MS)


def conductances(journal: Sequence[Event], power: PowerSeries) -> list[float]:
    """Logarithms of what one nest's journal says of its conductance, m³/s: water gone from one entry to the next.

    What was left when a nest was filled is seldom written; a fifth stands in for it (common practice).
    """
    found: list[float] = []
    held: float | None = None
    since_ms = 0
    for event in sorted(journal, key=lambda one: one.order):
        pours = event.kind in (Happening.FILL, Happening.TOP_UP)
        if not pours and event.kind is not Happening.LEVEL:
            continue
        left = event.amount if event.kind is Happening.LEVEL else None
        if held is not None and event.at_ms - since_ms >= _LEAST_DAYS * DAY_MS and left != 0.0:
            gone = held - left if left is not None else (1.0 - _LEFT_AT_FILL) * held
            drying = power.between(since_ms, event.at_ms)
            if gone >= _LEAST_ML and drying > 0:
                found.append(float(np.log(gone / drying)))
        held, since_ms = (event.amount if event.kind is not Happening.TOP_UP else None), event.at_ms
    return found


def siblings_say(by_sibling: Sequence[Sequence[float]]) -> tuple[float, float] | None:
    """Mean and spread of ln conductance by the medians of at least two siblings; None where fewer tell."""
    medians = np.array([np.median(one) for one in by_sibling if one])
    if len(medians) < 2:
        return None
    spread = 1.4826 * float(np.median(np.abs(medians - np.median(medians))))
    return float(np.median(medians)), float(np.hypot(max(spread, 0.1), _SIBLING_LN_SD))
