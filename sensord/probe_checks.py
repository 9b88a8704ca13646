"""What the readings of the last days say of every probe: its own quality, and how far it stands from its siblings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.drift import Drift, drifts
from sensord.insight.history import History
from sensord.keeping.registry import Registry
from sensord.model import Placement
from sensord.probes.quality import Flag, judge_stored
from sensord.store.base import ReadingStore

COMPARED_MS = 3 * DAY_MS
_JUDGED_MS = 4 * HOUR_MS
"""Long enough to see a stuck probe that is read every twenty minutes only."""


@dataclass(frozen=True, slots=True)
class ProbeChecked:
    """Flags of the last readings; drift is None where the probe is not placed, or has no reading of these days."""

    flags: frozenset[Flag] = frozenset()
    drift: Drift | None = None


class ProbeChecks:
    """Belongs to the thread of its store and registry. Raises StoreError where they cannot be read."""

    def __init__(self, store: ReadingStore, registry: Registry, history: History) -> None:
        self._store, self._registry, self._history = store, registry, history

    def at(self, at_ms: int) -> dict[str, ProbeChecked]:
        """Every probe that ever had a reading or is placed, as of an instant."""
        placed = self._registry.placements(at_ms=at_ms)
        names = sorted({*self._store.probes(), *(one.probe for one in placed)})
        drift = self._drifts(placed, at_ms)
        return {name: ProbeChecked(self._flags(name, at_ms), drift.get(name)) for name in names}

    def _flags(self, probe: str, at_ms: int) -> frozenset[Flag]:
        read = self._store.raw(probe, at_ms - _JUDGED_MS, at_ms + 1)
        return judge_stored(read.at_ms, read.temp_c, read.rh_pct)

    def _drifts(self, placed: Sequence[Placement], at_ms: int) -> dict[str, Drift]:
        until_ms = at_ms // HOUR_MS * HOUR_MS
        groups: defaultdict[tuple[str, str], list[Placement]] = defaultdict(list)
        for one in placed:
            groups[one.room, one.place].append(one)
        found: dict[str, Drift] = {}
        for group in groups.values():
            found |= self._group(group, until_ms)
        return found

    def _group(self, group: Iterable[Placement], until_ms: int) -> dict[str, Drift]:
        air = {one.probe: self._history.placement_hours(one, until_ms - COMPARED_MS, until_ms) for one in group}
        return drifts({name: hours for name, hours in air.items() if hours.measured.any()})
