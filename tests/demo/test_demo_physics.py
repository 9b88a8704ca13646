"""The invented room obeys physics: water is conserved, vapour is bounded, mats heat to first order."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo.history import build_room
from demo.incidents import Script
from demo.physics import COTTON_ML, MAT_RISE_K, NEST_TAU_S, Nests, State, activity
from demo.probing import Probes
from demo.room import (
    DRY,
    FRIDGE,
    HISTORY_FROM_MS,
    LIVE_FROM_MS,
    ROOMS,
    SEED,
    SHELVES,
    SICK_MAT,
    housings,
    hubs,
    placements,
    wiring,
)
from demo.weather import Weather
from sensord.air.moist_air import saturation_pa
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS
from sensord.keeping.species import load_species

QUIET = Script(LIVE_FROM_MS + DAY_MS * 999, LIVE_FROM_MS + DAY_MS * 999, LIVE_FROM_MS + DAY_MS * 999, (0, 0), 0)


def room_at(at_ms: int, script: Script = QUIET, water_ml: float = 5.0) -> tuple[Nests, State]:
    homes = housings()
    nests = Nests(homes, Weather(SEED), script)
    return nests, nests.start(at_ms, np.full(len(homes), water_ml))


@settings(max_examples=10, deadline=None)
@given(st.floats(0.0, 12.0), st.integers(0, 50), st.integers(1, 300))
def test_water_is_conserved(water_ml: float, day: int, minutes: int) -> None:
    """What was put in is in the reservoir, in the cotton or has evaporated; nothing is ever negative."""
    nests, state = room_at(HISTORY_FROM_MS + day * DAY_MS, water_ml=water_ml)
    for _ in range(minutes):
        nests.step(state)
    total = state.water_ml + state.cotton_ml + state.evaporated_ml
    assert np.allclose(total, water_ml + COTTON_ML, rtol=0, atol=1e-9)
    assert (state.water_ml >= 0).all()
    assert (state.cotton_ml >= 0).all()
    assert (state.evaporated_ml >= 0).all()


@settings(max_examples=10, deadline=None)
@given(st.floats(0.0, 1.0), st.integers(0, 50))
def test_vapour_at_a_probe_lies_between_face_and_room_and_never_above_saturation(share: float, day: int) -> None:
    """However wet the cotton: diffusion makes no extremes."""
    homes = housings()
    nests, state = room_at(HISTORY_FROM_MS + day * DAY_MS)
    probes = Probes(homes, nests, SEED)
    state.cotton_ml[:] = share * COTTON_ML
    temp_c, vapour_pa = probes.true_air(state)
    assert (vapour_pa > 0).all()
    assert (vapour_pa <= saturation_pa(temp_c) * (1 + 1e-12)).all()
    face_pa, around_pa = nests.face_pa(state), state.zone_pa[nests.zone]
    most = max(face_pa.max(), around_pa.max())
    assert (vapour_pa <= most * (1 + 1e-12)).all()
    assert (probes.felt(state)[1] <= 100).all()


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_drier_cotton_is_never_more_active(first: float, second: float) -> None:
    """Water activity falls with the cotton's water, from 1 to 0."""
    low, high = sorted((first, second))
    assert 0.0 <= float(activity(low)) <= float(activity(high)) <= 1.0


def test_a_stuck_mat_heats_to_first_order() -> None:
    """After one time constant 63.2 % (1 - 1/e) of the rise is there, after ten all of it."""
    script = Script(mat_from_ms=0, unplugged_from_ms=QUIET.unplugged_from_ms, fridge_from_ms=QUIET.fridge_from_ms)
    nests, state = room_at(LIVE_FROM_MS, script)
    sick = nests.names.index(SICK_MAT)
    begun_c, around_c = state.temp_c[sick], state.zone_c[0]
    for _ in range(round(NEST_TAU_S / 60)):
        nests.step(state)
    part = (state.temp_c[sick] - begun_c) / (around_c + MAT_RISE_K - begun_c)
    assert part == pytest.approx(1 - math.exp(-1), abs=0.03)  # the room itself moves by tenths of a degree
    for _ in range(round(9 * NEST_TAU_S / 60)):
        nests.step(state)
    assert state.temp_c[sick] == pytest.approx(state.zone_c[0] + MAT_RISE_K, abs=0.3)


def test_thermostats_hold_their_nests_and_the_fridge_its_cold() -> None:
    """A quiet day stays near its targets."""
    nests, state = room_at(LIVE_FROM_MS)
    targets = np.array([home.shelf.target_c or math.nan for home in housings()])
    for _ in range(DAY_MS // MINUTE_MS):
        nests.step(state)
        heated = ~np.isnan(targets)
        assert np.abs(state.temp_c[heated] - targets[heated]).max() < 1.0
        assert abs(state.zone_c[ROOMS.index(FRIDGE)] - 6.5) < 1.0


def test_a_failed_compressor_lets_the_fridge_warm_towards_the_room() -> None:
    """It passes 14 °C within three hours and never the room's own temperature."""
    nests, state = room_at(LIVE_FROM_MS, Script(QUIET.mat_from_ms, QUIET.unplugged_from_ms, LIVE_FROM_MS))
    fridge = ROOMS.index(FRIDGE)
    for _ in range(3 * HOUR_MS // MINUTE_MS):
        nests.step(state)
    assert 14.0 < state.zone_c[fridge] < state.zone_c[0]


def test_an_empty_reservoir_dries_the_cotton_and_then_the_air() -> None:
    """Without water the nest's vapour pressure sinks to the room's; its full neighbours stay wet."""
    nests, state = room_at(LIVE_FROM_MS, water_ml=1.0)
    dry = nests.names.index(DRY)
    state.water_ml[dry], state.cotton_ml[dry] = 0.0, 0.05
    wet_pa = float(nests.face_pa(state)[dry + 1])
    for _ in range(3 * DAY_MS // MINUTE_MS):
        nests.step(state)
    face_pa = nests.face_pa(state)
    assert face_pa[dry] < 0.5 * wet_pa
    assert face_pa[dry + 1] == pytest.approx(wet_pa, rel=0.1)


def test_the_same_seed_gives_the_same_room() -> None:
    """Two hubs that compute it apart agree to the last bit."""
    felt = []
    for _ in range(2):
        nests, probes, keeper = build_room(Script())
        state = nests.start(HISTORY_FROM_MS, keeper.start_ml())
        for _ in range(120):
            nests.step(state)
            keeper.visit(state)
        felt.append(np.concatenate([*probes.felt(state), state.water_ml]))
    assert (felt[0] == felt[1]).all()


def test_the_room_is_as_large_as_promised() -> None:
    """At least 48 nests of six species on three racks, two hubs, and every probe wired once."""
    homes = housings()
    assert len(homes) >= 48
    assert len({home.nest.species for home in homes}) == 6
    assert len({home.nest.rack for home in homes}) == 3
    assert len(hubs()) == 2
    seats = [(probe.hub, probe.mux, probe.channel, probe.address) for probe in wiring()]
    assert len(set(seats)) == len(seats) == len(placements())
    assert {shelf.species for shelf in SHELVES} <= set(load_species(None))
