"""What would have warned earlier: the alarms that the bands in use would have raised about a nest before a death."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sensord.alarms.calibrated import Calibrated
from sensord.alarms.engine import tuning_of
from sensord.alarms.replay import replay
from sensord.alarms.watch import standings_of
from sensord.clock import HOUR_MS

if TYPE_CHECKING:
    from sensord.insight.review import Review
    from sensord.store.base import Columns
    from sensord.wiring import Room


class _OfOneNest:
    """The store's readings of one nest's probes: what a replay of that nest needs."""

    def __init__(self, room: Room, nest: str) -> None:
        self._probes = sorted({one.probe for one in room.registry.placements(nest=nest)})
        self._store = room.store

    def probes(self) -> list[str]:
        """The nest's own."""
        return self._probes

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """As the store says."""
        return self._store.raw(probe, from_ms, until_ms)


def warned(found: Review, room: Room) -> str:
    """What the bands in use would have said, and how long before the end: by replay of the nest's own readings."""
    case = found.case
    standings = standings_of(room.registry, room.keeping)
    replayed = replay(
        _OfOneNest(room, case.nest), standings, tuning_of(room.config.alarms), case.from_ms, case.until_ms,
        calibrated=Calibrated(room.calibrations.all()),
    )  # fmt: skip
    alarms = [one for one in replayed.alarms if one.nest == case.nest and str(one.kind) not in ("silent", "faulty")]
    if not alarms:
        return "No alarm about this nest's air would have been raised under the bands in use."
    first = alarms[0]
    hours = (case.until_ms - first.raised_ms) / HOUR_MS
    return (
        f"Under the bands in use the alarm '{first.kind}' ({first.worst:.1f}, limit {first.limit:.1f}) would have come "
        f"{hours:.0f} h before the end, the first of {len(alarms)}."
    )
