"""Whether a probe can be believed: stuck, condensed, without a value, or ailing by the word of its hub. Pure; time is the
readings' own."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from sensord.alarms.tuning import Tuning
from sensord.clock import MINUTE_MS, SECOND_MS

GATE_TEMP_C = (-40.0, 80.0)
CONDENSED_RH_PCT = 99.5
SATURATED_RH_PCT = 100.0
STUCK_READINGS = 30
REPORTED_AFTER_MS = 5 * MINUTE_MS

_Values = tuple[float | None, float | None]


@dataclass(slots=True)
class Doubt:
    """What speaks against one probe, and since when; -1 ms where nothing does."""

    same: _Values = (None, None)
    same_ms: int = 0
    same_count: int = 0
    condensed_ms: int = -1
    missing_ms: int = -1
    reported: str = ""
    reported_ms: int = -1

    def note(self, at_ms: int, temp_c: float | None, rh_pct: float | None, deadband_rh_pct: float) -> bool:
        """Take note of a reading; True while the probe is in question.

        Args:
            deadband_rh_pct: so far below saturation a probe that is told as condensed is dry again; 0 while it is not told.
        """
        if rh_pct is None or rh_pct < CONDENSED_RH_PCT - deadband_rh_pct:
            self.condensed_ms = -1
        else:
            self._note_saturated(at_ms, rh_pct)
        if temp_c is None or rh_pct is None or not GATE_TEMP_C[0] <= temp_c <= GATE_TEMP_C[1] or rh_pct <= 0.0:
            self.missing_ms = at_ms if self.missing_ms < 0 else self.missing_ms
        else:
            self.missing_ms = -1
        if self.same != (temp_c, rh_pct):
            self.same, self.same_ms, self.same_count = (temp_c, rh_pct), at_ms, 0
        self.same_count += 1
        return self.same_count >= STUCK_READINGS or max(self.condensed_ms, self.missing_ms, self.reported_ms) >= 0

    def _note_saturated(self, at_ms: int, rh_pct: float) -> None:
        """Since when water may stand on it.

        Of saturated air the hub says so after a quarter of an hour already, wherever the probe sits: what it says counts
        from the last such reading on.
        """
        if self.condensed_ms < 0 and rh_pct < CONDENSED_RH_PCT:
            return
        self.condensed_ms = at_ms if self.condensed_ms < 0 else self.condensed_ms
        if self.reported_ms >= 0:
            self.reported_ms = at_ms

    def fault_s(self, at_ms: int, tuning: Tuning, silence_ms: int, *, saturated: bool) -> float:
        """For how many seconds the probe has not been believable; 0 while it is.

        Args:
            silence_ms: how long it may be without a value.
            saturated: whether saturated air is right at its place, as at a wet end: there a probe reads it for days;
                elsewhere it means a wet probe.
        """
        coarse = all(value is None or value == round(value, 1) for value in self.same)
        stuck_ms = tuning.coarse_stuck_after_ms if coarse else tuning.stuck_after_ms
        same_ms = self.same_ms if self.same_count >= STUCK_READINGS else -1
        patience = (
            (same_ms, stuck_ms),
            (self.condensed_ms, tuning.condensed_where_wet_ms if saturated else tuning.condensed_after_ms),
            (self.missing_ms, silence_ms),
            (self.reported_ms, REPORTED_AFTER_MS),
        )
        return max(at_ms - ms if 0 <= ms <= at_ms - most_ms else 0 for ms, most_ms in patience) / SECOND_MS

    def report(self, at_ms: int, line: str) -> bool:
        """What the hub says ails it, one line, or nothing; True where it takes back what it said."""
        taken_back = not line and self.reported_ms >= 0
        if line and self.reported_ms < 0:
            self.reported_ms = at_ms
        elif taken_back:
            self.reported_ms = -1
        self.reported = line
        return taken_back

    def reported_due_ms(self, heard_ms: int, silence_ms: int) -> int:
        """From when on what the hub says is a fault even without a reading."""
        due_ms = self.reported_ms + REPORTED_AFTER_MS
        return due_ms if self.condensed_ms < 0 else max(due_ms, heard_ms + silence_ms)

    def forget(self) -> None:
        """A gap: what pended is no longer known. What the hub says stands."""
        self.same_count, self.condensed_ms, self.missing_ms = 0, -1, -1

    def save(self) -> dict[str, Any]:
        """As JSON."""
        return {(name if name == "same" else f"_{name}"): value for name, value in asdict(self).items()}

    @classmethod
    def load(cls, saved: dict[str, Any]) -> Doubt:
        """From JSON."""
        known = {name: saved[f"_{name}"] for name in cls.__slots__ if f"_{name}" in saved}
        return cls(**{**known, "same": (saved["same"][0], saved["same"][1])})
