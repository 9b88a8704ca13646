"""The story of one reservoir: journal entries and what its cotton showed, taken in order by a belief."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from sensord.air.evaporation import tube_conductance_m3_s
from sensord.clock import DAY_MS
from sensord.errors import InputError
from sensord.insight.balance import PowerSeries, column_ml, days_of
from sensord.insight.belief import Belief, mixed
from sensord.insight.hands import HANDS, hand_weights
from sensord.model import Entry, EntryKind, Nest, NestKind

_LEAST_LN_SD = 0.8  # geometry is trusted no further: plugs, walls, leaks and the probe's bias are in it too
_FORMICARIUM_LN_SD = 0.9
_ABSURD = 1.6  # times full: a slip of the pen, not an amount
_LONGEST_STEP_DAYS = 30.0


class Happening(StrEnum):
    """What moves a belief."""

    WEIGH = "weigh"
    LEVEL = "level"
    FILL = "fill"
    TOP_UP = "top_up"
    COTTON_WET = "cotton_wet"
    COTTON_DRY = "cotton_dry"
    COTTON_REWET = "cotton_rewet"


_ORDER = {kind: place for place, kind in enumerate(Happening)}
_FROM_JOURNAL = {kind.value for kind in (Happening.WEIGH, Happening.LEVEL, Happening.FILL, Happening.TOP_UP)}


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a reservoir; ``amount`` in mL, in g for a weighing."""

    at_ms: int
    kind: Happening
    amount: float | None = None

    @property
    def order(self) -> tuple[int, int]:
        """By time; seen before done."""
        return self.at_ms, _ORDER[self.kind]


@dataclass(frozen=True, slots=True)
class Question:
    """What only the keeper can answer, with the time it is about."""

    since_ms: int
    until_ms: int
    text: str


@dataclass(slots=True)
class Ledger:
    """All that is remembered of one reservoir up to ``upto_ms``.

    Attributes:
        beliefs: one for each hand the keeper may have.
        ln_prior, ln_prior_sd: logarithm of the conductance by geometry alone, and its spread: what the belief started from.
        power_since_entry: drying power since the last entry, mL per m³/s. fills: cycles begun, logged or noticed.
    """

    beliefs: list[Belief]
    ln_prior: float
    ln_prior_sd: float
    upto_ms: int
    entry_ms: int
    power_since_entry: float = 0.0
    filled_at_ms: int | None = None
    fills: int = 0
    questions: list[Question] = field(default_factory=list)

    @classmethod
    def begin(cls, nest: Nest, at_ms: int) -> Ledger:
        """At the first entry of a nest: geometry is all that is known."""
        ln_median, ln_sd = conductance_prior(nest)
        known = nest.reservoir_ml is not None
        beliefs = [Belief.start(ln_median, ln_sd, column_ml(nest), full_known=known, hand=hand) for hand in HANDS]
        return cls(beliefs, ln_median, ln_sd, at_ms, at_ms)

    @property
    def ln_evidence(self) -> list[float]:
        """How probable its history is under each hand."""
        return [belief.ln_evidence for belief in self.beliefs]

    @property
    def belief(self) -> Belief:
        """What is believed by this reservoir's own evidence alone."""
        return mixed(self.beliefs, hand_weights([self.ln_evidence])[0])

    @property
    def cycles_learned(self) -> int:
        """Reservoirs seen from a fill to the next."""
        return max(0, self.fills - 1)

    def advance(self, events: Iterable[Event], power: PowerSeries, until_ms: int) -> None:
        """Take in events (of after ``upto_ms``, until then included), in order, and let the rest of the time pass."""
        for event in sorted(events, key=lambda event: event.order):
            self._pass(power, event.at_ms)
            self._take(event)
        self._pass(power, until_ms)

    def learn_conductance(self, ln_mean: float, ln_sd: float) -> None:
        """Take in what something else than the journal says of the conductance (m³/s), with a heavy tail."""
        for belief in self.beliefs:
            off = (belief.ln_conductance - ln_mean) / ln_sd
            belief.learn_rows(1.0 / (1.0 + off**2 / 4.0) ** 2.5)  # Student's t with 4 degrees

    def _pass(self, power: PowerSeries, until_ms: int) -> None:
        if until_ms <= self.upto_ms:
            return
        steps = math.ceil(days_of(self.upto_ms, until_ms) / _LONGEST_STEP_DAYS)
        for end in np.linspace(self.upto_ms, until_ms, steps + 1)[1:]:
            drying = power.between(self.upto_ms, int(end))
            days, guessed = days_of(self.upto_ms, int(end)), power.unmeasured_days(self.upto_ms, int(end))
            for belief in self.beliefs:
                belief.drain(drying, days, guessed)
            self.power_since_entry += drying
            self.upto_ms = int(end)

    def _take(self, event: Event) -> None:
        match event.kind:
            case Happening.COTTON_WET | Happening.COTTON_DRY:
                for belief in self.beliefs:
                    belief.cotton(wet=event.kind is Happening.COTTON_WET)
            case Happening.COTTON_REWET:
                self._rewet(event)
            case Happening.WEIGH if event.amount is not None:
                for belief in self.beliefs:
                    belief.weighing(event.amount)
            case Happening.LEVEL if event.amount is not None:
                self._level(event, event.amount)
            case Happening.FILL | Happening.TOP_UP:
                self._poured(event)

    def _level(self, event: Event, seen_ml: float) -> None:
        if self._absurd(seen_ml):
            self._ask(event.at_ms, f"{seen_ml:g} mL do not fit: how much was left?")
            return
        refilled = [belief.level(seen_ml, self.power_since_entry) for belief in self.beliefs]
        probability = float(hand_weights([self.ln_evidence])[0] @ refilled)
        if probability > 0.5:
            self._ask(event.at_ms, f"{seen_ml:g} mL were read, more than can have been left: was it filled in between?")
            self.fills += 1
        self._entered(event.at_ms)

    def _rewet(self, event: Event) -> None:
        if self.entry_ms <= self.upto_ms:
            for belief in self.beliefs:
                belief.refill_unlogged(min(self.power_since_entry, self._a_day(event)), 0.9)
            self._ask(event.at_ms, "the cotton turned wet again: was it filled?")
            self.fills += 1

    def _a_day(self, event: Event) -> float:
        days = days_of(self.entry_ms, event.at_ms)
        return self.power_since_entry * 3.0 / max(3.0, days)

    def _poured(self, event: Event) -> None:
        amount = event.amount
        if amount is not None and self._absurd(amount):
            self._ask(event.at_ms, f"{amount:g} mL do not fit: what was the amount?")
            amount = None
        again = self.filled_at_ms is not None and event.at_ms - self.filled_at_ms < DAY_MS  # written down twice
        if event.kind is Happening.FILL:
            for belief in self.beliefs:
                belief.fill(amount)
            self.filled_at_ms = event.at_ms
        else:
            for belief in self.beliefs:
                belief.top_up(amount)
        self.fills += not again
        self._entered(event.at_ms)

    def _absurd(self, amount_ml: float) -> bool:
        """More than can be, where it was told how much can be."""
        return self.beliefs[0].full_known and amount_ml > _ABSURD * self.beliefs[0].full_ml

    def _ask(self, until_ms: int, text: str) -> None:
        self.questions = [*self.questions[-4:], Question(self.entry_ms, until_ms, text)]

    def _entered(self, at_ms: int) -> None:
        self.entry_ms, self.power_since_entry = at_ms, 0.0


def events_of(entries: Iterable[Entry]) -> list[Event]:
    """What the journal says about the water; the rest of it left out, and amounts that are no amounts."""
    return [
        Event(entry.at_ms, Happening(entry.kind.value), entry.amount)
        for entry in entries
        if entry.kind.value in _FROM_JOURNAL and not (entry.amount is not None and _senseless(entry))
    ]


def _senseless(entry: Entry) -> bool:
    assert entry.amount is not None
    pours = entry.kind in (EntryKind.FILL, EntryKind.TOP_UP)
    return not math.isfinite(entry.amount) or entry.amount < 0 or (pours and entry.amount == 0)


def conductance_prior(nest: Nest) -> tuple[float, float]:
    """Logarithm of a nest's conductance (m³/s at 25 °C) by its geometry, and its spread."""
    try:
        spread = tube_conductance_m3_s(nest.bore_mm, nest.chamber_mm, nest.plug)
    except InputError:  # a geometry that no tube has counts as unknown
        spread = tube_conductance_m3_s(None, None, nest.plug)
    least = _LEAST_LN_SD if nest.kind is NestKind.TUBE else _FORMICARIUM_LN_SD
    return math.log(spread.median), max(least, spread.ln_sd)
