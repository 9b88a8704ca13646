"""The only door from the dashboard to sensord. Fills snapshots; everything behind it is somebody else's room."""

from __future__ import annotations

import dataclasses
import logging
import threading
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from dashboard.filling import alarm_now, colony_now, out_of_service, water_of
from dashboard.keeping_data import KeepingData
from dashboard.nest_data import PLACES, KeptSteps, history_of, written_of
from dashboard.nest_past import past_of
from dashboard.nest_snapshot import Asked, History, Journal, PastLine
from dashboard.review_data import ReviewData
from dashboard.rounding import KeptRound
from dashboard.snapshot import (
    Air,
    AlarmNow,
    ColonyNow,
    HubNow,
    NestNow,
    ProbeNow,
    ProcessNow,
    RoundNow,
    Snapshot,
    Water,
)
from sensord.alarms.standing import Standings
from sensord.alarms.watch import standings_of
from sensord.clock import HOUR_MS, MINUTE_MS, to_ms
from sensord.errors import MissingPartError, NestclimateError, NotThereError
from sensord.health import PROCESSES, Beats
from sensord.keeping.colony import colonies
from sensord.model import EntryKind, Placement, Reading
from sensord.probes.quality import in_range
from sensord.store.base import Columns
from sensord.store.status import HubStatuses
from sensord.wiring import Room

FRESH_S = 1.0
"""Walls that ask within that long share one snapshot."""
KEEPING_FRESH_S, SLOW_FRESH_S = 10.0, 60.0
TREND_OVER_MS = HOUR_MS
_AIR_ALONE = Asked()

_log = logging.getLogger(__name__)
Value = TypeVar("Value")
_Trend = tuple[float | None, float | None]


@dataclasses.dataclass
class _Kept:
    """A value that is worth keeping for a while, and when it was made (real monotonic seconds)."""

    value: Any = None
    made_s: float = -1e9


class Data:
    """Answers from any thread: each has a Room, and so a connection, of its own.

    Args:
        room: the configured room; used for its settings and clock only.
    """

    def __init__(self, room: Room) -> None:
        self._config, self._clock = room.config, room.clock
        self._own = threading.local()
        self._lock = threading.Lock()
        self.touched = threading.Event()
        self._steps = KeptSteps()
        self._snapshot, self._keeping, self._slow, self._water = _Kept(), _Kept(), _Kept(), _Kept()
        self._round = KeptRound()
        self.keeping = KeepingData(self._room)
        self.reviews = ReviewData(self._room)

    def _room(self) -> Room:
        if not hasattr(self._own, "room"):
            self._own.room = Room(self._config, self._clock)
        room: Room = self._own.room
        return room

    def _fresh(self, kept: _Kept, seconds: float, make: Callable[[], Value]) -> Value:
        now_s = self._clock.monotonic()
        if now_s - kept.made_s > seconds * getattr(self._clock, "speed", 1.0):
            kept.value, kept.made_s = make(), now_s
        value: Value = kept.value
        return value

    def refresh(self) -> None:
        """Bring the slow parts up to date: outlook and round. The process calls it between requests, never a page.

        What fails is left out and logged; the wall then shows no days left rather than old ones.
        """
        room, at_ms, upto, outlook = self._room(), to_ms(self._clock.now()), 0, None
        try:
            upto = room.registry.newest_entry_id()
            outlook = room.forecast.at(at_ms)
        except MissingPartError as error:
            _log.warning("outlook: %s", error)
        except NestclimateError as error:
            _log.warning("outlook cannot be computed now: %s", error)
        except Exception:
            self._water = _Kept()
            raise
        found = {one.nest: water for one in outlook or () if (water := water_of(one))}
        self._water = _Kept(found, self._clock.monotonic())
        self._round.make(room, at_ms, upto, outlook)
        self.keeping.refresh()

    def round(self) -> RoundNow | None:
        """As last made by ``refresh``, less what was done since."""
        return self._round.now(self._room(), to_ms(self._clock.now()))

    def snapshot(self) -> Snapshot:
        """The room now; at most a second old."""
        with self._lock:
            return self._fresh(self._snapshot, FRESH_S, self._read)

    def forget(self) -> None:
        """Read anew at the next question, and have outlook and round made anew soon: something was written."""
        self._snapshot, self._keeping = _Kept(), _Kept()
        self.touched.set()

    def _read(self) -> Snapshot:
        room, at_ms = self._room(), to_ms(self._clock.now())
        stands = self._fresh(self._keeping, KEEPING_FRESH_S, lambda: self._stands(at_ms))
        latest = room.store.latest()
        trends = self._fresh(self._slow, SLOW_FRESH_S, lambda: self._trends(stands, at_ms))
        nests = [self._nest(stand, latest, trends) for stand in stands]
        return Snapshot(
            station=self._config.station.name,
            time_zone=self._config.station.time_zone,
            at_ms=at_ms,
            nests=tuple(nests),
            alarms=tuple(alarm_now(alarm) for alarm in room.alarm_log.active()),
            hubs=self._hubs(room),
            processes=self.health(),
            live=self._config.broker is not None,
            newest_ms=max((reading.at_ms for reading in latest.values()), default=None),
            silent_after_ms=self._config.alarms.silent_after_s * 1_000,
            due_days=self._config.alarms.reservoir_days,
            urgent_days=self._config.alarms.reservoir_urgent_days,
            speed=getattr(self._clock, "speed", 1.0),
            temperature_unit=self._config.dashboard.temperature_unit,
            out_of_service=tuple(out_of_service(taken) for taken in room.alarm_log.out_of_service(at_ms)),
        )

    def _stands(self, at_ms: int) -> list[NestNow]:
        """Every nest whose colony lives, with its probe and bands, still without air and water."""
        room = self._room()
        standings = standings_of(room.registry, room.keeping)
        held: dict[str, list[Placement]] = {}
        for one in standings.placements:
            if one.nest is not None and one.holds(at_ms):
                held.setdefault(one.nest, []).append(one)
        names = sorted({nest.name for nest in standings.nests})
        return [now for name in names if (now := _stand(name, standings, held.get(name, []), at_ms))]

    def _nest(self, stand: NestNow, latest: dict[str, Reading], trends: dict[str, _Trend]) -> NestNow:
        placement, air = stand.placement, None
        reading = latest.get(placement.probe) if placement else None
        if (
            placement and reading and placement.holds(reading.at_ms)
        ):  # else it was taken elsewhere, before the probe moved
            air = self._air(reading, trends.get(placement.probe, (None, None)))
        return dataclasses.replace(stand, air=air, water=self._water_of(stand.nest.name))

    def _water_of(self, nest: str) -> Water | None:
        kept = self._water
        return kept.value.get(nest) if kept.value else None

    def _air(self, reading: Reading, trend: _Trend) -> Air:
        temp_c, rh_pct = self._calibrated(reading)
        doubt = ""
        if reading.temp_c is not None and reading.rh_pct is not None and not in_range(reading.temp_c, reading.rh_pct):
            doubt = "impossible value"
        return Air(reading.at_ms, temp_c, rh_pct, *trend, doubt)

    def _calibrated(self, reading: Reading) -> tuple[float | None, float | None]:
        """As calibrated; missing stays missing."""
        nan = float("nan")
        temp, rh = self._room().calibrations.apply(
            reading.probe,
            [reading.at_ms],
            _floats([nan if reading.temp_c is None else reading.temp_c]),
            _floats([nan if reading.rh_pct is None else reading.rh_pct]),
        )
        return (
            None if reading.temp_c is None else float(temp[0]),
            None if reading.rh_pct is None else float(rh[0]),
        )

    def _trends(self, stands: Iterable[NestNow], at_ms: int) -> dict[str, _Trend]:
        """Change an hour at every nest's probe, from its readings of the last hour."""
        store = self._room().store
        held = [stand.placement for stand in stands if stand.placement]
        return {
            one.probe: trend_of(store.raw(one.probe, max(one.since_ms, at_ms - TREND_OVER_MS), at_ms + 1))
            for one in held
        }

    def health(self) -> tuple[ProcessNow, ...]:
        """Every process that should run; the recorder only where there is a broker."""
        beats = Beats(self._room().connection).all()
        due = [name for name in PROCESSES if name != "record" or self._config.broker is not None]
        return tuple(
            ProcessNow(name, beats[name].at_ms, beats[name].note) if name in beats else ProcessNow(name, None)
            for name in due
        )

    def _hubs(self, room: Room) -> tuple[HubNow, ...]:
        return tuple(
            HubNow(
                hub.hub,
                hub.state,
                hub.heard_at_ms,
                hub.version,
                hub.outbox_rows or 0,
                hub.oldest_ms,
                hub.since_ms,
                hub.boot,
                hub.faults,
            )
            for hub in HubStatuses(room.connection).all().values()
        )

    def nest(self, name: str) -> NestNow | None:
        """Of a dead colony the last nest row, with the bands that held when it died."""
        alive = next((now for now in self.snapshot().nests if now.nest.name == name), None)
        return alive or self._gone(name)

    def _gone(self, name: str) -> NestNow | None:
        room = self._room()
        rows = room.registry.history(name)
        if not rows:
            return None
        died = [entry.at_ms for entry in room.registry.entries(nest=name, kinds=(EntryKind.DIED,))]
        if not died:
            return NestNow(rows[-1], species=rows[-1].species)
        standings = standings_of(room.registry, room.keeping)
        standing = standings.of_nest(name, died[-1] - 1)
        return NestNow(
            standings.nest(name, died[-1]) or rows[-1],
            bands=standing.bands if standing else None,
            species=standing.species if standing else rows[-1].species,
            died_ms=died[-1],
        )

    def colonies(self) -> tuple[ColonyNow, ...]:
        """From nests and journal up to now."""
        registry = self._room().registry
        found = colonies(registry.history(), registry.entries(), to_ms(self._clock.now()))
        return tuple(colony_now(one) for one in found)

    def history(self, nest: str, from_ms: int | None, until_ms: int, asked: Asked = _AIR_ALONE) -> History:
        """A nest over a window; ``from_ms`` None: from its first reading on."""
        return history_of(self._room(), self._steps, nest, (from_ms, until_ms), asked)

    def written(self, nest: str, most: int) -> Journal:
        """The last lines of a nest's journal, newest first."""
        return written_of(self._room(), nest, most, to_ms(self._clock.now()))

    def past(self, nest: str) -> tuple[PastLine, ...]:
        """From nests, placements and who changed them."""
        registry = self._room().registry
        return past_of(nest, registry.history(nest), registry.placements(nest=nest), registry.changes(nest))

    def alarms(self, since_ms: int) -> tuple[AlarmNow, ...]:
        """The alarm log since then, newest first."""
        found = self._room().alarm_log.since(since_ms)
        return tuple(sorted((alarm_now(alarm) for alarm in found), key=lambda alarm: -alarm.raised_ms))

    def alarm(self, id_: str) -> AlarmNow | None:
        """One alarm with every step of its life."""
        log = self._room().alarm_log
        try:
            found = log.get(id_)
        except NotThereError:
            return None
        return alarm_now(found, log.transitions(found.id)) if found.id == id_ else None

    def probes(self) -> tuple[ProbeNow, ...]:
        """Every probe that is placed or ever had a reading."""
        room, at_ms = self._room(), to_ms(self._clock.now())
        latest = room.store.latest()
        placed = {one.probe: one for one in room.registry.placements(at_ms=at_ms)}
        return tuple(_probe(name, placed.get(name), latest.get(name)) for name in sorted({*latest, *placed}))


def _floats(values: list[float]) -> Any:
    import numpy as np

    return np.asarray(values, dtype=float)


def _stand(name: str, standings: Standings, held: list[Placement], at_ms: int) -> NestNow | None:
    """One nest; None where its colony is dead or it is still to come. At its wet end a probe speaks for it first."""
    nest = standings.nest(name, at_ms)
    standing = standings.of_nest(name, at_ms)
    if nest is None or (nest.since_ms or 0) > at_ms or standing is None:
        return None
    placement = min((one for one in held if one.place in PLACES), key=lambda one: PLACES.index(one.place), default=None)
    if placement is not None:
        standing = standings.of(placement.probe, at_ms) or standing
    return NestNow(nest, placement, bands=standing.bands, species=standing.species, season=standing.season.value)


def _probe(name: str, placement: Placement | None, reading: Reading | None) -> ProbeNow:
    if reading is None:
        return ProbeNow(name, placement, None)
    return ProbeNow(name, placement, reading.at_ms, reading.temp_c, reading.rh_pct)


def trend_of(columns: Columns) -> tuple[float | None, float | None]:
    """Slopes of temperature (°C/h) and humidity (%/h) by least squares; None from less than 20 minutes of readings."""
    return _slope(columns.at_ms, columns.temp_c), _slope(columns.at_ms, columns.rh_pct)


def _slope(at_ms: Iterable[int], values: Iterable[float]) -> float | None:
    pairs = [(at / HOUR_MS, value) for at, value in zip(at_ms, values, strict=True) if value == value]  # noqa: PLR0124 - not NaN
    if len(pairs) < 3 or pairs[-1][0] - pairs[0][0] < 20 * MINUTE_MS / HOUR_MS:
        return None
    mean_at = sum(at for at, _ in pairs) / len(pairs)
    mean = sum(value for _, value in pairs) / len(pairs)
    spread = sum((at - mean_at) ** 2 for at, _ in pairs)
    return sum((at - mean_at) * (value - mean) for at, value in pairs) / spread
