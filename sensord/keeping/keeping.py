"""How a room's ants are kept: which species each nest holds, with its own ranges, and what season it is there. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

from sensord.keeping.bands import Bands
from sensord.keeping.day_night import bands_by, part_of_day
from sensord.keeping.seasons import Moment, season_at
from sensord.keeping.species import Library, Species, find_species
from sensord.model import Nest, Place, Season


@dataclass(frozen=True, slots=True)
class Held:
    """The bands that hold at a place of a nest, in its season, until an instant (None: no end)."""

    season: Season
    bands: Bands
    until_ms: int | None


@dataclass(frozen=True)
class Keeping:
    """What alarms, round and dashboard know of species and seasons: the one place to ask.

    Attributes:
        library: species by name. by_colony, by_nest: species with a colony's or a nest's own ranges and seasons, where the
            keeper set some; a nest's go before its colony's, which move with the colony.
        hemisphere: ``north`` or ``south``. zone: the room's time zone.
        unused: files of the keeper's that belong to no nest or colony, one line each.
    """

    library: Library
    hemisphere: str = "north"
    zone: tzinfo = UTC
    by_nest: Mapping[str, Species] = field(default_factory=dict)
    by_colony: Mapping[str, Species] = field(default_factory=dict)
    unused: tuple[str, ...] = ()
    _named: dict[str, Species] = field(default_factory=dict, init=False, repr=False, compare=False)

    def species_of(self, nest: Nest | None) -> Species:
        """The species in a nest, with the keeper's own ranges; the wide one for any ant where nobody knows."""
        if nest is None:
            return self._species("")
        own = self.by_nest.get(nest.name) or self.by_colony.get(nest.colony)
        return own or self._species(nest.species)

    def _species(self, name: str) -> Species:
        """Found once a name: a wall of a thousand nests asks thousands of times."""
        if name not in self._named:
            self._named[name] = find_species(self.library, name)
        return self._named[name]

    def season_of(self, nest: Nest | None, at_ms: int) -> Moment:
        """The season in a nest at an instant: by hand where the keeper set one, else by the species' dates."""
        return season_at(self.species_of(nest), at_ms, hemisphere=self.hemisphere, zone=self.zone)

    def bands_at(self, nest: Nest | None, place: Place, at_ms: int) -> Held:
        """The bands at a place of a nest at an instant: by its species, season and hour of the day."""
        species, moment = self.species_of(nest), self.season_of(nest, at_ms)
        hour = part_of_day(species, at_ms, self.zone)
        ends = [each for each in (moment.until_ms, hour.until_ms) if each is not None]
        return Held(moment.season, bands_by(species, moment.season, place, hour.part), min(ends, default=None))
