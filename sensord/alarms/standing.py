"""Where a probe sits at an instant, and what air is right there: placement, nest, species, season, bands. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sensord.clock import DAY_MS
from sensord.keeping.bands import Bands, bands_for
from sensord.keeping.keeping import Keeping
from sensord.model import Nest, Place, Placement, Season

FOREVER_MS = 1 << 62


@dataclass(frozen=True, slots=True)
class Standing:
    """What holds for a probe from ``from_ms`` until ``until_ms``. ``since_ms`` tells one placement from the next."""

    nest: str | None
    room: str
    rack: str
    place: Place | None
    species: str
    season: Season
    bands: Bands
    since_ms: int
    until_ms: int


@dataclass
class Standings:
    """All that is known of the room, ready to be asked.

    Attributes:
        placements, nests: with their history; a nest's later row supersedes the earlier from its ``since_ms`` on.
        died_ms: when colonies of a nest died or moved out, ascending; a later row of the nest tells of a new colony.
        keeping: their species and seasons.
    """

    placements: Sequence[Placement]
    nests: Sequence[Nest]
    keeping: Keeping
    died_ms: Mapping[str, Sequence[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._by_probe: defaultdict[str, list[Placement]] = defaultdict(list)
        for placement in sorted(self.placements, key=lambda each: each.since_ms):
            self._by_probe[placement.probe].append(placement)
        self._rows: defaultdict[str, list[Nest]] = defaultdict(list)
        for nest in sorted(self.nests, key=lambda each: each.since_ms or 0):
            self._rows[nest.name].append(nest)

    def of(self, probe: str, at_ms: int) -> Standing | None:
        """What holds for a probe at an instant; None where it stands nowhere, or its nest's colony is dead.

        A probe that was never placed is watched for silence and faults all the same: its standing has no place.
        """
        placements = self._by_probe.get(probe, [])
        if not placements:
            return self._unplaced()
        placement = next((each for each in reversed(placements) if each.holds(at_ms)), None)
        if placement is None:
            return None
        upcoming = [each.since_ms for each in placements if each.since_ms > at_ms]
        until_ms = min(placement.until_ms or FOREVER_MS, *upcoming, FOREVER_MS)
        if placement.nest is None:
            return self._room(placement, at_ms, until_ms)
        return self._nest(placement, placement.nest, at_ms, until_ms)

    def _unplaced(self) -> Standing:
        bands = bands_for(self.keeping.species_of(None), Season.ACTIVE, Place.ROOM)
        return Standing(None, "", "", None, "", Season.ACTIVE, bands, 0, FOREVER_MS)

    def _nest(self, placement: Placement, name: str, at_ms: int, until_ms: int) -> Standing | None:
        nest = self.nest(name, at_ms)
        if self._dead(name, nest, at_ms):
            return None
        held = self.keeping.bands_at(nest, placement.place, at_ms)
        until_ms = min(until_ms, held.until_ms or FOREVER_MS, self._next_change_ms(name, at_ms))
        rack, species = nest.rack if nest else "", self.keeping.species_of(nest).name
        return Standing(
            name, placement.room, rack, placement.place, species, held.season, held.bands, placement.since_ms, until_ms
        )

    def _room(self, placement: Placement, at_ms: int, until_ms: int) -> Standing:
        """A room probe is right where it is right for some nest of that room: the hull of all their bands. Where all of them
        rest, as in a fridge, so does the room."""
        found: Bands | None = None
        season = Season.WINTER_REST
        for name in self._rows:
            nest = self.nest(name, at_ms)
            if nest is None or nest.room != placement.room or self._dead(name, nest, at_ms):
                continue
            held = self.keeping.bands_at(nest, Place.ROOM, at_ms)
            until_ms = min(until_ms, held.until_ms or FOREVER_MS)
            found = held.bands if found is None else found.hull(held.bands)
            season = season if held.season == season else Season.ACTIVE
        if found is None:
            season = Season.ACTIVE
            found = bands_for(self.keeping.species_of(None), Season.ACTIVE, Place.ROOM)
        until_ms = min(until_ms, (at_ms // DAY_MS + 1) * DAY_MS)
        return Standing(None, placement.room, "", Place.ROOM, "", season, found, placement.since_ms, until_ms)

    def nest(self, name: str, at_ms: int) -> Nest | None:
        """The nest as it was at an instant; as it first was, before its first row."""
        rows = self._rows.get(name, [])
        held = [nest for nest in rows if (nest.since_ms or 0) <= at_ms]
        return held[-1] if held else (rows[0] if rows else None)

    def _next_change_ms(self, name: str, at_ms: int) -> int:
        rows = (nest.since_ms or 0 for nest in self._rows.get(name, ()))
        return min((each for each in (*rows, *self.died_ms.get(name, ())) if each > at_ms), default=FOREVER_MS)

    def _dead(self, name: str, nest: Nest | None, at_ms: int) -> bool:
        deaths = [each for each in self.died_ms.get(name, ()) if each <= at_ms]
        return bool(deaths) and (nest is None or (nest.since_ms or 0) < deaths[-1])

    def of_nest(self, name: str, at_ms: int) -> Standing | None:
        """What holds for a nest without a probe of its own: its wet end's; None where its colony is dead."""
        nest = self.nest(name, at_ms)
        if nest is None or self._dead(name, nest, at_ms):
            return None
        held = self.keeping.bands_at(nest, Place.WET_END, at_ms)
        species = self.keeping.species_of(nest).name
        until_ms = min(held.until_ms or FOREVER_MS, self._next_change_ms(name, at_ms))
        return Standing(
            name, nest.room, nest.rack, None, species, held.season, held.bands, nest.since_ms or 0, until_ms
        )
