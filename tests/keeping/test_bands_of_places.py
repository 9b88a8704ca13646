"""Bands: where a value stands, and what holds on the ramps."""

from __future__ import annotations

import pytest

from sensord.keeping.bands import Band, State, Verdict, bands_for, state_of
from sensord.keeping.species import load_species
from sensord.model import Place, Season

BAND = Band(20.0, 26.0, 10.0, 34.0)


@pytest.mark.parametrize(
    ("value", "state", "side"),
    [
        (9.99, State.OUT, "low"), (10.0, State.DRIFT, "low"), (19.99, State.DRIFT, "low"), (20.0, State.IN_IDEAL, ""),
        (26.0, State.IN_IDEAL, ""), (26.01, State.DRIFT, "high"), (34.0, State.DRIFT, "high"), (34.01, State.OUT, "high"),
    ],
)  # fmt: skip
def test_the_edges_belong_to_the_inside(value: float, state: State, side: str) -> None:
    assert state_of(value, BAND) == Verdict(state, side)


def test_on_a_ramp_both_active_and_rest_air_are_right_and_each_number_keeps_its_source() -> None:
    species = load_species(None)["Lasius niger"]
    active = bands_for(species, Season.ACTIVE, Place.WET_END).temp_c
    rest = bands_for(species, Season.WINTER_REST, Place.WET_END).temp_c
    ramp = bands_for(species, Season.WIND_DOWN, Place.WET_END).temp_c
    assert (ramp.limit_low, ramp.limit_high) == (rest.limit_low, active.limit_high)
    assert (ramp.sources[2], ramp.sources[3]) == (rest.sources[2], active.sources[3])


def test_a_species_without_winter_rest_keeps_its_active_bands() -> None:
    species = load_species(None)["Camponotus nicobarensis"]
    assert bands_for(species, Season.WINTER_REST, Place.WET_END) == bands_for(species, Season.ACTIVE, Place.WET_END)
