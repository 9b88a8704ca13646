"""Reads what a review needs, through history, registry and journal, and has it weighed: the way from a nest to its review."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.errors import InputError
from sensord.insight.balance import Floats
from sensord.insight.exposures import (
    COLDEST_C,
    WARMEST_C,
    Distrust,
    Exposure,
    Factor,
    Limits,
    PlaceAir,
    trusted,
    with_cotton_limit,
)
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.ledger import Event, events_of
from sensord.insight.nest_air import AirHours, nest_temp_c, power_of
from sensord.insight.review import Case, Review, Sibling, Siblings, review_of
from sensord.insight.story import Story
from sensord.insight.verdict import Water
from sensord.insight.wetness import expected_baseline
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, Place

DEFAULT_DAYS, MOST_DAYS = 30, 3660
_LEAST_SIBLINGS = 3
_SOON_MS = 14 * DAY_MS  # a sibling that dies so soon after did not survive the same
_PLACES = (Place.WET_END, Place.DRY_END, Place.OUTWORLD)
_LEDGER_DAYS = 400
_COMPARED_H = 60 * 24  # what ended earlier than that before a death explains none
_EMPTY_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class _Window:
    from_ms: int
    until_ms: int

    @property
    def hours(self) -> int:
        return (self.until_ms - self.from_ms) // HOUR_MS


class Reviewing:
    """Reviews nests of one room. Belongs to the thread of its history and registry."""

    def __init__(self, history: History, registry: Registry, keeping: Keeping) -> None:
        self._history, self._registry, self._keeping = history, registry, keeping
        self._limits: dict[tuple[object, ...], Limits] = {}
        self._rooms: dict[tuple[str, int, int], AirHours] = {}

    def review(self, nest: str, at_ms: int, days: float = DEFAULT_DAYS, *, known_until_ms: int | None = None) -> Review:
        """The review of a nest as of an instant, using nothing later.

        The window ends with the last ``died`` entry by then, else at the instant.

        Args:
            known_until_ms: the instant up to which it is known who lived on; None: ``at_ms``.

        Raises:
            InputError: there is no such nest, or not yet. StoreError: something cannot be read.
        """
        if not 0 < days <= MOST_DAYS:
            raise InputError(f"review: --days {days:g}: allowed is above 0, up to {MOST_DAYS}")
        self._check_nest(nest, at_ms)
        entries = self._registry.entries(nest=nest, until_ms=at_ms + 1)
        died_ms = max((one.at_ms for one in entries if one.kind is EntryKind.DIED), default=None)
        end_ms = at_ms if died_ms is None else died_ms
        until_ms = -(-end_ms // HOUR_MS) * HOUR_MS if end_ms % HOUR_MS > HOUR_MS // 2 else end_ms // HOUR_MS * HOUR_MS
        window = _Window(until_ms - round(days * 24) * HOUR_MS, until_ms)
        case = self._case(nest, at_ms, (window, end_ms), died_ms, max(at_ms, known_until_ms or at_ms), entries)
        return review_of(case)

    def _check_nest(self, nest: str, at_ms: int) -> None:
        known = self._registry.history(nest)
        if not known:
            raise InputError(f"nest {nest!r}: there is no such nest; 'nestclimate export nests' lists them")
        if all(one.since_ms is not None and one.since_ms > at_ms for one in known):
            raise InputError(f"nest {nest!r}: did not stand yet at that time; choose a later --at")

    def _case(
        self, name: str, at_ms: int, ends: tuple[_Window, int], died_ms: int | None, known_ms: int,
        entries: Sequence[Entry],
    ) -> Case:  # fmt: skip
        window, end_ms = ends
        nest = self._registry.nest(name, end_ms) or self._registry.history(name)[0]
        places, notes = [], []
        for air in self._places(nest, window):
            room_pa = self._room_pa(nest.room, window)
            clean, left_out = trusted(air, room_pa)
            places.append(with_cotton_limit(clean, room_pa))
            notes += left_out
        if any(air.place in NEST_PLACES for air in places) and any(air.place is Place.OUTWORLD for air in places):
            inside = [air for air in places if air.place in NEST_PLACES]
            places = inside if any(air.measured.any() for air in inside) else places
        water, reservoir = self._water(nest, entries, window)
        stood = self._registry.history(name)[0].since_ms
        from_hour = 0 if stood is None else max(0, min(window.hours - 1, (stood - window.from_ms) // HOUR_MS))
        compared_hour = max(0, window.hours - _COMPARED_H)
        compared = _Window(window.from_ms + compared_hour * HOUR_MS, window.until_ms)
        siblings = self._siblings(nest, compared, known_ms)
        return Case(
            name, at_ms, window.from_ms, end_ms, died_ms, tuple(places), tuple(notes), siblings, water,
            tuple(reservoir), from_hour, compared_hour,
        )  # fmt: skip

    # -- air

    def air(self, nest: Nest, from_ms: int, until_ms: int) -> tuple[list[PlaceAir], dict[Place, list[Distrust]]]:
        """Trusted air of every place of a nest hour by hour under its plain limits, and what was left out; whole hours."""
        window = _Window(from_ms // HOUR_MS * HOUR_MS, until_ms // HOUR_MS * HOUR_MS)
        room_pa = self._room_pa(nest.room, window)
        found = [(air.place, *trusted(air, room_pa)) for air in self._places(nest, window)]
        return [air for _, air, _ in found], {place: notes for place, _, notes in found}

    def _places(self, nest: Nest, window: _Window) -> list[PlaceAir]:
        sat = {one.place for one in self._registry.placements(nest=nest.name)}
        found = []
        for place in _PLACES:
            if place in sat:
                roll = self._history.place_roll(nest.name, place, window.from_ms, window.until_ms)
                if np.isfinite(roll[0]).any() or np.isfinite(roll[1]).any():
                    limits = self._limits_of(nest, place, window)
                    found.append(PlaceAir(place, window.from_ms, *roll, limits))
        return found

    def _limits_of(self, nest: Nest, place: Place, window: _Window) -> Limits:
        """The limits in force hour by hour; nests of one species and one calendar share them."""
        key = (id(self._keeping.species_of(nest)), place, window.from_ms, window.hours)
        if key not in self._limits:
            table = np.empty((4, window.hours))
            hour = 0
            while hour < window.hours:
                held = self._keeping.bands_at(nest, place, window.from_ms + hour * HOUR_MS)
                last = window.hours
                if held.until_ms is not None:
                    last = min(last, max(hour + 1, -(-(held.until_ms - window.from_ms) // HOUR_MS)))
                temp_c, rh_pct = held.bands.temp_c, held.bands.rh_pct
                edges = (temp_c.limit_low, temp_c.limit_high, rh_pct.limit_low, rh_pct.limit_high)
                table[:, hour:last] = np.array(edges)[:, None]
                hour = last
            self._limits[key] = Limits(*table)
        return self._limits[key]

    def _room(self, room: str, window: _Window) -> AirHours:
        key = (room, window.from_ms, window.until_ms)
        if key not in self._rooms:
            self._rooms[key] = self._history.room_hours(room, window.from_ms, window.until_ms)
        return self._rooms[key]

    def _room_pa(self, room: str, window: _Window) -> Floats | None:
        pressure = self._room(room, window).vapour_pa
        return pressure if np.isfinite(pressure).any() else None

    # -- siblings

    def _siblings(self, nest: Nest, window: _Window, known_ms: int) -> Siblings:
        others = [one for one in self._registry.nests(window.until_ms) if one.name != nest.name]
        begun = self._registry.alive(window.from_ms) | self._registry.alive(window.until_ms)
        others = [one for one in others if one.name in begun]
        survived = self._registry.alive(window.until_ms) & self._registry.alive(
            min(known_ms, window.until_ms + _SOON_MS)
        )
        room_pa: dict[str, Floats | None] = {}
        for rule, who in (
            (lambda one: (one.room, _key(one.species), one.stage) == (nest.room, _key(nest.species), nest.stage),
             "of the same species and stage in this room"),
            (lambda one: (one.room, _key(one.species)) == (nest.room, _key(nest.species)), "of the same species in this room"),
            (lambda one: one.room == nest.room, "of any species in this room"),
            (lambda _one: True, "of any species in any room"),
        ):  # fmt: skip
            chosen = [one for one in others if rule(one)]
            found = tuple(self._sibling(one, window, one.name not in survived, room_pa) for one in chosen)
            if sum(bool(one.places) and not one.died for one in found) >= _LEAST_SIBLINGS:
                return Siblings(found, who)
        return Siblings(found, who)

    def _sibling(
        self,
        nest: Nest,
        window: _Window,
        died: bool,
        room_pa: dict[str, Floats | None],
    ) -> Sibling:
        if nest.room not in room_pa:
            room_pa[nest.room] = self._room_pa(nest.room, window)
        places = [with_cotton_limit(air, room_pa[nest.room]) for air in self._places(nest, window)]
        return Sibling(nest.name, tuple(places), died)

    # -- water

    def _water(self, nest: Nest, entries: Sequence[Entry], window: _Window) -> tuple[Water, list[Exposure]]:
        events = sorted(
            (one for one in events_of(list(entries)) if one.at_ms <= window.until_ms), key=lambda event: event.order
        )
        days = self._empty_by_day(nest, events, window) if events else []
        water = Water(tuple((at_ms, share) for at_ms, share, _ in days), _seen(entries, nest, window.until_ms))
        seen_h = water.seen_empty_h(window.until_ms)
        since_ms = window.until_ms - round(seen_h * HOUR_MS)
        if not seen_h and days and days[-1][1] >= 0.5:
            since_ms = next((at for at, share, _ in reversed(days) if share < 0.5), window.from_ms)
        from_ms = max(since_ms, window.from_ms)
        if from_ms >= window.until_ms:
            return water, []
        left = 0.0 if seen_h else days[-1][2]
        hours = (window.until_ms - from_ms) / HOUR_MS
        return water, [Exposure(Factor.RESERVOIR_EMPTY, None, from_ms, window.until_ms, hours, left, 0.0, None)]

    def water_by_day(self, nest: Nest, from_ms: int, until_ms: int) -> list[tuple[int, float]]:
        """(instant, mL left by median) day by day, by mass balance alone; nothing where no water was ever noted."""
        window = _Window(from_ms // HOUR_MS * HOUR_MS, until_ms // HOUR_MS * HOUR_MS)
        told = events_of(self._registry.entries(nest=nest.name, until_ms=until_ms + 1))
        events = sorted(told, key=lambda event: event.order)
        return [(at, ml) for at, _, ml in self._empty_by_day(nest, events, window)] if events else []

    def _empty_by_day(self, nest: Nest, events: Sequence[Event], window: _Window) -> list[tuple[int, float, float]]:
        """(instant, probability of an empty reservoir, mL left by median) day by day, by mass balance alone."""
        begin_ms = max(events[0].at_ms, window.until_ms - _LEDGER_DAYS * DAY_MS)
        begin_ms = (begin_ms - DAY_MS) // HOUR_MS * HOUR_MS
        room = self._history.room_hours(nest.room, begin_ms, window.until_ms)
        own = _plausible(self._history.place_hours(nest.name, NEST_PLACES, begin_ms, window.until_ms))
        temp_c = nest_temp_c(own if own.measured.any() else None, room, None)
        w0 = expected_baseline(Place.WET_END, None, nest.chamber_mm, nest.plug)[0]
        power = power_of(temp_c, room, own if own.measured.any() else None, w0)
        if power is None:
            return []
        story, days = Story.begin(nest, events), min(window.hours, _COMPARED_H) // 24
        found = []
        for at_ms in range(window.until_ms - days * DAY_MS, window.until_ms + 1, DAY_MS):
            if at_ms > story.ledger.upto_ms:
                story.advance(events, power, (), at_ms)
            belief = story.ledger.belief
            columns = belief.p.sum(axis=0)
            share = float(columns[belief.water_ml <= max(0.1, _EMPTY_SHARE * belief.full_ml)].sum())
            median = float(belief.water_ml[np.searchsorted(np.cumsum(columns), 0.5).clip(0, len(columns) - 1)])
            if at_ms >= events[0].at_ms:
                found.append((at_ms, share, median))
        return found


def _plausible(air: AirHours) -> AirHours:
    """Without hours in which the probe said what no nest can be."""
    wrong = (air.temp_c > WARMEST_C) | (air.temp_c < COLDEST_C)
    return AirHours(air.start_ms, np.where(wrong, np.nan, air.temp_c), np.where(wrong, np.nan, air.vapour_pa))


def _seen(entries: Sequence[Entry], nest: Nest, until_ms: int) -> tuple[tuple[int, float], ...]:
    """Water as the keeper read or poured it, up to an instant; where no amount is written, a full reservoir."""
    full = nest.reservoir_ml or 4.0
    return tuple(
        (one.at_ms, full if one.amount is None else one.amount)
        for one in entries
        if one.at_ms <= until_ms
        and (one.kind in (EntryKind.FILL, EntryKind.TOP_UP) or (one.kind is EntryKind.LEVEL and one.amount is not None))
    )


def _key(species: str) -> str:
    return " ".join(species.casefold().replace("_", " ").split())
