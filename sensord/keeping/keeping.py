"""How a room's ants are kept: which species each nest holds, with its own ranges, and what season it is there. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

from sensord.keeping.seasons import Moment, season_at
from sensord.keeping.species import Library, Species, find_species
from sensord.model import Nest


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

    def species_of(self, nest: Nest | None) -> Species:
        """The species in a nest, with the keeper's own ranges; the wide one for any ant where nobody knows."""
        if nest is None:
            return find_species(self.library, "")
        own = self.by_nest.get(nest.name) or self.by_colony.get(nest.colony)
        return own or find_species(self.library, nest.species)

    def season_of(self, nest: Nest | None, at_ms: int) -> Moment:
        """The season in a nest at an instant: by hand where the keeper set one, else by the species' dates."""
        return season_at(self.species_of(nest), at_ms, hemisphere=self.hemisphere, zone=self.zone)
