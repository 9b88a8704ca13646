"""What would have warned earlier: alarms about a nest before its end, by replay of its own readings.

Twice: under the bands in use, and with the ideal ranges as limits, which is as tight as a keeper could have drawn them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from sensord.alarms.calibrated import Calibrated
from sensord.alarms.engine import tuning_of
from sensord.alarms.lifecycle import Alarm
from sensord.alarms.replay import replay
from sensord.alarms.watch import standings_of
from sensord.clock import DAY_MS, HOUR_MS
from sensord.keeping.species import Library, Species
from sensord.model import AlarmKind

if TYPE_CHECKING:
    from sensord.insight.review import Review
    from sensord.store.base import Columns
    from sensord.wiring import Room

_KINDS = {
    "dry": AlarmKind.DRY, "reservoir_empty": AlarmKind.DRY, "wet": AlarmKind.WET, "heat": AlarmKind.HOT,
    "cold": AlarmKind.COLD, "swing": AlarmKind.SWING,
}  # fmt: skip
_UNITS = {AlarmKind.DRY: "%", AlarmKind.WET: "%", AlarmKind.SWING: "°C in an hour"}
_APART_MS = 3 * DAY_MS  # what came and went longer than that before is another story


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
    """Which alarm would have come how long before the end, under which limit, in words."""
    alarms = _about_air(found, room, room.library)
    kind = _KINDS.get(found.verdict.cause)
    if kind is None:
        count = f"{len(alarms)} alarm{'s' if len(alarms) != 1 else ''}" if alarms else "no alarm"
        return f"None that would have helped is known. Under the bands in use {count} about its air would have been raised in these days."
    end_ms = found.case.until_ms
    first = first_of(kind, alarms)
    told = _words("Under the bands in use", kind, first, end_ms)
    tight = first_of(kind, _about_air(found, room, with_ideal_limits(room.library)))
    if tight is None or (first is not None and tight.raised_ms >= first.raised_ms - HOUR_MS):
        return told
    return f"{told} {_words('With the ideal range as limit', kind, tight, end_ms)}"


def _about_air(found: Review, room: Room, library: Library) -> list[Alarm]:
    """Alarms about the nest's air over the days of a review under these species files, oldest first."""
    case = found.case
    replayed = replay(
        _OfOneNest(room, case.nest), standings_of(room.registry, room.keeping_under(library)),
        tuning_of(room.config.alarms), case.from_ms, case.until_ms, calibrated=Calibrated(room.calibrations.all()),
    )  # fmt: skip
    return [one for one in replayed.alarms if one.nest == case.nest and one.kind in set(_KINDS.values())]


def first_of(kind: AlarmKind, alarms: Sequence[Alarm]) -> Alarm | None:
    """The first alarm of a kind in the last run of them: each not long after the one before it had returned."""
    first: Alarm | None = None
    for one in reversed([alarm for alarm in alarms if alarm.kind == kind]):
        if first is not None and one.returned_ms is not None and first.raised_ms - one.returned_ms > _APART_MS:
            break
        first = one
    return first


def with_ideal_limits(library: Library) -> Library:
    """The same species with every limit drawn in to the ideal range."""
    return {name: _narrowed(species) for name, species in library.items()}


def _narrowed(species: Species) -> Species:
    values = dict(species.values)
    for path in species.values:
        ideal = species.values.get(path.replace(".limit_", ".ideal_"))
        if ".limit_" in path and ideal is not None:
            values[path] = ideal
    return replace(species, values=values)


def _words(under: str, kind: AlarmKind, alarm: Alarm | None, end_ms: int) -> str:
    if alarm is None:
        return f"{under} no alarm '{kind}' would have come."
    hours = (end_ms - alarm.raised_ms) / HOUR_MS
    before = f"{hours:.0f} h" if hours < 96 else f"{hours / 24:.0f} days"
    worst = f"{alarm.worst:.1f} {_UNITS.get(kind, '°C')} (limit {alarm.limit:.1f})"
    return f"{under} the alarm '{kind}' would have come {before} before the end: worst {worst}."
