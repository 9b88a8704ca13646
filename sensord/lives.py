"""Reads who lived where and how long, and what was done to them, for losses over a season and for several deaths at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import tzinfo

import numpy as np
from numpy.typing import NDArray

from sensord.clock import DAY_MS
from sensord.errors import InputError
from sensord.insight import in_common
from sensord.insight.balance import Floats
from sensord.insight.exposures import Factor, PlaceAir, beyond
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.in_common import InCommon, Marked
from sensord.insight.losses import BY, FACTORS, FORTNIGHT, Harsh, Losses, Watched, lives_of, losses_of
from sensord.keeping.colony import colonies
from sensord.keeping.registry import Registry
from sensord.model import EntryKind, Nest, Place
from sensord.reviewing import Reviewing

_WARM_DAYS = 14


class Lives:
    """Asks registry and history about many nests at once. Belongs to their thread."""

    def __init__(self, history: History, registry: Registry, reviewing: Reviewing, zone: tzinfo) -> None:
        self._history, self._registry, self._reviewing, self._zone = history, registry, reviewing, zone

    def losses(
        self, from_ms: int | None, until_ms: int, by: str = "rack", say: Callable[[str], None] = lambda _words: None
    ) -> Losses:
        """Survival by group and losses against exposure, using nothing later than ``until_ms``.

        Args:
            from_ms: None: since the first colony came. say: told what is being done.

        Raises:
            InputError: an unknown ``by``, or a time that ends before it begins.
        """
        if by not in BY:
            raise InputError(f"losses: --by {by}: allowed is {', '.join(BY)}")
        say("Reading who lived where")
        entries = self._registry.entries(until_ms=until_ms + 1)
        history = [row for row in self._registry.history() if row.since_ms is None or row.since_ms <= until_ms]
        begun = [row.since_ms for row in history if row.since_ms is not None] + [one.at_ms for one in entries]
        begin_ms = min(begun, default=until_ms) if from_ms is None else from_ms
        if begin_ms > until_ms:
            raise InputError("losses: --from is after --to: let it begin before")
        found = lives_of(colonies(history, entries, until_ms), history, entries, begin_ms, until_ms)
        return losses_of(found, by, (begin_ms, until_ms), self._harsh(found, say))

    def _harsh(self, watched: Sequence[Watched], say: Callable[[str], None]) -> dict[str, Harsh]:
        """Hours beyond the limits of every nest that was measured, over the days before deaths."""
        died = [one.until_ms for one in watched if one.died]
        if not died:
            return {}
        from_ms = (min(died) // DAY_MS - FORTNIGHT) * DAY_MS
        until_ms = (max(died) // DAY_MS + 1) * DAY_MS
        names = sorted({one.nest for one in watched})
        found = {}
        for number, name in enumerate(names):
            say(f"Reading the air of nest {number + 1} of {len(names)}")
            nest = self._registry.nest(name, until_ms) or self._registry.history(name)[0]
            air, _ = self._reviewing.air(nest, from_ms, until_ms)
            inside = [one for one in air if one.place in NEST_PLACES] or air
            if inside:
                found[name] = harsh_of(inside)
        return found

    def in_common(self, names: Sequence[str], at_ms: int) -> InCommon:
        """What these dead nests share, held against all that live at the last of their deaths.

        Raises:
            InputError: fewer than two of them died by then.
        """
        died = self._died(names, at_ms)
        if len(died) < 2:
            raise InputError(
                f"review of several: {len(died)} of {', '.join(names)} died by then; what they have in common takes two"
            )
        last_ms, first_ms = max(died.values()), min(died.values())
        span = (first_ms - in_common.DAYS_BACK * DAY_MS, first_ms + 1)
        living = self._registry.alive(last_ms) - set(died)
        marked = [self._marked(name, died.get(name, first_ms), span, died=name in died) for name in {*living, *died}]
        return in_common.in_common(marked)

    def _died(self, names: Sequence[str], at_ms: int) -> dict[str, int]:
        wanted = set(names)
        rows = self._registry.entries(kinds=(EntryKind.DIED,), until_ms=at_ms + 1)
        return {one.nest: one.at_ms for one in rows if one.nest in wanted}

    def _marked(self, name: str, end_ms: int, span: tuple[int, int], *, died: bool) -> Marked:
        history = self._registry.history(name)
        nest = self._registry.nest(name, end_ms) or history[0]
        entries = self._registry.entries(nest=name, from_ms=span[0], until_ms=span[1])
        placements = self._registry.placements(nest=name)
        traits = in_common.traits_of(
            nest, history[0].since_ms, entries, placements, span, zone=self._zone,
            above_room_c=self._above_room_c(nest, span[1]),
        )  # fmt: skip
        return Marked(name, died, traits)

    def _above_room_c(self, nest: Nest, until_ms: int) -> float | None:
        """How much warmer than its room a nest ran, by the median hour of the last fortnight."""
        from_ms = until_ms - _WARM_DAYS * DAY_MS
        own = self._history.place_hours(nest.name, (*NEST_PLACES, Place.OUTWORLD), from_ms, until_ms)
        room = self._history.room_hours(nest.room, from_ms, until_ms)
        above = own.temp_c - room.temp_c
        above = above[np.isfinite(above)]
        return float(np.median(above)) if len(above) >= 24 else None


def harsh_of(places: Sequence[PlaceAir]) -> Harsh:
    """Hours beyond the limits at any place of a nest, day by day; whole days from the first place's start."""
    days = len(places[0].temp_c) // 24
    measured = np.any([one.measured for one in places], axis=0)
    hours = {
        factor: _by_day(np.any([np.nan_to_num(beyond(one, Factor(factor))) > 0 for one in places], axis=0), days)
        for factor in FACTORS
    }
    return Harsh(places[0].start_ms, hours, _by_day(measured, days))


def _by_day(hours: NDArray[np.bool_], days: int) -> Floats:
    return np.asarray(hours[: days * 24].reshape(days, 24).sum(axis=1), float)
