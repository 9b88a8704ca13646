"""Reads everything that happened in and around a nest over the days of a review."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sensord.air.moist_air import rh_pct
from sensord.alarms.lifecycle import Alarm
from sensord.alarms.log import AlarmLog
from sensord.clock import HOUR_MS
from sensord.insight.exposures import PlaceAir
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.review import Review
from sensord.insight.timeline import AlarmSeen, Edges, Timeline, Track, daily_wetness
from sensord.keeping.bands import Band
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, Place, Season
from sensord.reviewing import Reviewing


@dataclass(frozen=True, slots=True)
class Timelines:
    """Gathers timelines. Belongs to the thread of its history and registry."""

    history: History
    registry: Registry
    keeping: Keeping
    reviewing: Reviewing
    alarm_log: AlarmLog

    def of(self, review: Review) -> Timeline:
        """What happened over the days of a review."""
        case = review.case
        nest = self.registry.nest(case.nest, case.until_ms) or self.registry.history(case.nest)[0]
        last_ms = min(-(-case.until_ms // HOUR_MS), case.at_ms // HOUR_MS) * HOUR_MS  # no hour that is not over yet
        span = (case.from_ms // HOUR_MS * HOUR_MS, last_ms)
        entries = self.registry.entries(nest=nest.name, from_ms=span[0], until_ms=case.until_ms + 1)
        tracks = self._tracks(nest, span)
        inside = next((one for one in tracks if one.place in NEST_PLACES), None)
        room_pa = self.history.room_hours(nest.room, *span).vapour_pa
        return Timeline(
            nest.name, *span, tuple(tracks), tuple(self._seasons(nest, span)), tuple(entries),
            tuple(self._alarms(nest.name, span, case.at_ms)),
            daily_wetness(inside, room_pa) if inside is not None else (),
            tuple(self.reviewing.water_by_day(nest, span[0], case.until_ms)), tuple(_levels(entries)),
        )  # fmt: skip

    def _tracks(self, nest: Nest, span: tuple[int, int]) -> list[Track]:
        air, left_out = self.reviewing.air(nest, *span)
        placed = self.registry.placements(nest=nest.name)
        found = []
        for one in air:
            probes = [p.probe for p in placed if p.place == one.place and _within(p.since_ms, p.until_ms, span)]
            temp_band, rh_band = self._bands(nest, one, span)
            found.append(
                Track(one.place, tuple(dict.fromkeys(probes)), one.start_ms, one.temp_c, one.rh_pct, temp_band, rh_band,
                      tuple(left_out.get(one.place, ())))
            )  # fmt: skip
        room = self.history.room_hours(nest.room, *span)
        if np.isfinite(room.temp_c).any():
            probes = [
                one.probe for one in self.registry.placements()
                if one.place is Place.ROOM and one.room == nest.room and _within(one.since_ms, one.until_ms, span)
            ]  # fmt: skip
            humidity = rh_pct(room.temp_c, room.vapour_pa)
            found.append(Track(Place.ROOM, tuple(dict.fromkeys(probes)), room.start_ms, room.temp_c, humidity))
        return found

    def _bands(self, nest: Nest, air: PlaceAir, span: tuple[int, int]) -> tuple[Edges, Edges]:
        """Temperature and humidity bands in force hour by hour."""
        hours = len(air.temp_c)
        table = np.empty((8, hours))
        hour = 0
        while hour < hours:
            held = self.keeping.bands_at(nest, air.place, span[0] + hour * HOUR_MS)
            last = hours
            if held.until_ms is not None:
                last = min(hours, max(hour + 1, -(-(held.until_ms - span[0]) // HOUR_MS)))
            table[:, hour:last] = np.array([*_edges(held.bands.temp_c), *_edges(held.bands.rh_pct)])[:, None]
            hour = last
        return Edges(*table[:4]), Edges(*table[4:])

    def _seasons(self, nest: Nest, span: tuple[int, int]) -> list[tuple[int, int, Season]]:
        found, at_ms = [], span[0]
        while at_ms < span[1]:
            moment = self.keeping.season_of(nest, at_ms)
            until_ms = span[1] if moment.until_ms is None else min(span[1], moment.until_ms)
            found.append((at_ms, until_ms, moment.season))
            at_ms = until_ms
        return found

    def _alarms(self, nest: str, span: tuple[int, int], known_ms: int) -> list[AlarmSeen]:
        """Alarms of the nest raised in the span, with what was known of them then."""
        later = self.registry.entries(nest=nest, from_ms=span[0], until_ms=known_ms + 1)
        return [_seen(one, later, known_ms) for one in self.alarm_log.since(*span) if one.nest == nest]


def _seen(alarm: Alarm, entries: Sequence[Entry], known_ms: int) -> AlarmSeen:
    def by_then(at_ms: int | None) -> int | None:
        return at_ms if at_ms is not None and at_ms <= known_ms else None

    following = next((one for one in entries if one.at_ms >= alarm.raised_ms and one.kind is not EntryKind.DIED), None)
    return AlarmSeen(
        str(alarm.kind), str(alarm.place or ""), str(alarm.priority), alarm.raised_ms, by_then(alarm.returned_ms),
        by_then(alarm.acknowledged_ms), alarm.acknowledged_by, alarm.worst, alarm.limit, following,
    )  # fmt: skip


def _levels(entries: Sequence[Entry]) -> list[tuple[int, float]]:
    kinds = (EntryKind.FILL, EntryKind.LEVEL)
    return [(one.at_ms, one.amount) for one in entries if one.kind in kinds and one.amount is not None]


def _edges(band: Band) -> tuple[float, float, float, float]:
    return band.ideal_low, band.ideal_high, band.limit_low, band.limit_high


def _within(since_ms: int, until_ms: int | None, span: tuple[int, int]) -> bool:
    return since_ms < span[1] and (until_ms is None or until_ms > span[0])
