"""What air is right for a species, at a season and a place, where each number comes from, and how a value stands to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from sensord.model import Place, Season

EDGES = ("ideal_low", "ideal_high", "limit_low", "limit_high")


@dataclass(frozen=True, slots=True)
class Band:
    """An ideal range inside a limit range, in °C or %RH: ``limit_low <= ideal_low < ideal_high <= limit_high``.

    Attributes:
        sources: where each of the four numbers comes from, in their order.
    """

    ideal_low: float
    ideal_high: float
    limit_low: float
    limit_high: float
    sources: tuple[str, str, str, str] = ("", "", "", "")

    def hull(self, other: Band) -> Band:
        """The narrowest band that lets through all that either lets through."""
        low, high = _least(self, other, 0), _most(self, other, 1)
        limit_low, limit_high = _least(self, other, 2), _most(self, other, 3)
        sources = (low[1], high[1], limit_low[1], limit_high[1])
        return Band(low[0], high[0], limit_low[0], limit_high[0], sources)

    def edge(self, number: int) -> tuple[float, str]:
        """The number of ``EDGES[number]`` and its source."""
        return (self.ideal_low, self.ideal_high, self.limit_low, self.limit_high)[number], self.sources[number]


def _least(one: Band, other: Band, number: int) -> tuple[float, str]:
    return min(one.edge(number), other.edge(number), key=lambda edge: edge[0])


def _most(one: Band, other: Band, number: int) -> tuple[float, str]:
    return max(one.edge(number), other.edge(number), key=lambda edge: edge[0])


@dataclass(frozen=True, slots=True)
class Bands:
    """What is right at one place: temperature in °C and relative humidity in %."""

    temp_c: Band
    rh_pct: Band

    def hull(self, other: Bands) -> Bands:
        """The narrowest bands that let through all that either lets through."""
        return Bands(self.temp_c.hull(other.temp_c), self.rh_pct.hull(other.rh_pct))


class State(StrEnum):
    """How a value stands to its band."""

    IN_IDEAL = "in_ideal"
    DRIFT = "drift"
    OUT = "out"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Where a value stands. ``side`` is ``low`` or ``high``, empty while in the ideal range."""

    state: State
    side: str


_IDEAL = Verdict(State.IN_IDEAL, "")


def state_of(value: float, band: Band) -> Verdict:
    """Inside the ideal range, between ideal and limit, or outside the limit. The edges belong to the inside.

    A value that is not a number is nowhere: do not ask.
    """
    if value < band.limit_low:
        return Verdict(State.OUT, "low")
    if value > band.limit_high:
        return Verdict(State.OUT, "high")
    if value < band.ideal_low:
        return Verdict(State.DRIFT, "low")
    if value > band.ideal_high:
        return Verdict(State.DRIFT, "high")
    return _IDEAL


class HasBands(Protocol):
    """What ``bands_for`` needs of a species."""

    @property
    def bands(self) -> Mapping[tuple[Season, Place], Bands]:
        """Bands that its file gives."""


def bands_for(species: HasBands, season: Season, place: Place) -> Bands:
    """The bands of a species at a season and a place.

    On the ramps, ``wind_down`` and ``wake_up``, where the file gives none of their own, both active and rest air are
    right: the hull of the two.
    """
    given = species.bands.get((season, place))
    if given is not None:
        return given
    active = species.bands[Season.ACTIVE, place]
    return active.hull(species.bands.get((Season.WINTER_REST, place), active))
