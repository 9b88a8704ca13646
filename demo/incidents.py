"""What goes wrong in the room, and when. Instants are milliseconds; live ones count from the moment the room goes live."""

from __future__ import annotations

from dataclasses import dataclass

from demo.room import DIED, LIVE_FROM_MS, SICK_MAT, UNPLUGGED
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS


@dataclass(frozen=True, slots=True)
class Script:
    """The incidents.

    A reservoir that has run dry needs no entry here: the physics does it.

    Attributes:
        mat_from_ms: the live heat mat sticks on, for good. unplugged_from_ms: the live probe comes loose.
        fridge_from_ms: the compressor fails. night_mat_ms: first and last instant of the mat that killed a colony.
        died_at_ms: when the keeper found it.
    """

    mat_from_ms: int = LIVE_FROM_MS + 15 * MINUTE_MS
    unplugged_from_ms: int = LIVE_FROM_MS + 30 * MINUTE_MS
    fridge_from_ms: int = LIVE_FROM_MS + 45 * MINUTE_MS
    night_mat_ms: tuple[int, int] = (LIVE_FROM_MS - 21 * DAY_MS - 10 * HOUR_MS, LIVE_FROM_MS - 21 * DAY_MS)
    died_at_ms: int = LIVE_FROM_MS - 20 * DAY_MS

    def stuck_mats(self, at_ms: int) -> list[str]:
        """Nests whose heat mat does not switch off."""
        night_from_ms, night_until_ms = self.night_mat_ms
        found = [DIED] if night_from_ms <= at_ms < night_until_ms else []
        return [*found, SICK_MAT] if at_ms >= self.mat_from_ms else found

    def compressor_failed(self, at_ms: int) -> bool:
        """Whether the fridge has stopped cooling."""
        return at_ms >= self.fridge_from_ms

    def unplugged(self, at_ms: int) -> list[str]:
        """Nests whose probe does not answer."""
        return [UNPLUGGED] if at_ms >= self.unplugged_from_ms else []
