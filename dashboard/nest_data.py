"""What the nest page reads: air over minutes to years, wetness, siblings, bands then, journal and alarms.

Up to two days every reading is read; longer windows come from the store's roll-ups, in steps of hours, so that a year
costs no more than a day.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashboard.nest_snapshot import AirTracks, Asked, History, Journal, Mark, Siblings, Track, Written
from dashboard.nest_spans import spans_of
from sensord.air.moist_air import deficit_pa, dew_point_c, vapour_pa
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS
from sensord.insight.history import NEST_PLACES
from sensord.insight.wetness_series import wetness_series
from sensord.model import Nest, Place

if TYPE_CHECKING:
    from sensord.alarms.lifecycle import Alarm
    from sensord.model import Entry
    from sensord.store.base import Columns
    from sensord.wiring import Room

Floats = NDArray[np.float64]
PLACES = (Place.WET_END, Place.DRY_END, Place.OUTWORLD)
RAW_MS = 2 * DAY_MS
MOST_POINTS, MOST_STEPS, MOST_SIBLING_STEPS, MOST_SIBLINGS = 1_500, 1_100, 400, 8
_STEPS_H = (1, 3, 6, 24, 72, 168)
"""A year has one step a day: its mean, with the day's extremes around it."""
KEPT_S, MOST_KEPT = 600.0, 256
WITHDRAWN_SHOWN_MS, SLIP_MS = DAY_MS, 10 * MINUTE_MS
"""So long what was withdrawn stands in the list, struck out, to be put back."""
_LOW_HIGH = (0.1, 0.9)


class KeptSteps:
    """Steps of siblings and rooms, which many questions share, kept for some minutes. For any thread."""

    def __init__(self) -> None:
        self._lock, self._kept = threading.Lock(), dict[tuple[Any, ...], tuple[float, Floats]]()

    def place(self, room: Room, name: str, place: Place, window: tuple[int, int], step_h: int) -> Floats:
        """Of a place of a nest."""
        return self._ask(
            room, (name, place), window, step_h, lambda: room.history.place_steps(name, place, *window, step_h)
        )

    def room(self, room: Room, name: str, window: tuple[int, int], step_h: int) -> Floats:
        """Of a room."""
        return self._ask(room, (name,), window, step_h, lambda: room.history.room_steps(name, *window, step_h))

    def _ask(
        self, room: Room, who: tuple[str, ...], window: tuple[int, int], step_h: int, read: Callable[[], Floats]
    ) -> Floats:
        step_ms, now_s = step_h * HOUR_MS, room.clock.monotonic()
        key = (*who, window[0] // step_ms, -(-window[1] // step_ms), step_h)
        with self._lock:
            made_s, found = self._kept.get(key, (-math.inf, None))
        if found is not None and now_s - made_s < KEPT_S * getattr(room.clock, "speed", 1.0):
            return found
        found = read()
        with self._lock:
            while len(self._kept) >= MOST_KEPT:
                del self._kept[next(iter(self._kept))]
            self._kept[key] = (now_s, found)
        return found


def history_of(room: Room, kept: KeptSteps, name: str, window: tuple[int | None, int], asked: Asked) -> History:
    """A nest over a window.

    Args:
        window: from and until; from None: since its probe was first heard of.

    Raises:
        StoreError: store or registry cannot be read.
    """
    until_ms = window[1]
    begin_ms = _first_ms(room, name, until_ms) if window[0] is None else window[0]
    nest = room.registry.nest(name, until_ms)
    place, air, steps = _air(room, name, (begin_ms, until_ms))
    found = History(
        begin_ms, until_ms, place.value if len(air.rh_pct.at_ms) else "", air,
        marks=_marks(room, name, begin_ms, until_ms), spans=spans_of(room, name, place, begin_ms, until_ms),
        wetness=None if nest is None else _wetness(room, kept, (nest, place, steps), (begin_ms, until_ms)),
    )  # fmt: skip
    if asked.zoom is not None:
        found = replace(found, fine=_fine(room, name, place, asked.zoom, (begin_ms, until_ms)))
    if asked.moisture:
        found = replace(found, dew_c=_dew(air), deficit_kpa=_deficit(air))
    if asked.siblings and nest is not None:
        found = replace(found, siblings=_siblings(room, kept, nest, place, (begin_ms, until_ms)))
    return found


def written_of(room: Room, name: str, most: int, now_ms: int) -> Journal:
    """The last lines of a nest's journal, newest first; what was withdrawn within a day stands where it stood.

    What was taken back at once was a slip of the thumb and is not listed.
    """
    entries = room.registry.latest_entries(most + 1, name)
    lines = [_written(id_, entry) for id_, entry in entries[:most]]
    lines += [
        replace(_written(one.id, one.entry), withdrawn_ms=one.at_ms, withdrawn_by=one.by)
        for one in room.registry.withdrawn(name, now_ms - WITHDRAWN_SHOWN_MS)
        if one.at_ms - one.entry.at_ms > SLIP_MS
    ]
    return Journal(tuple(sorted(lines, key=lambda line: (-line.at_ms, -line.id))), more=len(entries) > most)


def _written(id_: int, entry: Entry) -> Written:
    return Written(entry.at_ms, entry_words(entry), entry.by, id_, str(entry.kind))


def entry_words(entry: Entry) -> str:
    """What was written, without the nest."""
    amount = "" if entry.amount is None else f" {entry.amount:g} {entry.unit}".rstrip()
    note = f": {entry.note[:200]}" if entry.note else ""
    return f"{entry.kind.replace('_', ' ')}{amount}{note}"


def step_h_of(window_ms: int, most: int) -> int:
    """The fewest hours a step, so that a window has no more steps than that."""
    return next((step for step in _STEPS_H if window_ms <= most * step * HOUR_MS), _STEPS_H[-1])


def _first_ms(room: Room, name: str, until_ms: int) -> int:
    stands = [one for one in room.registry.placements(nest=name) if one.place in PLACES]
    first_ms = room.history.first_ms(stands)
    return until_ms - DAY_MS if first_ms is None else min(first_ms, until_ms - HOUR_MS)


def _air(room: Room, name: str, window: tuple[int, int]) -> tuple[Place, AirTracks, Floats | None]:
    """Of the first of the nest's places that has any reading in the window; on long windows with its steps."""
    stood = {
        one.place
        for one in room.registry.placements(nest=name)
        if one.since_ms < window[1] and (one.until_ms is None or one.until_ms > window[0])
    }
    places = [place for place in PLACES if place in stood]
    for place in places:
        air, steps = _air_at(room, name, place, window)
        if len(air.rh_pct.at_ms):
            return place, air, steps
    return (places or PLACES)[0], AirTracks(), None


def _air_at(room: Room, name: str, place: Place, window: tuple[int, int]) -> tuple[AirTracks, Floats | None]:
    long_ms = window[1] - window[0]
    if long_ms <= RAW_MS:
        at_ms, temp_c, rh_pct, step_ms = thinned(room.history.place_series(name, place, *window), *window)
        return AirTracks(Track(at_ms, rh_pct, step_ms=step_ms), Track(at_ms, temp_c, step_ms=step_ms)), None
    step_h = step_h_of(long_ms, MOST_STEPS)
    steps = room.history.place_steps(name, place, *window, step_h)
    at_ms, (temp_c, rh_pct, low_c, high_c, low_pct, high_pct) = _grid(window[0], step_h, steps.shape[1]), steps
    known = np.isfinite(temp_c) | np.isfinite(rh_pct)
    humidity = _track(at_ms, (rh_pct, low_pct, high_pct), step_h, known)
    return AirTracks(humidity, _track(at_ms, (temp_c, low_c, high_c), step_h, known)), steps


def _fine(room: Room, name: str, place: Place, zoom: tuple[int, int], window: tuple[int, int]) -> AirTracks | None:
    """The zoomed stretch read at its own step; None where that is no finer than what is there."""
    from_ms, until_ms = max(zoom[0], window[0]), min(zoom[1], window[1])
    whole_ms = window[1] - window[0]
    if until_ms - from_ms < MINUTE_MS or whole_ms <= RAW_MS or until_ms - from_ms > whole_ms / 2:
        return None
    return _air_at(room, name, place, (from_ms, until_ms))[0]


def _dew(air: AirTracks) -> Track:
    temp_c, rh_pct = _arrays(air)
    with np.errstate(invalid="ignore", divide="ignore"):
        dew_c = dew_point_c(vapour_pa(temp_c, rh_pct))
    return replace(air.temp_c, middle=tuple(dew_c.tolist()), low=(), high=())


def _deficit(air: AirTracks) -> Track:
    kpa = deficit_pa(*_arrays(air)) / 1_000
    return replace(air.temp_c, middle=tuple(kpa.tolist()), low=(), high=())


def _arrays(air: AirTracks) -> tuple[Floats, Floats]:
    return np.asarray(air.temp_c.middle, dtype=float), np.asarray(air.rh_pct.middle, dtype=float)


def _wetness(
    room: Room, kept: KeptSteps, where: tuple[Nest, Place, Floats | None], window: tuple[int, int]
) -> Track | None:
    """From steps of an hour at least: it changes over days. ``where`` brings them along if they were read already."""
    nest, place, own = where
    if place not in NEST_PLACES:
        return None
    step_h = step_h_of(window[1] - window[0], MOST_STEPS)
    outside = kept.room(room, nest.room, window, step_h)
    if not np.isfinite(outside[0]).any():
        return None
    own = room.history.place_steps(nest.name, place, *window, step_h) if own is None else own
    w, sd = wetness_series(own[0], own[1], vapour_pa(outside[0], outside[1]))
    if not np.isfinite(w).any():
        return None
    return _track(_grid(window[0], step_h, len(w)), (w, np.clip(w - sd, 0.0, None), w + sd), step_h, np.isfinite(w))


def _siblings(room: Room, kept: KeptSteps, nest: Nest, place: Place, window: tuple[int, int]) -> Siblings | None:
    """The same species and stage in the same room, alive, those of the same rack first; at most eight."""
    alive = room.registry.alive(window[1])
    kin = [
        one
        for one in room.registry.nests(window[1])
        if one.name != nest.name
        and one.name in alive
        and (one.room, one.species.casefold(), one.stage) == (nest.room, nest.species.casefold(), nest.stage)
    ]
    placed = {one.nest for one in room.registry.placements() if one.place == place}
    kin = sorted((one for one in kin if one.name in placed), key=lambda one: (one.rack != nest.rack, one.name))
    step_h = step_h_of(window[1] - window[0], MOST_SIBLING_STEPS)
    tables = [kept.place(room, one.name, place, window, step_h)[:2] for one in kin[:MOST_SIBLINGS]]
    tables = [table for table in tables if np.isfinite(table).any()]
    if not tables:
        return None
    at_ms = _grid(window[0], step_h, tables[0].shape[1])
    temp_c, rh_pct = (spread(np.stack([table[row] for table in tables])) for row in (0, 1))
    tracks = (_track(at_ms, rows, step_h, np.isfinite(rows[0])) for rows in (rh_pct, temp_c))
    return Siblings(len(tables), *tracks)


def spread(table: Floats) -> tuple[Floats, Floats, Floats]:
    """Column by column the median, the 10 % and the 90 % quantile of what is known, interpolated linearly; else NaN."""
    ordered = np.sort(table, axis=0)  # NaN last
    counts = np.isfinite(table).sum(axis=0)
    columns = np.arange(table.shape[1])

    def quantile(share: float) -> Floats:
        rank = share * np.maximum(counts - 1, 0)
        below = np.floor(rank).astype(int)
        above = np.minimum(below + 1, np.maximum(counts - 1, 0))
        low, high = ordered[below, columns], ordered[above, columns]
        return np.where(counts > 0, low + (rank - below) * (high - low), np.nan)

    return quantile(0.5), quantile(_LOW_HIGH[0]), quantile(_LOW_HIGH[1])


def _grid(from_ms: int, step_h: int, steps: int) -> NDArray[np.int64]:
    """The middle of every step."""
    step_ms = step_h * HOUR_MS
    return np.asarray((from_ms // step_ms + np.arange(steps)) * step_ms + step_ms // 2, dtype=np.int64)


def _track(
    at_ms: NDArray[np.int64], rows: tuple[Floats, Floats, Floats], step_h: int, known: NDArray[np.bool_]
) -> Track:
    """From middle, low and high, where ``known``."""
    middle, low, high = (tuple(values[known].tolist()) for values in rows)
    return Track(tuple(at_ms[known].tolist()), middle, low, high, step_h * HOUR_MS)


def _marks(room: Room, name: str, from_ms: int, until_ms: int) -> tuple[Mark, ...]:
    entries = room.registry.entries(nest=name, from_ms=from_ms, until_ms=until_ms)
    marks = [Mark(entry.at_ms, str(entry.kind), entry_words(entry)) for entry in entries]
    marks += [_alarm_mark(alarm) for alarm in room.alarm_log.since(from_ms, until_ms) if alarm.nest == name]
    return tuple(sorted(marks, key=lambda mark: mark.at_ms))


def _alarm_mark(alarm: Alarm) -> Mark:
    worst = alarm.worst if alarm.worst is not None and math.isfinite(alarm.worst) else None
    return Mark(alarm.raised_ms, "alarm", str(alarm.kind), alarm.returned_ms, worst)


def thinned(columns: Columns, from_ms: int, until_ms: int) -> tuple[Any, Any, Any, int]:
    """Instants, °C and % with at most about 1,500 points, and their step: means over equal steps of time.

    Steps without any reading stay empty.
    """
    at = np.frombuffer(columns.at_ms, np.int64) if len(columns) else np.empty(0, np.int64)
    usual = int(np.median(np.diff(at))) if len(at) > 2 else 5 * MINUTE_MS
    step_ms = max(MINUTE_MS, usual, (until_ms - from_ms) // MOST_POINTS)
    if len(at) <= MOST_POINTS:
        return tuple(columns.at_ms), tuple(columns.temp_c), tuple(columns.rh_pct), step_ms
    step = (at - from_ms) // step_ms
    slots, place = np.unique(step, return_inverse=True)
    means = []
    for values in (np.frombuffer(columns.temp_c), np.frombuffer(columns.rh_pct)):
        known = ~np.isnan(values)
        counts = np.bincount(place[known], minlength=len(slots))
        sums = np.bincount(place[known], weights=values[known], minlength=len(slots))
        means.append(np.divide(sums, counts, out=np.full(len(slots), np.nan), where=counts > 0))
    middle = from_ms + slots * step_ms + step_ms // 2
    return tuple(middle.tolist()), tuple(means[0].tolist()), tuple(means[1].tolist()), int(step_ms)
