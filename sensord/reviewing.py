"""Reads what a review needs, through history, registry and journal, and has it weighed: the way from a nest to its review."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.errors import InputError
from sensord.insight.exposures import Distrust, Limits, PlaceAir, with_cotton_limit
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.nest_air import AirHours
from sensord.insight.review import Case, Review, Sibling, Siblings, review_of
from sensord.insight.trust import RoomAir, trusted_nest
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.model import EntryKind, Nest, Place
from sensord.reservoirs import Reservoirs

DEFAULT_DAYS, MOST_DAYS = 30, 3660
_LEAST_SIBLINGS = 3
_FEW_SIBLINGS = 16  # among few, one whose probe was moved would count too much
_SOON_MS = 14 * DAY_MS  # a sibling that dies so soon after did not survive the same
_PLACES = (Place.WET_END, Place.DRY_END, Place.OUTWORLD)
_COMPARED_H = 60 * 24  # what ended earlier than that before a death explains none
_MOST_KEPT = 32

K = TypeVar("K")
V = TypeVar("V")


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
        self._reservoirs = Reservoirs(history, registry)
        self._limits: dict[tuple[object, ...], Limits] = {}
        self._rooms: dict[tuple[str, int, int], AirHours] = {}

    def review(
        self, nest: str, at_ms: int, days: float = DEFAULT_DAYS, say: Callable[[str], None] = lambda _words: None
    ) -> Review:
        """The review of a nest as of an instant, using nothing later: who lived on is asked as of that instant too.

        The window ends with the last ``died`` entry by then, else at the instant.

        Args:
            say: told what is being done.

        Raises:
            InputError: there is no such nest, or not yet. StoreError: something cannot be read.
        """
        if not 0 < days <= MOST_DAYS:
            raise InputError(f"review: --days {days:g}: allowed is above 0, up to {MOST_DAYS}")
        self.check(nest, at_ms)
        say(f"Reading the air of {nest} and its siblings")
        entries = self._registry.entries(nest=nest, until_ms=at_ms + 1)
        died_ms = max((one.at_ms for one in entries if one.kind is EntryKind.DIED), default=None)
        end_ms = at_ms if died_ms is None else died_ms
        until_ms = -(-end_ms // HOUR_MS) * HOUR_MS if end_ms % HOUR_MS > HOUR_MS // 2 else end_ms // HOUR_MS * HOUR_MS
        if until_ms > at_ms:  # the hour is not over yet by then, and nothing later is used
            until_ms -= HOUR_MS
        window = _Window(until_ms - max(1, round(days * 24)) * HOUR_MS, until_ms)
        case = self._case(nest, at_ms, (window, end_ms), died_ms)
        say(f"Weighing what {nest} went through against {len(case.siblings.all)} siblings")
        return review_of(case)

    def check(self, nest: str, at_ms: int) -> None:
        """Whether there is such a nest by then.

        Raises:
            InputError: there is none, or not yet.
        """
        known = self._registry.history(nest)
        if not known:
            raise InputError(f"nest {nest!r}: there is no such nest; 'nestclimate export nests' lists them")
        if all(one.since_ms is not None and one.since_ms > at_ms for one in known):
            raise InputError(f"nest {nest!r}: did not stand yet at that time; choose a later --at")

    def _case(self, name: str, at_ms: int, ends: tuple[_Window, int], died_ms: int | None) -> Case:
        window, end_ms = ends
        nest = self._registry.nest(name, end_ms) or self._registry.history(name)[0]
        places, notes = self._trusted_places(nest, window)
        stood = self._registry.history(name)[0].since_ms
        from_hour = 0 if stood is None else max(0, min(window.hours - 1, (stood - window.from_ms) // HOUR_MS))
        compared_hour = max(0, window.hours - _COMPARED_H)
        compared = _Window(window.from_ms + compared_hour * HOUR_MS, window.until_ms)
        siblings = self._siblings(nest, compared, at_ms, [air.since(compared_hour) for air in places])
        if compared_hour:
            siblings = replace(siblings, who=f"{siblings.who} and over the last {_COMPARED_H // 24} days")
        water, reservoir = self._reservoirs.water(
            nest, (window.from_ms, window.until_ms), at_ms, [one.nest for one in siblings.all]
        )
        cover = float(self._room(nest.room, window).measured[from_hour:].mean())
        return Case(
            name, at_ms, window.from_ms, end_ms, died_ms, tuple(places), tuple(notes), siblings, water,
            tuple(reservoir), from_hour, cover, compared_hour,
        )  # fmt: skip

    def _trusted_places(self, nest: Nest, window: _Window) -> tuple[list[PlaceAir], list[Distrust]]:
        """The nest's places, its outworld only where nothing else was measured, and what was left out of them."""
        places, notes = [], []
        room = self._room_air(nest.room, window)
        for clean, left_out in trusted_nest(self._places(nest, window), room):
            places.append(with_cotton_limit(clean, None if room is None else room.vapour_pa))
            notes += left_out
        inside = [air for air in places if air.place in NEST_PLACES]
        return (inside if any(air.measured.any() for air in inside) else places), notes

    # -- air

    def air(self, nest: Nest, from_ms: int, until_ms: int) -> tuple[list[PlaceAir], dict[Place, list[Distrust]]]:
        """Trusted air of every place of a nest hour by hour under its plain limits, and what was left out; whole hours."""
        window = _Window(from_ms // HOUR_MS * HOUR_MS, until_ms // HOUR_MS * HOUR_MS)
        room = self._room_air(nest.room, window)
        found = trusted_nest(self._places(nest, window), room)
        return [air for air, _ in found], {air.place: notes for air, notes in found}

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
        return _kept(self._limits, key, lambda: self._limits_by_hour(nest, place, window))

    def _limits_by_hour(self, nest: Nest, place: Place, window: _Window) -> Limits:
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
        return Limits(*table)

    def _room(self, room: str, window: _Window) -> AirHours:
        key = (room, window.from_ms, window.until_ms)
        return _kept(self._rooms, key, lambda: self._history.room_hours(*key))

    def _room_air(self, room: str, window: _Window) -> RoomAir | None:
        air = self._room(room, window)
        return RoomAir(air.temp_c, air.vapour_pa) if air.measured.any() else None

    # -- siblings

    def _siblings(self, nest: Nest, window: _Window, known_ms: int, own: Sequence[PlaceAir]) -> Siblings:
        others = [one for one in self._registry.nests(window.until_ms) if one.name != nest.name]
        begun = self._registry.alive(window.from_ms) | self._registry.alive(window.until_ms)
        others = [one for one in others if one.name in begun]
        soon_ms = min(known_ms, window.until_ms + _SOON_MS)
        survived = self._registry.alive(window.until_ms) & self._registry.alive(soon_ms) | self._registry.left(soon_ms)
        for rule, who in (
            (lambda one: (one.room, _key(one.species), one.stage) == (nest.room, _key(nest.species), nest.stage),
             "of the same species and stage in this room"),
            (lambda one: (one.room, _key(one.species)) == (nest.room, _key(nest.species)), "of the same species in this room"),
            (lambda one: one.room == nest.room, "of any species in this room"),
            (lambda _one: True, "of any species in any room"),
        ):  # fmt: skip
            chosen = [one for one in others if rule(one)]
            thorough = len(chosen) <= _FEW_SIBLINGS
            found = tuple(
                self._sibling(one, window, own, died=one.name not in survived, thorough=thorough) for one in chosen
            )
            if sum(one.probed and not one.died for one in found) >= _LEAST_SIBLINGS:
                return Siblings(found, who)
        return Siblings(found, who)

    def _sibling(self, nest: Nest, window: _Window, own: Sequence[PlaceAir], *, died: bool, thorough: bool) -> Sibling:
        room = self._room_air(nest.room, window)
        room_pa = None if room is None else room.vapour_pa
        places = [
            with_cotton_limit(air, room_pa) for air, _ in trusted_nest(self._places(nest, window), room, moves=thorough)
        ]
        if not places and room is not None and own:
            places = [_as_in_room(own[0], room)]
        return Sibling(nest.name, tuple(places), died)

    def water_by_day(self, nest: Nest, from_ms: int, until_ms: int) -> list[tuple[int, float]]:
        """(instant, mL left by median) day by day, by mass balance alone; nothing where no water was ever noted."""
        return self._reservoirs.by_day(nest, from_ms, until_ms)


def _as_in_room(own: PlaceAir, room: RoomAir) -> PlaceAir:
    """A nest without a probe: as much warmer than its room as this one usually is; its humidity is not known."""
    warmer = own.temp_c - room.temp_c
    known = warmer[np.isfinite(warmer)]
    temp_c = room.temp_c + (float(np.median(known)) if len(known) else 0.0)
    return replace(
        own, place=Place.ROOM, temp_c=temp_c, low_c=temp_c, high_c=temp_c, rh_pct=np.full(len(temp_c), np.nan)
    )


def _key(species: str) -> str:
    return " ".join(species.casefold().replace("_", " ").split())


def _kept(cache: dict[K, V], key: K, make: Callable[[], V]) -> V:
    """What is kept under a key, made where it is not; the oldest goes when it gets too much."""
    if key not in cache:
        if len(cache) >= _MOST_KEPT:
            cache.pop(next(iter(cache)))
        cache[key] = make()
    return cache[key]
