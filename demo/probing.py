"""What each probe feels: vapour pressure on the line from cotton face to room, and the probe's own small error."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from demo.physics import Array, Nests, State
from demo.room import ROOMS, Housing, room_probes
from sensord.air.moist_air import saturation_pa
from sensord.clock import MINUTE_MS

NOISE_C, NOISE_PCT = 0.03, 0.12
OFFSET_C, OFFSET_PCT = 0.08, 0.8  # inside the SHT31's typical ±0.2 °C and ±2 %RH (Sensirion data sheet)


class Probes:
    """All probes of the room, in the order of ``names``."""

    def __init__(self, housings: Sequence[Housing], nests: Nests, seed: int) -> None:
        self._nests, self._seed = nests, seed
        inside = [(number, probe) for number, housing in enumerate(housings) for probe in housing.probes]
        self.names = [probe[0] for _, probe in inside] + [name for name, _ in room_probes()]
        self._nest = np.array([number for number, _ in inside])
        distance_mm = np.array([probe[2] for _, probe in inside])
        self._wetness = 1.0 - distance_mm / nests.path_mm[self._nest]
        self._room = np.array([ROOMS.index(room) for _, room in room_probes()])
        offsets = np.random.default_rng([seed, 7]).standard_normal((2, len(self.names)))
        self._offset_c, self._offset_pct = OFFSET_C * offsets[0], OFFSET_PCT * offsets[1]

    def true_air(self, state: State) -> tuple[Array, Array]:
        """(temp_c, vapour_pa) at every probe, never above saturation."""
        face_pa = self._nests.face_pa(state)[self._nest]
        around_pa = state.zone_pa[self._nests.zone[self._nest]]
        inside_pa = around_pa + (face_pa - around_pa) * self._wetness
        temp_c = np.concatenate([state.temp_c[self._nest], state.zone_c[self._room]])
        vapour_pa = np.concatenate([inside_pa, state.zone_pa[self._room]])
        return temp_c, np.minimum(vapour_pa, saturation_pa(temp_c))

    def felt(self, state: State) -> tuple[Array, Array]:
        """(temp_c, rh_pct) as each probe feels it; the same for the same minute whoever asks."""
        temp_c, vapour_pa = self.true_air(state)
        noise = np.random.default_rng([self._seed, state.at_ms // MINUTE_MS]).standard_normal((2, len(self.names)))
        rh_pct = 100.0 * vapour_pa / saturation_pa(temp_c) + self._offset_pct + NOISE_PCT * noise[1]
        return temp_c + self._offset_c + NOISE_C * noise[0], np.clip(rh_pct, 0.0, 100.0)
