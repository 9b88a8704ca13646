"""Another month of two hundred nests, made otherwise than the first, as a check that the rules fit no one simulator.

December: a hundred tropical nests on racks whose heat mats and air conditioning switch every twenty minutes, a hundred
resting tubes in fridges that cycle and defrost. Probes drop out and get wet, doors are opened, tubes are filled. Invented data.
"""

from __future__ import annotations

from array import array
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from test_month_of_a_room import Told

from sensord.alarms.lifecycle import Alarm
from sensord.alarms.replay import alarms_of, busiest, count, evaluate
from sensord.alarms.standing import Standings
from sensord.alarms.tuning import Tuning
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, parse_instant, to_ms
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement
from sensord.store.base import Columns

START = to_ms(parse_instant("2026-12-01T00:00:00Z"))
NESTS, DAYS, EVERY_MS = 200, 30, 3 * MINUTE_MS
COUNT = DAYS * DAY_MS // EVERY_MS
K = AlarmKind
Floats = NDArray[np.float64]
INCIDENTS: dict[int, AlarmKind] = {
    4: K.HOT, 11: K.COLD, 23: K.DRY, 37: K.WET, 52: K.SILENT, 61: K.FAULTY, 104: K.HOT, 131: K.COLD, 150: K.SILENT,
}  # fmt: skip


def rests(number: int) -> bool:
    return number >= NESTS // 2


def course(number: int) -> tuple[Floats, Floats, Floats]:
    """Instants in minutes, temperature and humidity of one probe through the month; NaN where it did not answer."""
    rng = np.random.default_rng(1000 + number)
    minute = np.arange(COUNT) * (EVERY_MS / MINUTE_MS) + rng.uniform(0, 2)
    temp, rh = (fridge if rests(number) else rack)(rng, minute)
    for opened in range(8 * DAYS):  # a door or a lid is opened: room air for three to nine minutes
        air(rng, minute, temp, rh, 180 * opened + rng.uniform(0, 165), rng.uniform(3, 9), resting=rests(number))
    for _ in range(0 if INCIDENTS.get(number) == K.WET else 4):  # a fresh fill: drops on the sensor for an hour or two
        wet = (minute >= (at := rng.uniform(0, minute[-1]))) & (minute < at + rng.uniform(40, 150))
        rh[wet] = np.minimum(100.0, 99.6 + rng.uniform(0, 0.6, wet.sum()))
    incident(number, minute, temp, rh)
    for day in range(DAYS):  # a loose plug: once a day no answer for up to eight minutes
        gap = (minute >= (at := 1440 * day + rng.uniform(0, 1400))) & (minute < at + rng.uniform(2, 8))
        temp[gap] = rh[gap] = np.nan
    lost = rng.random(COUNT) < 0.01
    temp[lost] = rh[lost] = np.nan
    return minute, np.round(temp, 2), np.round(np.clip(rh, 0, 100), 2)


def rack(rng: np.random.Generator, minute: Floats) -> tuple[Floats, Floats]:
    """Heat mats and air conditioning that switch every twenty minutes or so, a day and night, a sensor that lags."""
    phase, period = rng.uniform(0, 20), rng.uniform(17, 23)
    saw = np.abs(((minute + phase) / period) % 1 * 2 - 1) * 2 - 1
    temp = 25.5 + 1.6 * saw + 1.2 * np.sin(2 * np.pi * minute / 1440) + slow(rng, 0.3)
    rh = rng.uniform(80, 90) - 4.5 * saw + 2 * slow(rng, 1.0)
    return temp + rng.laplace(0, 0.06, COUNT), rh + rng.laplace(0, 0.5, COUNT)


def fridge(rng: np.random.Generator, minute: Floats) -> tuple[Floats, Floats]:
    """Half an hour a cycle, defrosting every eight hours up to 15 °C for some minutes."""
    phase = rng.uniform(0, 480)
    temp = 5.5 + 1.8 * np.sin(2 * np.pi * (minute + phase) / rng.uniform(26, 34)) + slow(rng, 0.2)
    since = (minute + phase) % 480
    temp += np.where(since < 40, 9.5 * np.exp(-(((since - 14) / 9) ** 2)), 0.0)
    return temp + rng.laplace(0, 0.05, COUNT), rng.uniform(75, 92) + 3 * slow(rng, 1.0) + rng.laplace(0, 0.6, COUNT)


def slow(rng: np.random.Generator, size: float) -> Floats:
    """A wander over days: noise smoothed over half a day."""
    steps = rng.normal(0, 1, DAYS * 2 + 2)
    return size * np.interp(np.arange(COUNT) * EVERY_MS / HOUR_MS / 12, np.arange(len(steps)), steps)


def air(
    rng: np.random.Generator, minute: Floats, temp: Floats, rh: Floats, at: float, length: float, *, resting: bool
) -> None:
    there = (minute >= at) & (minute < at + length)
    temp[there] += rng.uniform(2, 6) if resting else -rng.uniform(1, 3)
    rh[there] -= rng.uniform(10, 30)


def incident(number: int, minute: Floats, temp: Floats, rh: Floats) -> None:
    """What goes wrong, from noon of the tenth day for ten hours: each in its own, often slow way."""
    kind, from_min = INCIDENTS.get(number), 9.5 * 1440
    since = minute - from_min
    there = (since >= 0) & (since < 600)
    if kind == K.HOT:
        temp[there] += np.minimum(since[there] * 0.1, 18.0)  # a mat that no longer switches; a fridge that failed
    elif kind == K.COLD:
        temp[there] -= np.minimum(since[there] * 0.08, 14.0)
    elif kind == K.DRY:
        rh[there] -= np.minimum(since[there] * 0.15, 45.0)
    elif kind == K.WET:
        rh[there], temp[there] = 99.2, temp[there]
    elif kind == K.SILENT:
        temp[there] = rh[there] = np.nan
    elif kind == K.FAULTY:
        temp[there], rh[there] = 25.13, 81.57  # stuck


class Month:
    """A store of readings worked out when asked."""

    def probes(self) -> list[str]:
        return [f"hub/p{number}" for number in range(NESTS)]

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        minute, temp, rh = course(int(probe.removeprefix("hub/p")))
        at_ms = START + np.round(minute * MINUTE_MS).astype(np.int64)
        known = (at_ms >= from_ms) & (at_ms < until_ms) & ~np.isnan(temp)
        return Columns(array("q", at_ms[known]), array("d", temp[known]), array("d", rh[known]))


def room() -> Standings:
    species = ["Lasius niger" if rests(number) else "Camponotus nicobarensis" for number in range(NESTS)]
    place = [Place.DRY_END if INCIDENTS.get(number) == K.WET else Place.WET_END for number in range(NESTS)]
    nests = [Nest(f"N{n}", NestKind.TUBE, "fridge" if rests(n) else "hall", "A", species[n]) for n in range(NESTS)]
    placements = [Placement(f"hub/p{n}", f"N{n}", nests[n].room, place[n], 0) for n in range(NESTS)]
    return Standings(placements, nests, Keeping(load_species(None)))


def due_ms(number: int, standings: Standings, tuning: Tuning) -> int:
    """When the alarm of an incident is due at the latest: from the first reading on from which every one, for the whole
    delay, is beyond the limit; where the probe was silent when the delay ended, at its next reading. Of silence and stuck
    values by their patience."""
    kind, begin_ms = INCIDENTS[number], START + round(9.5 * DAY_MS)
    if kind == K.SILENT:
        return begin_ms + tuning.silent_after_ms + EVERY_MS
    if kind == K.FAULTY:
        return begin_ms + tuning.stuck_after_ms + EVERY_MS
    standing = standings.of(f"hub/p{number}", begin_ms)
    assert standing is not None
    columns = Month().raw(f"hub/p{number}", begin_ms, begin_ms + 11 * HOUR_MS)
    temp_c, rh_pct = standing.bands.temp_c, standing.bands.rh_pct
    value, limit, sign = {
        K.HOT: (columns.temp_c, temp_c.limit_high, 1), K.COLD: (columns.temp_c, temp_c.limit_low, -1),
        K.DRY: (columns.rh_pct, rh_pct.limit_low, -1), K.WET: (columns.rh_pct, rh_pct.limit_high, 1),
    }[kind]  # fmt: skip
    on_ms = tuning.delays[kind].on_ms
    if kind == K.HOT and rests(number):
        on_ms = tuning.resting_hot_on_ms
    at_ms, beyond = np.array(columns.at_ms), (np.array(value) - limit) * sign > 0
    for first in np.flatnonzero(beyond):
        after = int(np.searchsorted(at_ms, at_ms[first] + on_ms))
        if beyond[first : after + 1].all():
            thin = at_ms[after] - at_ms[after - 1] > 5 * EVERY_MS // 2
            return int(at_ms[after]) if thin else int(at_ms[first]) + on_ms
    raise AssertionError(f"N{number}: the incident never lasts; the simulator is wrong")


@pytest.mark.slow
def test_a_second_room_tells_every_incident_in_time_and_hardly_anything_else(tmp_path: Path) -> None:
    """Within the on-delay plus 15 s; at most one false alarm in 1,000 nest-days; no flood, nothing chatters."""
    standings, tuning = room(), Tuning()
    found = evaluate(Month(), standings, tuning, START, START + DAYS * DAY_MS)
    told = Told(tmp_path / "station.db", standings, START)
    told.play(found.events, START + DAYS * DAY_MS)
    first = told.first_told()
    late = {
        number: (kind, first.get((f"N{number}", str(kind))), due)
        for number, kind in INCIDENTS.items()
        if (first.get((f"N{number}", str(kind))) or 1 << 62)
        > (due := due_ms(number, standings, tuning)) + 15 * SECOND_MS
    }
    assert late == {}
    alarms = alarms_of(found.events, found.engine, standings)
    false = [alarm for alarm in alarms if not is_of_incident(alarm)]
    assert len(false) <= NESTS * DAYS / 1000, [
        (alarm.nest, alarm.kind, alarm.raised_ms - START) for alarm in false[:20]
    ]
    counts = count(alarms, found.readings, NESTS, START, START + DAYS * DAY_MS, found.newest_ms)
    assert (counts.floods, counts.chattering) == (0, 0)
    messages = told.messages()
    assert len(messages) / DAYS <= 10
    assert busiest([at_ms for at_ms, _ in messages], 10 * MINUTE_MS) <= 10


def is_of_incident(alarm: Alarm) -> bool:
    """An alarm of a nest where something went wrong, while it did or soon after."""
    number = int((alarm.nest or "N-1").removeprefix("N"))
    return number in INCIDENTS and -HOUR_MS <= alarm.raised_ms - START - round(9.5 * DAY_MS) <= 14 * HOUR_MS
