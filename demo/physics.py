"""Heat and water in every nest, minute by minute: a heat mat of first order, a wet cotton face, diffusion to the room.

Water is conserved: what was put in equals reservoir + cotton + what evaporated. The cotton draws on the reservoir while
there is any; after that it dries, and its water activity falls once the pores empty (the falling-rate period).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from demo.incidents import Script
from demo.room import COOL, FRIDGE, ROOMS, WARM, Housing
from demo.weather import Weather
from sensord.air.evaporation import WATER_KG_M3, diffusivity_m2_s, evaporation_kg_s
from sensord.air.moist_air import saturation_pa
from sensord.clock import MINUTE_MS

Array = npt.NDArray[np.float64]

COTTON_ML = 0.6
FALLING_BELOW = 0.25  # share of its water below which the face is no longer wet
NEST_TAU_S = 2_400.0
MAT_RISE_K = 20.0  # a mat that never switches off
THERMOSTAT_K = 0.4
COMPRESSOR_OFF_TAU_S = 9_000.0
ZONE_TARGET_C = {FRIDGE: 6.5, COOL: 13.0}
ZONE_RH_PCT = 68.0


@dataclass(slots=True)
class State:
    """What the room remembers from minute to minute; arrays by nest, but ``zone_c`` by room."""

    at_ms: int
    temp_c: Array
    mat_on: npt.NDArray[np.bool_]
    water_ml: Array
    cotton_ml: Array
    evaporated_ml: Array
    zone_c: Array
    zone_pa: Array


def activity(cotton_share: Any) -> Any:
    """Water activity of the cotton face when it holds that share of its water: 1 while wet, then falling to 0."""
    gap = np.clip(1.0 - np.asarray(cotton_share) / FALLING_BELOW, 0.0, 1.0)
    return 1.0 - gap * gap


class Nests:
    """The physics of all nests at once."""

    def __init__(self, housings: Sequence[Housing], weather: Weather, script: Script) -> None:
        self._weather, self._script = weather, script
        self.names = [housing.nest.name for housing in housings]
        self.zone = np.array([ROOMS.index(housing.nest.room) for housing in housings])
        self.path_mm = np.array([housing.path_mm for housing in housings])
        bore_m = np.array([(housing.nest.bore_mm or 0.0) / 1000.0 for housing in housings])
        self._area_per_path_m = math.pi / 4 * bore_m**2 / (self.path_mm / 1000.0)
        self._target_c = np.array([housing.shelf.target_c or -100.0 for housing in housings])
        self._nest_gain = 1.0 - math.exp(-60.0 / NEST_TAU_S)
        self._zone_gain = 1.0 - math.exp(-60.0 / COMPRESSOR_OFF_TAU_S)

    def start(self, at_ms: int, water_ml: Array) -> State:
        """All nests at the temperature they are meant to have, cotton wet."""
        zone_c = np.array(
            [self._weather.warm_room(at_ms)[0] if room == WARM else ZONE_TARGET_C[room] for room in ROOMS]
        )
        count = len(self.names)
        temp_c = np.maximum(zone_c[self.zone], self._target_c)
        full = np.full(count, COTTON_ML)
        off = np.zeros(count, dtype=bool)
        state = State(at_ms, temp_c, off, water_ml.astype(float), full, np.zeros(count), zone_c, np.zeros(len(ROOMS)))
        self._zones(state)
        return state

    def step(self, state: State) -> None:
        """One minute on."""
        state.at_ms += MINUTE_MS
        self._zones(state)
        self._heat(state)
        self._dry(state)

    def _zones(self, state: State) -> None:
        warm_c, warm_pa = self._weather.warm_room(state.at_ms)
        failed = self._script.compressor_failed(state.at_ms)
        cycle = 0.35 * math.sin(2 * math.pi * state.at_ms / (25 * MINUTE_MS))
        for number, room in enumerate(ROOMS):
            if room == WARM:
                state.zone_c[number], state.zone_pa[number] = warm_c, warm_pa
                continue
            if room == FRIDGE and failed:
                state.zone_c[number] += (warm_c - 1.0 - state.zone_c[number]) * self._zone_gain
            else:  # the compressor pulls it back within the hour
                state.zone_c[number] += (ZONE_TARGET_C[room] + cycle - state.zone_c[number]) * 0.08
            state.zone_pa[number] = float(saturation_pa(state.zone_c[number])) * ZONE_RH_PCT / 100.0

    def _heat(self, state: State) -> None:
        state.mat_on |= state.temp_c < self._target_c - THERMOSTAT_K
        state.mat_on &= state.temp_c < self._target_c + THERMOSTAT_K
        heated = state.mat_on.copy()
        for name in self._script.stuck_mats(state.at_ms):
            heated[self.names.index(name)] = True
        around_c = state.zone_c[self.zone] + MAT_RISE_K * heated
        state.temp_c += (around_c - state.temp_c) * self._nest_gain

    def _dry(self, state: State) -> None:
        conductance = diffusivity_m2_s(state.temp_c) * self._area_per_path_m
        face = activity(state.cotton_ml / COTTON_ML)
        lost_ml = (
            conductance * evaporation_kg_s(1.0, state.temp_c, face, state.zone_pa[self.zone]) * 60.0 / WATER_KG_M3 * 1e6
        )
        lost_ml = np.clip(
            lost_ml, 0.0, state.cotton_ml
        )  # dew on the cotton is left out: it is below 1 % of the balance
        state.cotton_ml -= lost_ml
        state.evaporated_ml += lost_ml
        drawn_ml = np.minimum(COTTON_ML - state.cotton_ml, state.water_ml)
        state.cotton_ml += drawn_ml
        state.water_ml -= drawn_ml

    def face_pa(self, state: State) -> Array:
        """Vapour pressure at each cotton face."""
        return np.asarray(activity(state.cotton_ml / COTTON_ML) * saturation_pa(state.temp_c))
