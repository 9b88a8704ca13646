"""The bands of a nest as they were in force over a window, by species, season, place and, on short windows, hour of the day."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from dashboard.nest_snapshot import BandSpan
from sensord.alarms.watch import standings_of
from sensord.clock import DAY_MS
from sensord.keeping.day_night import DayPart, bands_by
from sensord.model import Place

if TYPE_CHECKING:
    from sensord.alarms.standing import Standings
    from sensord.keeping.bands import Bands
    from sensord.keeping.keeping import Keeping
    from sensord.wiring import Room

BY_HOUR_MS = 8 * DAY_MS
"""On longer windows day and night are one band, the hull of both: nobody could see them apart."""


def spans_of(room: Room, name: str, place: Place, from_ms: int, until_ms: int) -> tuple[BandSpan, ...]:
    """One span as long as the bands stay the same; none while no colony lived there."""
    standings = standings_of(room.registry, room.keeping)
    by_hour = until_ms - from_ms <= BY_HOUR_MS
    edges = [*(row.since_ms or 0 for row in standings.nests if row.name == name), *standings.died_ms.get(name, ())]
    spans: list[BandSpan] = []
    at_ms = from_ms
    while at_ms < until_ms:
        bands, holds_ms = _held(standings, name, place, at_ms, by_hour=by_hour)
        ends = [until_ms, *(edge for edge in edges if edge > at_ms), *([] if holds_ms is None else [holds_ms])]
        end_ms = min(ends)
        if bands is not None:
            if spans and spans[-1].until_ms == at_ms and spans[-1].bands == bands:
                spans[-1] = dataclasses.replace(spans[-1], until_ms=end_ms)
            else:
                spans.append(BandSpan(at_ms, end_ms, bands))
        at_ms = end_ms
    return tuple(spans)


def _held(
    standings: Standings, name: str, place: Place, at_ms: int, *, by_hour: bool
) -> tuple[Bands | None, int | None]:
    """The bands at an instant and until when; none of a colony that is dead."""
    if standings.of_nest(name, at_ms) is None:
        return None, None
    keeping: Keeping = standings.keeping
    nest = standings.nest(name, at_ms)
    if by_hour:
        held = keeping.bands_at(nest, place, at_ms)
        return held.bands, held.until_ms
    moment = keeping.season_of(nest, at_ms)
    return bands_by(keeping.species_of(nest), moment.season, place, DayPart.CHANGE), moment.until_ms
