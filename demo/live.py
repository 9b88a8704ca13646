"""The air of the room while it is live: each hub process computes the same room from the same state, minute by minute."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from demo.history import build_room, load_state
from demo.incidents import Script
from sensord.clock import MINUTE_MS, to_ms

Air = Callable[[datetime], tuple[float, float]]


class LiveRoom:
    """Goes on from where the history ends. Time only moves forward; an earlier instant gets the present air."""

    def __init__(self, history: Path, script: Script) -> None:
        self._nests, self._probes, _ = build_room(script)
        self._state = load_state(history)
        self._places = {name: number for number, name in enumerate(self._probes.names)}
        self._felt = self._probes.felt(self._state)

    def air(self, probe: str) -> Air:
        """What the simulated SHT31 of that name feels: an instant to (temp_c, rh_pct)."""
        number = self._places[probe]

        def air(at: datetime) -> tuple[float, float]:
            self._advance(to_ms(at))
            temp_c, rh_pct = self._felt
            return float(temp_c[number]), float(rh_pct[number])

        return air

    def _advance(self, at_ms: int) -> None:
        if at_ms - self._state.at_ms < MINUTE_MS:
            return
        while at_ms - self._state.at_ms >= MINUTE_MS:
            self._nests.step(self._state)
        self._felt = self._probes.felt(self._state)
