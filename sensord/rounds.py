"""The day's round of a whole room: reads registry, outlook and readings, and asks keeping/round.py what there is to do."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.forecast import Forecast
from sensord.insight.balance import Floats
from sensord.insight.dose import covered_h, winter_rest_h
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.nest_air import AirHours
from sensord.insight.outlook import NestOutlook
from sensord.keeping.bands import Band, bands_for
from sensord.keeping.calibrations import Calibrations
from sensord.keeping.colony import Stay, followed, stays
from sensord.keeping.hand_checks import HandChecks
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.rest import RECENT_MS, Rest
from sensord.keeping.round import Checked, Line, Situation, names_probe, round_of, stage_of
from sensord.keeping.seasons import Moment
from sensord.model import Entry, Nest, Place, Season


class Rounds:
    """The rounds of one room. Belongs to the thread of its store and registry.

    Every method raises StoreError where the store or the registry cannot be read.
    """

    def __init__(
        self,
        registry: Registry,
        history: History,
        forecast: Forecast,
        calibrations: Calibrations,
        keeping: Keeping,
        hand_checks: HandChecks,
    ) -> None:
        self._registry, self._history, self._forecast = registry, history, forecast
        self._calibrations, self._keeping, self._hand_checks = calibrations, keeping, hand_checks

    def at(self, at_ms: int, outlook: Iterable[NestOutlook] | None = None) -> list[Line]:
        """The round at an instant, using nothing later; by the outlook of that instant where the caller has it."""
        alive, where = self._registry.alive(at_ms), stays(self._registry.history(), at_ms)
        nests = [nest for nest in self._registry.nests(at_ms) if nest.name in alive and _lives_in(nest, where)]
        if outlook is None:
            outlook = self._forecast.at(at_ms) if nests else ()
        water = {one.nest: one for one in outlook}
        journal: defaultdict[str, list[Entry]] = defaultdict(list)
        for entry in self._registry.entries(until_ms=at_ms + 1):
            journal[entry.nest].append(entry)
        situations = [
            self._situation(nest, followed(nest, where[_colony_of(nest)], journal), water.get(nest.name), at_ms)
            for nest in nests
        ]
        return round_of(situations, self._checked(nests, journal, at_ms), at_ms)

    def rest_of(self, nest: Nest, at_ms: int) -> Rest | None:
        """A nest's winter rest so far; while it wakes up, the one it wakes from; None at any other time."""
        moment = self._keeping.season_of(nest, at_ms)
        if moment.season == Season.WAKE_UP and moment.since_ms is not None:
            moment = self._keeping.season_of(nest, moment.since_ms - 1)
        if moment.season != Season.WINTER_REST or moment.since_ms is None:
            return None
        species = self._keeping.species_of(nest)
        air, place = self._resting_air(nest, moment.since_ms, at_ms)
        band = bands_for(species, Season.WINTER_REST, place).temp_c
        return _rest(air, band, moment.since_ms, at_ms, species.number("rest.least_days"))

    def _situation(self, nest: Nest, entries: Sequence[Entry], outlook: NestOutlook | None, at_ms: int) -> Situation:
        species = self._keeping.species_of(nest)
        moment: Moment = self._keeping.season_of(nest, at_ms)
        days = outlook.days_left if outlook else None
        return Situation(
            nest,
            species,
            stage_of(species, nest, entries),
            moment,
            entries,
            (days.p10, days.p50) if days else None,
            outlook.questions[0].text if outlook and outlook.questions else "",
            self._outworld_rh_pct(nest, at_ms),
            self.rest_of(nest, at_ms),
        )

    def _resting_air(self, nest: Nest, from_ms: int, until_ms: int) -> tuple[AirHours, Place]:
        """At the nest's own probe, else at those of its room since the nest stands there."""
        own = self._history.place_hours(nest.name, NEST_PLACES, from_ms, until_ms)
        if np.isfinite(own.temp_c).any():
            return own, Place.WET_END
        since_ms = min(until_ms, max(from_ms, nest.since_ms or from_ms))
        return self._history.room_hours(nest.room, since_ms, until_ms), Place.ROOM

    def _outworld_rh_pct(self, nest: Nest, at_ms: int) -> float | None:
        """Mean over the last day."""
        series = self._history.place_series(nest.name, Place.OUTWORLD, at_ms - DAY_MS, at_ms + 1)
        known = [value for value in series.rh_pct if value == value]  # noqa: PLR0124 - NaN is no value
        return sum(known) / len(known) if known else None

    def _checked(self, nests: Sequence[Nest], journal: Mapping[str, Sequence[Entry]], at_ms: int) -> Iterator[Checked]:
        """When each probe that stands somewhere was last checked."""
        last = {one.probe: one.at_ms for one in self._calibrations.all() if one.at_ms <= at_ms}
        by_hand = self._hand_checks.last(at_ms)
        racks = {nest.name: nest.rack for nest in nests}
        for placement in self._registry.placements(at_ms=at_ms):
            probe, nest = placement.probe, placement.nest if placement.nest in racks else None
            first = min(one.since_ms for one in self._registry.placements(probe=probe))
            noted = [entry.at_ms for entry in journal.get(nest or "", ()) if names_probe(entry, probe)]
            checked_ms = max(last.get(probe, first), by_hand.get(probe, first), *noted, first)
            yield Checked(probe, placement.room, racks.get(nest or "", ""), nest, checked_ms)


def _colony_of(nest: Nest) -> str:
    return nest.colony or nest.name


def _lives_in(nest: Nest, where: Mapping[str, Sequence[Stay]]) -> bool:
    """Whether its colony lives here still: one that came to another nest has left this one behind."""
    return where[_colony_of(nest)][-1].nest == nest.name


def _rest(air: AirHours, band: Band, begun_ms: int, at_ms: int, least_days: float | None) -> Rest:
    hours = _series(air.start_ms, air.temp_c)
    recent = [(each_ms, temp_c) for each_ms, temp_c in hours if each_ms >= at_ms - RECENT_MS]
    return Rest(
        begun_ms=begun_ms,
        low_c=band.limit_low,
        high_c=band.limit_high,
        in_band_h=winter_rest_h(hours, band.limit_low, band.limit_high),
        measured_h=covered_h(hours),
        recent_in_band_h=winter_rest_h(recent, band.limit_low, band.limit_high),
        recent_measured_h=covered_h(recent),
        recent_mean_c=sum(temp_c for _, temp_c in recent) / len(recent) if recent else 0.0,
        least_days=least_days,
    )


def _series(start_ms: int, temps_c: Floats) -> Sequence[tuple[int, float]]:
    """Known hours, each at its beginning."""
    return [
        (start_ms + number * HOUR_MS, temp_c) for number, temp_c in enumerate(temps_c.tolist()) if np.isfinite(temp_c)
    ]
