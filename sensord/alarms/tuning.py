"""When something counts as an alarm, and how urgent each kind is.

The numbers are the keeper's settings; their defaults are common practice but for the deadbands: 3 %RH is the sensor's
typical accuracy plus its hysteresis (Sensirion SHT3x datasheet: 2 and 0.8 %RH), 0.5 °C likewise.

An alarm that comes back within two hours has to be over for twice as long before that counts, up to ``longest_off_ms``:
what comes and goes all day is one thing to see to, not twenty.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sensord.alarms.conditions import Delays
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from sensord.model import AlarmKind, Priority

K = AlarmKind


def default_delays() -> dict[AlarmKind, Delays]:
    """On and off delays of each kind."""
    return {
        K.DRY: Delays(15 * MINUTE_MS, 15 * MINUTE_MS),
        K.WET: Delays(15 * MINUTE_MS, 15 * MINUTE_MS),
        K.HOT: Delays(3 * MINUTE_MS, 10 * MINUTE_MS),
        K.COLD: Delays(10 * MINUTE_MS, 10 * MINUTE_MS),
        K.SWING: Delays(0, 30 * MINUTE_MS),
        K.SILENT: Delays(0, 2 * MINUTE_MS),
        K.FAULTY: Delays(0, 10 * MINUTE_MS),
        K.RESERVOIR: Delays(0, 60 * MINUTE_MS),
    }


@dataclass(frozen=True, slots=True)
class Tuning:
    """When something counts. °C, %RH, °C within an hour, days; delays in ms."""

    delays: dict[AlarmKind, Delays] = field(default_factory=default_delays)
    deadband_temp_c: float = 0.5
    deadband_rh_pct: float = 3.0
    severe_margin_c: float = 3.0
    severe_on_ms: int = 30 * SECOND_MS
    resting_hot_on_ms: int = HOUR_MS
    resting_severe_margin_c: float = 10.0
    swing_temp_c: float = 6.0
    longest_off_ms: int = 4 * HOUR_MS
    silent_after_ms: int = 15 * MINUTE_MS
    hub_down_after_ms: int = 5 * MINUTE_MS
    condensed_after_ms: int = 6 * HOUR_MS
    condensed_where_wet_ms: int = 7 * DAY_MS
    stuck_after_ms: int = 2 * HOUR_MS
    coarse_stuck_after_ms: int = DAY_MS
    reservoir_days: float = 7.0
    reservoir_urgent_days: float = 2.0


PRIORITY = {
    K.DRY: Priority.MEDIUM, K.WET: Priority.LOW, K.HOT: Priority.MEDIUM, K.COLD: Priority.MEDIUM, K.SWING: Priority.LOW,
    K.RESERVOIR: Priority.LOW, K.SILENT: Priority.MEDIUM, K.FAULTY: Priority.LOW,
}  # fmt: skip
