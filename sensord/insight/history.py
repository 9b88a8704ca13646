"""The only module of this room that reads: calibrated series of a place or a room, following placements.

The past stays true: a probe that moved counts for each place only while it sat there. Readings are stored raw; what each
calibration says is applied here, so that a later calibration also mends the past.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sensord.air.moist_air import vapour_pa
from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.nest_air import AirHours
from sensord.model import Place, Placement
from sensord.store.base import Columns, ReadingStore

NEST_PLACES = (Place.WET_END, Place.DRY_END)  # where a probe feels the air over the cotton
_TEMP_LOW_C, _TEMP_HIGH_C, _RH_MOST_PCT = -40.0, 80.0, 110.0
_FOREVER_MS = 2**62


class Calibrations(Protocol):
    """What a probe's raw readings mean."""

    def apply(self, probe: str, at_ms: Sequence[int], temp_c: Floats, rh_pct: Floats) -> tuple[Floats, Floats]:
        """Temperatures and humidities as calibrated, each by what was in force at its instant."""

    def version(self) -> str:
        """A text that changes whenever any calibration does."""


class Placements(Protocol):
    """What this module needs of the registry."""

    def placements(
        self, at_ms: int | None = None, nest: str | None = None, probe: str | None = None
    ) -> list[Placement]:
        """Placements that hold at an instant, of a nest, of a probe."""


class AsRead:
    """No calibration at all: readings mean what they say."""

    def apply(self, probe: str, at_ms: Sequence[int], temp_c: Floats, rh_pct: Floats) -> tuple[Floats, Floats]:  # noqa: ARG002
        """The readings themselves."""
        return temp_c, rh_pct

    def version(self) -> str:
        """Always the same."""
        return ""


class History:
    """Reads what happened. Belongs to the thread of its store and registry.

    Every method raises StoreError where the store or the registry cannot be read.
    """

    def __init__(self, store: ReadingStore, registry: Placements, calibrations: Calibrations | None = None) -> None:
        self._store, self._registry = store, registry
        self._calibrations: Calibrations = calibrations or AsRead()

    def calibrations_version(self) -> str:
        """A text that changes whenever any calibration does."""
        return self._calibrations.version()

    def place_series(self, nest: str, place: Place, from_ms: int, until_ms: int) -> Columns:
        """Calibrated readings of a place of a nest with ``from_ms <= at_ms < until_ms``, whichever probe sat there."""
        stands = [one for one in self._registry.placements(nest=nest) if one.place == place]
        return self._series(stands, from_ms, until_ms)

    def place_hours(self, nest: str, places: Iterable[Place], from_ms: int, until_ms: int) -> AirHours:
        """Air at the first of these places that was measured, hour by hour; whole hours before ``until_ms`` only."""
        stands = self._registry.placements(nest=nest)
        found = [self._hours([one for one in stands if one.place == place], from_ms, until_ms) for place in places]
        air = found[0]
        for other in found[1:]:
            blank = ~air.measured
            air = AirHours(
                air.start_ms,
                np.where(blank, other.temp_c, air.temp_c),
                np.where(blank, other.vapour_pa, air.vapour_pa),
            )
        return air

    def place_roll(self, nest: str, place: Place, from_ms: int, until_ms: int) -> tuple[Floats, Floats, Floats, Floats]:
        """Hour by hour, NaN where not measured: mean °C, mean %RH, coldest and warmest °C; whole hours only."""
        table = self.place_steps(nest, place, from_ms, max(from_ms, until_ms) // HOUR_MS * HOUR_MS, 1)
        return table[0], table[1], table[2], table[3]

    def place_steps(self, nest: str, place: Place, from_ms: int, until_ms: int, step_h: int) -> Floats:
        """Steps of so many hours, counted from 1970, from the one that ``from_ms`` falls in to the last begun before ``until_ms``.

        Six rows, NaN where not measured: mean °C, mean %RH, coldest, warmest °C, least, greatest %RH. An hour counts
        when the probe sat there all through it.
        """
        table = _blank(from_ms, until_ms, step_h)
        for one in self._registry.placements(nest=nest):
            if one.place == place:
                self._add_steps(one, from_ms, step_h, table)
        return table

    def room_steps(self, room: str, from_ms: int, until_ms: int, step_h: int) -> Floats:
        """The same of a room; where several room probes were measured, their mean. NaN where none was."""
        tables = []
        for one in self._room_stands(room):
            tables.append(_blank(from_ms, until_ms, step_h))
            self._add_steps(one, from_ms, step_h, tables[-1])
        if not tables:
            return _blank(from_ms, until_ms, step_h)
        stack = np.stack(tables)
        counts = np.isfinite(stack).sum(axis=0)
        return np.asarray(np.nansum(stack, axis=0) / np.where(counts > 0, counts, np.nan))

    def _add_steps(self, one: Placement, from_ms: int, step_h: int, table: Floats) -> None:
        """Fill in what one probe measured, where nothing stands yet."""
        first = from_ms // (step_h * HOUR_MS)
        since_ms = max(first * step_h * HOUR_MS, -(-one.since_ms // HOUR_MS) * HOUR_MS)
        until_ms = min((first + table.shape[1]) * step_h * HOUR_MS, _until(one) // HOUR_MS * HOUR_MS)
        if since_ms >= until_ms:
            return
        ask = self._store.hours if step_h == 1 else partial(self._store.steps, step_h=step_h)
        found = ask(one.probe, since_ms, until_ms)
        if not len(found):
            return
        raw_c, raw_pct = np.frombuffer(found.temp_mean_c), np.frombuffer(found.rh_mean_pct)
        temp_c, rh_pct = self._calibrations.apply(one.probe, found.at_ms, raw_c, raw_pct)
        extremes = (found.temp_min_c, found.temp_max_c, found.rh_min_pct, found.rh_max_pct)
        shifts = (temp_c - raw_c, temp_c - raw_c, rh_pct - raw_pct, rh_pct - raw_pct)
        moved = (np.frombuffer(each) + shift for each, shift in zip(extremes, shifts, strict=True))
        at = np.frombuffer(found.at_ms, np.int64) // (step_h * HOUR_MS) - first
        for row, values in enumerate((temp_c, rh_pct, *moved)):
            blank = np.isnan(table[row, at])
            table[row, at[blank]] = np.asarray(values)[blank]

    def room_hours(self, room: str, from_ms: int, until_ms: int) -> AirHours:
        """Air of the room: the mean of its room probes, hour by hour; whole hours before ``until_ms`` only."""
        return self._hours(self._room_stands(room), from_ms, until_ms)

    def placement_hours(self, placement: Placement, from_ms: int, until_ms: int) -> AirHours:
        """Air that one probe measured at one place, hour by hour; whole hours before ``until_ms`` only."""
        return self._hours([placement], from_ms, until_ms)

    def first_ms(self, placements: Iterable[Placement]) -> int | None:
        """When the first of these probes was first heard of at its place, or None."""
        begun = []
        for one in placements:
            span = self._store.span(one.probe)
            if span is not None and span[1] >= one.since_ms and span[0] < _until(one):
                begun.append(max(span[0], one.since_ms))
        return min(begun, default=None)

    def _room_stands(self, room: str) -> list[Placement]:
        return [one for one in self._registry.placements() if one.place == Place.ROOM and one.room == room]

    def _series(self, stands: Iterable[Placement], from_ms: int, until_ms: int) -> Columns:
        at: list[NDArray[np.int64]] = [np.empty(0, np.int64)]
        temp, rh = [np.empty(0)], [np.empty(0)]
        for one in stands:
            read = self._store.raw(one.probe, max(from_ms, one.since_ms), min(until_ms, _until(one)))
            if len(read):
                calibrated = self._calibrations.apply(
                    one.probe, read.at_ms, np.frombuffer(read.temp_c), np.frombuffer(read.rh_pct)
                )
                at.append(np.frombuffer(read.at_ms, np.int64))
                temp.append(calibrated[0])
                rh.append(calibrated[1])
        times = np.concatenate(at)
        order = np.argsort(times, kind="stable")
        return Columns(
            array("q", times[order].tobytes()),
            array("d", np.concatenate(temp)[order].tobytes()),
            array("d", np.concatenate(rh)[order].tobytes()),
        )

    def _hours(self, stands: Iterable[Placement], from_ms: int, until_ms: int) -> AirHours:
        first, last = from_ms // HOUR_MS, max(from_ms, until_ms) // HOUR_MS
        sums, counts = np.zeros((2, last - first)), np.zeros((2, last - first))
        for one in stands:
            self._add_hours(one, (first, last), sums, counts)
        with np.errstate(invalid="ignore"):
            temp_c, pressure_pa = sums / np.where(counts > 0, counts, np.nan)
        return AirHours(first * HOUR_MS, temp_c, pressure_pa)

    def _add_hours(self, one: Placement, bounds: tuple[int, int], sums: Floats, counts: Floats) -> None:
        """An hour counts for a place when the probe sat there all through it."""
        since = max(bounds[0], -(-one.since_ms // HOUR_MS))
        until = min(bounds[1], _until(one) // HOUR_MS)
        if since >= until:
            return
        hours = self._store.hours(one.probe, since * HOUR_MS, until * HOUR_MS)
        if not len(hours):
            return
        temp_c, rh_pct = self._calibrations.apply(
            one.probe, hours.at_ms, np.frombuffer(hours.temp_mean_c), np.frombuffer(hours.rh_mean_pct)
        )
        place = np.frombuffer(hours.at_ms, np.int64) // HOUR_MS - bounds[0]
        possible = _possible(np.frombuffer(hours.temp_max_c), rh_pct) & _possible(
            np.frombuffer(hours.temp_min_c), rh_pct
        )
        for row, values in enumerate((temp_c, vapour_pa(np.where(possible, temp_c, np.nan), rh_pct))):
            known = np.isfinite(values) & possible
            sums[row, place[known]] += values[known]
            counts[row, place[known]] += 1


def _possible(temp_c: Floats, rh_pct: Floats) -> NDArray[np.bool_]:
    """Where a temperature is none or can be true of a room with ants, -40 to 80 °C, and a humidity none or of 0 to 110 %.

    A broken probe reads 130 °C; one such hour must not count, nor spoil anybody's outlook. A calibrated humidity may be a
    little over 100.
    """
    return ~((temp_c < _TEMP_LOW_C) | (temp_c > _TEMP_HIGH_C) | (rh_pct < 0) | (rh_pct > _RH_MOST_PCT))


def _blank(from_ms: int, until_ms: int, step_h: int) -> Floats:
    """Six rows of steps that are still unknown."""
    step_ms = step_h * HOUR_MS
    return np.full((6, max(0, -(-until_ms // step_ms) - from_ms // step_ms)), np.nan)


def _until(one: Placement) -> int:
    return _FOREVER_MS if one.until_ms is None else one.until_ms
