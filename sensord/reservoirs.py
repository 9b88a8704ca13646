"""Reads what a review needs of a nest's reservoir: journal, mass balance, and what its siblings' journals say of its kind."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import PowerSeries
from sensord.insight.exposures import Exposure, Factor
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.ledger import Event, events_of
from sensord.insight.nest_air import AirHours, nest_temp_c, power_of
from sensord.insight.story import Story
from sensord.insight.trust import COLDEST_C, WARMEST_C
from sensord.insight.water import Water, conductances, siblings_say
from sensord.insight.wetness import expected_baseline
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, Place

_LEDGER_DAYS = 400
_FOLLOWED_DAYS = 60
_EMPTY_SHARE = 0.05
_POURED = (EntryKind.FILL, EntryKind.TOP_UP)


class Reservoirs:
    """Follows reservoirs through a window. Belongs to the thread of its history and registry."""

    def __init__(self, history: History, registry: Registry) -> None:
        self._history, self._registry = history, registry

    def water(
        self, nest: Nest, window: tuple[int, int], known_ms: int, siblings: Iterable[str] = ()
    ) -> tuple[Water, list[Exposure]]:
        """What is known of the water, and the stretch at the end for which the reservoir was empty.

        Args:
            window: full hours, from and until. known_ms: entries up to then count.
        """
        from_ms, until_ms = window
        entries = self._registry.entries(nest=nest.name, until_ms=known_ms + 1)
        events = [one for one in _events(entries) if one.at_ms <= until_ms]
        days = self._by_day(nest, events, window, siblings) if events else []
        levels = tuple(
            (one.at_ms, one.amount)
            for one in entries
            if one.kind is EntryKind.LEVEL and one.amount is not None and np.isfinite(one.amount)
        )
        poured = tuple(one.at_ms for one in entries if one.kind in _POURED)
        water = Water(tuple((at_ms, share) for at_ms, share, _ in days), levels, poured)
        return water, _empty_stretch(water, days, from_ms, until_ms)

    def by_day(self, nest: Nest, from_ms: int, until_ms: int) -> list[tuple[int, float]]:
        """(instant, mL left by median) day by day, by mass balance alone; nothing where no water was ever noted."""
        window = from_ms // HOUR_MS * HOUR_MS, until_ms // HOUR_MS * HOUR_MS
        events = _events(self._registry.entries(nest=nest.name, until_ms=until_ms + 1))
        return [(at, ml) for at, _, ml in self._by_day(nest, events, window, ())] if events else []

    def _by_day(
        self, nest: Nest, events: Sequence[Event], window: tuple[int, int], siblings: Iterable[str]
    ) -> list[tuple[int, float, float]]:
        """(instant, probability of an empty reservoir, mL left by median) day by day, by mass balance alone."""
        from_ms, until_ms = window
        begin_ms = (max(events[0].at_ms, until_ms - _LEDGER_DAYS * DAY_MS) - DAY_MS) // HOUR_MS * HOUR_MS
        power = self._power(nest, begin_ms, until_ms)
        if power is None:
            return []
        story, days = Story.begin(nest, events), min(until_ms - from_ms, _FOLLOWED_DAYS * DAY_MS) // DAY_MS
        said = self._said(siblings, until_ms, power)
        if said is not None:
            story.ledger.learn_conductance(*said)
        found = []
        for at_ms in range(until_ms - days * DAY_MS, until_ms + 1, DAY_MS):
            if at_ms > story.ledger.upto_ms:
                story.advance(events, power, (), at_ms)
            belief = story.ledger.belief
            columns = belief.p.sum(axis=0)
            share = float(columns[belief.water_ml <= max(0.1, _EMPTY_SHARE * belief.full_ml)].sum())
            median = float(belief.water_ml[np.searchsorted(np.cumsum(columns), 0.5).clip(0, len(columns) - 1)])
            if at_ms >= events[0].at_ms:
                found.append((at_ms, share, median))
        return found

    def _power(self, nest: Nest, begin_ms: int, until_ms: int) -> PowerSeries | None:
        room = self._history.room_hours(nest.room, begin_ms, until_ms)
        own = _plausible(self._history.place_hours(nest.name, NEST_PLACES, begin_ms, until_ms))
        probed = own if own.measured.any() else None
        w0 = expected_baseline(Place.WET_END, None, nest.chamber_mm, nest.plug)[0]
        return power_of(nest_temp_c(probed, room, None)[0], room, probed, w0)

    def _said(self, siblings: Iterable[str], until_ms: int, power: PowerSeries) -> tuple[float, float] | None:
        """What the journals of the siblings say of the conductance of their kind."""
        wanted = set(siblings)
        journal: dict[str, list[Entry]] = defaultdict(list)
        for entry in self._registry.entries(from_ms=power.start_ms, until_ms=until_ms + 1) if wanted else ():
            if entry.nest in wanted:
                journal[entry.nest].append(entry)
        return siblings_say([conductances(_events(entries), power) for entries in journal.values()])


def _events(entries: Sequence[Entry]) -> list[Event]:
    return sorted(events_of(entries), key=lambda event: event.order)


def _empty_stretch(
    water: Water, days: Sequence[tuple[int, float, float]], from_ms: int, until_ms: int
) -> list[Exposure]:
    """From when it was more probably empty than not, at the latest from when the keeper found it so, to the end."""
    seen_h = water.seen_empty_h(until_ms)
    since_ms = until_ms - round(seen_h * HOUR_MS)
    before = [(at, share) for at, share, _ in days if at <= since_ms]
    if before and before[-1][1] >= 0.5:
        since_ms = next((at for at, share in reversed(before) if share < 0.5), from_ms)
    since_ms = max(since_ms, from_ms)
    if since_ms >= until_ms:
        return []
    left = 0.0 if seen_h else days[-1][2]
    hours = (until_ms - since_ms) / HOUR_MS
    return [Exposure(Factor.RESERVOIR_EMPTY, None, since_ms, until_ms, hours, left, 0.0, None)]


def _plausible(air: AirHours) -> AirHours:
    """Without hours in which the probe said what no nest can be."""
    wrong = (air.temp_c > WARMEST_C) | (air.temp_c < COLDEST_C)
    return AirHours(air.start_ms, np.where(wrong, np.nan, air.temp_c), np.where(wrong, np.nan, air.vapour_pa))
