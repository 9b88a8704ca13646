"""Rooms of many kinds with a death whose cause is known, for tests only; a second physics, by the quarter of an hour.

Saturation: Bolton 1980, Mon. Weather Rev. 108:1046-1053. A nest is a thermal mass in its room, a reservoir behind
cotton, and a probe somewhere between cotton and room. Species, season, heating, cadence, kind of probe, number of
siblings, how the journal is kept, and how late a death shows are drawn anew for every room. Magnitudes are common
practice and physics; none was set by what a review answers.
"""

from __future__ import annotations

import math
import random
from array import array
from dataclasses import dataclass, field

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Stage
from sensord.store.base import Columns, Hours

CAUSES = ("dry", "reservoir_empty", "wet", "heat", "cold", "swing")
INNOCENT = (
    "none", "warm_spell", "cool_spell", "probe_fault", "moved_probe", "weeks_after", "mild", "heated_rack",
)  # fmt: skip
TOO_LITTLE = "too_little"
STEP_MS, DAY_STEPS = 15 * MINUTE_MS, 96
DAYS = 48
TEMPERATE = ("Lasius niger", "Lasius flavus", "Formica fusca", "Camponotus ligniperda", "Tetramorium caespitum",
             "Myrmica rubra", "Messor barbarus", "Temnothorax nylanderi")  # fmt: skip
WARM = ("Camponotus nicobarensis", "Polyrhachis dives", "Pheidole noda", "Odontomachus monticola")


def bolton_pa(temp_c):
    """Over water."""
    return 611.2 * np.exp(17.67 * temp_c / (temp_c + 243.5))


@dataclass
class VariedRoom:
    """What the station is told, what its probes said, and the truth."""

    what: str
    dead: str = "K1"
    at_ms: int = 0
    traits: dict[str, object] = field(default_factory=dict)
    nests: list[Nest] = field(default_factory=list)
    placements: list[Placement] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    series: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]] = field(default_factory=dict)


class _Draw:
    """All that is drawn for one room before time runs."""

    def __init__(self, what: str, rng: random.Random) -> None:
        self.what = what
        self.warm = rng.random() < 0.35
        self.species = rng.choice(WARM if self.warm else TEMPERATE)
        self.resting = not self.warm and rng.random() < 0.3
        day = rng.uniform(345, 395) if self.resting else rng.uniform(105, 220)
        self.start_ms = int(1_735_689_600_000 + day * DAY_MS) // DAY_MS * DAY_MS  # counted from 2025-01-01
        self.nests = rng.choice((4, 5, 8, 12, 12, 16, 25, 61))
        self.cadence_min = rng.choice((1, 5, 5, 15, 60))
        told = what in ("dry", "reservoir_empty")  # which of the two it was, nobody can tell without a journal
        self.journal = rng.choice(("all", "all", "fills") if told else ("all", "all", "fills", "first fill", "none"))
        self.stage = rng.choice((Stage.FOUNDING, Stage.GROWING, Stage.ESTABLISHED))
        self.coarse = rng.random() < 0.2  # a probe of another make: whole per cent, tenths of a degree
        self.gaps = rng.random() < 0.3
        self.noticed = rng.choice((0, 0, 1, 2, 4)) if what != "probe_fault" else 0
        self.delay = rng.uniform(0, 1.5) if what == "heat" else rng.uniform(0, 4)
        self.told_death = rng.random() < 0.8
        death = (DAYS - 1) * DAY_STEPS - rng.randrange(DAY_STEPS)
        self.found = death
        self.died = death - self.noticed * DAY_STEPS
        self.geometry = rng.random() < 0.7
        self.racks = rng.choice((1, 2, 3))


def make(what: str, seed: int) -> VariedRoom:
    """A room in which K1 died of ``what``, or of nothing in the climate while ``what`` happened."""
    rng = random.Random(f"{seed}/{what}/varied")
    draw = _Draw(what, rng)
    event = _Event(draw, rng)
    nrng = np.random.default_rng(rng.randrange(2**32))
    steps = DAYS * DAY_STEPS
    room_c, room_pa = _room_air(draw, event, rng, nrng, steps)
    temp_c, probe_pa, entries = _live(draw, event, rng, nrng, room_c, room_pa)
    room = VariedRoom(what, traits=vars(draw) | {"event": vars(event)})
    room.at_ms = draw.start_ms + draw.found * STEP_MS
    _tell(room, draw, rng, entries)
    _measure(room, draw, event, rng, nrng, (temp_c, probe_pa, room_c, room_pa))
    return room


class _Event:
    """What happens to K1, or to the whole room; steps are quarters of an hour."""

    def __init__(self, draw: _Draw, rng: random.Random) -> None:
        what, self.kind = draw.what, rng.randrange(5)
        lasts_days = {
            "heat": rng.uniform(0.1, 1.5), "cold": rng.uniform(1, 4), "swing": rng.uniform(6, 12),
            "wet": rng.uniform(4, 12), "dry": rng.uniform(5, 13), "reservoir_empty": rng.uniform(6, 13),
            "warm_spell": rng.uniform(1, 5), "cool_spell": rng.uniform(1, 5), "weeks_after": rng.uniform(0.1, 0.8),
            "mild": rng.uniform(0.1, 0.3),
        }.get(what, 0.0)  # fmt: skip
        delay = draw.delay
        if what in ("dry", "reservoir_empty", "wet"):
            delay = 0.0 if draw.noticed == 0 else -draw.noticed  # it goes on until somebody looks
        if what in ("warm_spell", "cool_spell", "mild"):
            delay = rng.uniform(0.5, 8)
        if what == "weeks_after":
            delay = rng.uniform(15, 26)
        self.end = int(draw.died - delay * DAY_STEPS)
        self.start = int(min(draw.died, self.end) - lasts_days * DAY_STEPS)
        if delay < 0:
            self.start = int(draw.died - lasts_days * DAY_STEPS)
        self.constant_vapour = rng.random() < 0.5  # dry heat: nothing evaporates more; cold: the same air, cooled
        rest = draw.resting
        self.reach_c = {
            "heat": rng.uniform(39.5, 48), "cold": rng.uniform(-9, -4) if rest else rng.uniform(2, 8) if draw.warm else rng.uniform(-3, 5),
            "weeks_after": rng.choice((rng.uniform(36, 40), rng.uniform(5, 9) if not rest else rng.uniform(-3, 0))),
            "warm_spell": rng.uniform(36, 38.5) if not rest else rng.uniform(17, 22),
            "cool_spell": rng.uniform(6, 9) if not rest else rng.uniform(-4, -1),
        }.get(what)  # fmt: skip
        self.swing_c = rng.uniform(6.5, 11)
        self.swing_h = rng.choice((12, 24, 24))
        self.fault_start = draw.found - int(rng.uniform(0.5, 5) * DAY_STEPS)
        self.silent_days = rng.uniform(8, 20)

    def during(self, at: int) -> bool:
        return self.start <= at < self.end


def _ar(nrng, steps: int, hours: float, sd: float):
    keep = math.exp(-0.25 / hours)
    kicks = nrng.standard_normal(steps) * sd * math.sqrt(1 - keep**2)
    out, value = np.empty(steps), sd * nrng.standard_normal()
    for at in range(steps):
        value = keep * value + kicks[at]
        out[at] = value
    return out


def _room_air(draw, event, rng, nrng, steps):
    hour = np.arange(steps) / 4.0
    base = rng.uniform(4.5, 8.5) if draw.resting else rng.uniform(24, 26.5) if draw.warm else rng.uniform(20.5, 25)
    daily = rng.uniform(0.2, 0.8) if draw.resting else rng.uniform(0.4, 2.2)
    room_c = base + daily * np.sin(2 * np.pi * (hour - 9) / 24) + _ar(nrng, steps, 70, 0.5 if draw.resting else 0.9)
    if event.reach_c is not None and draw.what in ("warm_spell", "cool_spell"):
        pull = np.zeros(steps)
        length = event.end - event.start
        at = np.arange(length) / max(1, length - 1)
        pull[event.start : event.end] = np.minimum(1, np.minimum(at, 1 - at) * 6)
        room_c = room_c + pull * (event.reach_c - base)
    level = rng.uniform(55, 80) if draw.resting else rng.uniform(28, 62)
    humid = np.clip(level + _ar(nrng, steps, 60, 6) - 2 * np.sin(2 * np.pi * (hour - 9) / 24), 15, 92)
    return room_c, humid / 100 * bolton_pa(room_c)


def _targets(draw, event, rng, nrng, room_c, n):
    """Temperature that each nest goes to, a row a nest."""
    steps = len(room_c)
    offset = nrng.normal(0, 0.35, n) + (0 if draw.resting else rng.choice((0.0, 0.5, 2.5)))
    if draw.what == "heated_rack" and not draw.resting:
        offset[np.arange(n) % 3 == 0] += rng.uniform(2.0, 4.0)
    target = room_c[None, :] + offset[:, None]
    at = np.arange(steps)
    inside = (at >= event.start) & (at < event.end)
    if draw.what in ("heat", "cold") or draw.what == "weeks_after":
        target[0, inside] = event.reach_c + nrng.normal(0, 0.3, inside.sum())
    if draw.what == "swing":
        wave = event.swing_c * np.sin(2 * np.pi * at / (event.swing_h * 4) + 1.0)
        target[0, inside] += wave[inside]
    if draw.what == "mild":
        top = {True: 15.0, False: 33.5}[draw.resting]
        target[0, inside] = np.maximum(target[0, inside], top + nrng.normal(0, 0.4, inside.sum()))
    return target


def _live(draw, event, rng, nrng, room_c, room_pa):
    """Every nest through all steps: its temperature, the vapour pressure at its probe, and the keeper's entries."""
    n, steps = draw.nests, len(room_c)
    target = _targets(draw, event, rng, nrng, room_c, n)
    wet = nrng.uniform(0.55, 0.95, n)
    if draw.what == "wet":
        wet[0] = rng.uniform(0.45, 0.85)  # one that is always saturated is not seen to be flooded
    full = nrng.uniform(4, 12, n)
    water = full * nrng.uniform(0.5, 1.0, n)
    held = np.ones(n)
    rate = nrng.uniform(0.7, 1.4, n) * 0.25 / 96 / 1300.0  # mL a step and Pa: about a quarter mL a day
    if draw.resting:
        rate *= 2.0
    cotton_ml = nrng.uniform(0.25, 0.7, n)
    fill_below = nrng.uniform(0.15, 0.35, n) * full
    temp = target[:, 0].copy()
    entries: list[tuple[int, int, EntryKind, float | None]] = [
        (0, who, EntryKind.FILL, round(float(water[who]), 1)) for who in range(n)
    ]
    temps, vapours = np.empty((n, steps)), np.empty((n, steps))
    tau = nrng.uniform(1.5, 5, n)  # steps
    looks = DAY_STEPS * rng.choice((3, 5, 7))
    ends_dry = draw.what == "reservoir_empty"
    if ends_dry:
        water[0] = full[0]
    for at in range(steps):
        temp += (target[:, at] - temp) / tau
        face = np.where(held >= 0.85, 1.0, held / 0.85)
        sat = bolton_pa(temp)
        lack = np.maximum(0.0, face * sat - room_pa[at])
        lost = rate * lack
        state = (water, held, full, fill_below)
        fed = water > 0
        if draw.what == "dry" and at >= event.start:
            fed[0] = False
        water[:] = np.where(fed, np.maximum(0.0, water - lost), water)
        held[:] = np.where(fed, np.minimum(1.0, held + 0.15), np.maximum(0.0, held - lost / cotton_ml))
        if ends_dry and at < event.start:
            water[0] = full[0] * (1 - at / event.start) + 1e-3  # runs out just then
        if ends_dry and at == event.start:
            water[0] = 0.0
        if draw.what not in ("dry", "reservoir_empty") and water[0] < 0.1 * full[0]:
            _fill(at, 0, nrng, state, entries)  # an innocent death, or one of something else, is not one of thirst
        pa = room_pa[at] + wet * (face * sat - room_pa[at])
        if draw.what in ("heat", "cold", "weeks_after") and event.constant_vapour and event.during(at):
            pa[0] = min(sat[0], room_pa[at] + wet[0] * (bolton_pa(room_c[at]) - room_pa[at]))
        if draw.what == "wet" and event.start <= at:
            pa[0] = sat[0] * min(1.004, 0.985 + 0.02 * nrng.random())
        temps[:, at], vapours[:, at] = temp, np.minimum(pa, 1.005 * sat)
        if at % looks == looks // 2:
            _look(draw, nrng, at, state, entries)
    return temps, vapours, entries


def _look(draw, nrng, at, state, entries):
    """The keeper goes round: fills what is low, notes some levels; forgets K1 where its reservoir is to run empty."""
    water, _, _, fill_below = state
    for who in range(draw.nests):
        forgotten = who == 0 and (draw.what == "reservoir_empty" or at > draw.died)
        if water[who] < fill_below[who] and not forgotten:
            _fill(at, who, nrng, state, entries)
        elif nrng.random() < 0.5:
            seen = max(0.0, float(water[who]) + nrng.normal(0, 0.2)) if water[who] > 0 else 0.0
            entries.append((at, who, EntryKind.LEVEL, round(seen, 1)))


def _fill(at, who, nrng, state, entries):
    water, held, full, _ = state
    water[who], held[who] = full[who] * nrng.uniform(0.85, 1.0), 1.0
    entries.append((at, who, EntryKind.FILL, round(float(water[who] * nrng.uniform(0.9, 1.1)), 1)))


def _tell(room, draw, rng, entries):
    kinds = {"all": (EntryKind.FILL, EntryKind.LEVEL), "fills": (EntryKind.FILL,), "first fill": (), "none": ()}
    for who in range(draw.nests):
        name = f"K{who + 1}"
        since = draw.start_ms - rng.randrange(0, 2) * 200 * DAY_MS
        rack = f"rack {who % draw.racks}"
        sizes = (16.0, 60.0, 8.0) if draw.geometry else (None, None, None)
        room.nests.append(
            Nest(name, NestKind.TUBE, "den", rack, draw.species, name, draw.stage, since, *sizes,
                 Plug.COTTON if draw.geometry else None)
        )  # fmt: skip
    for at, who, kind, amount in entries:
        wanted = kind in kinds[draw.journal] or (draw.journal == "first fill" and at == 0)
        if wanted and at <= draw.found:
            room.entries.append(Entry(draw.start_ms + at * STEP_MS, f"K{who + 1}", kind, amount, "mL"))
    if draw.told_death:
        room.entries.append(Entry(room.at_ms, "K1", EntryKind.DIED))


def _measure(room, draw, event, rng, nrng, air):
    temp_c, probe_pa, room_c, room_pa = air
    what, end = draw.what, draw.found
    distance = float(rng.randrange(5, 25)) if draw.geometry else None
    begin_ms = draw.start_ms
    room.placements.append(Placement("hub/den", None, "den", Place.ROOM, begin_ms))
    _probe(room, draw, rng, nrng, "hub/den", room_c, 100 * room_pa / bolton_pa(room_c))
    unprobed = rng.random() < 0.15
    for who in range(draw.nests):
        if who and unprobed and who > 3:
            continue
        name, probe = f"K{who + 1}", f"hub/k{who + 1}"
        t, rh = temp_c[who].copy(), 100 * probe_pa[who] / bolton_pa(temp_c[who])
        until = None
        if who == 0 and what == "moved_probe":
            until = _moved(room, event, rng, (t, rh, room_c, room_pa, begin_ms))
        room.placements.append(Placement(probe, name, "den", Place.WET_END, begin_ms, until, distance))
        _probe(room, draw, rng, nrng, probe, t, rh)
        if who == 0 and what == "probe_fault":
            _break(room, event, nrng, probe, begin_ms, end)
        if who == 0 and what == TOO_LITTLE:
            _thin(room, event, nrng, probe, begin_ms, end)


def _moved(room, event, rng, air):
    """The probe of K1 leaves it: told or untold, to the open room, a sill, or another nest."""
    t, rh, room_c, room_pa, begin_ms = air
    at = event.fault_start
    if event.kind == 0:  # told: it now measures the room
        t[at:], rh[at:] = room_c[at:], 100 * room_pa[at:] / bolton_pa(room_c[at:])
        until = begin_ms + at * STEP_MS
        room.placements.append(Placement("hub/k1", None, "den", Place.ROOM, until))
        return until
    off = (0.0, 0.3, -3.0, 4.0)[event.kind - 1]  # on the shelf, on a cool sill, on something warm
    t[at:] = room_c[at:] + off
    rh[at:] = np.minimum(100, 100 * room_pa[at:] * rng.uniform(0.97, 1.03) / bolton_pa(t[at:]))
    return None


def _probe(room, draw, rng, nrng, probe, temp_c, rh):
    """What a probe of that make says at its cadence; hubs with gaps lose some hours now and then."""
    start, end = draw.start_ms, draw.start_ms + draw.found * STEP_MS
    step = draw.cadence_min * MINUTE_MS
    at = np.arange(start + rng.randrange(step), end, step)
    grid = start + np.arange(len(temp_c)) * STEP_MS
    bias_c, bias_rh = rng.gauss(0, 0.2), rng.gauss(0, 1.8)
    t = np.interp(at, grid, temp_c) + bias_c + nrng.normal(0, 0.04, len(at))
    h = np.interp(at, grid, rh) + bias_rh + nrng.normal(0, 0.25, len(at))
    h = np.clip(h, 0.5, 100)
    t, h = (np.round(t, 1), np.round(h)) if draw.coarse else (np.round(t, 2), np.round(h, 2))
    if draw.gaps:
        keep = np.ones(len(at), bool)
        for _ in range(6):
            first = rng.uniform(start, end)
            keep &= (at < first) | (at > first + rng.uniform(1, 12) * HOUR_MS)
        at, t, h = at[keep], t[keep], h[keep]
    room.series[probe] = (at, t, h)


def _break(room, event, nrng, probe, begin_ms, end):
    at, t, h = room.series[probe]
    bad = at >= begin_ms + event.fault_start * STEP_MS
    first = int(np.flatnonzero(bad)[0]) if bad.any() else len(at)
    if event.kind == 0:
        room.series[probe] = (at[~bad], t[~bad], h[~bad])
    elif event.kind == 1 and first < len(at):
        t[bad], h[bad] = t[first], h[first]
    elif event.kind == 2:
        t[bad], h[bad] = -45.0, 0.0
    elif event.kind == 3:
        t[bad], h[bad] = 130.0, 100.0
    else:
        t[bad] = nrng.uniform(-40, 120, bad.sum()).round(2)
        h[bad] = nrng.uniform(0, 100, bad.sum()).round(2)


def _thin(room, event, nrng, probe, begin_ms, end):
    at, t, h = room.series[probe]
    stop = begin_ms + int((end / DAY_STEPS - event.silent_days) * DAY_MS)
    if event.kind in (0, 1):
        keep = at < stop
    elif event.kind == 2:
        keep = nrng.random(len(at)) < 0.0
    elif event.kind == 3:  # put in on the last evening
        keep = at > begin_ms + (end - 40) * STEP_MS
    else:  # an hour here and there
        keep = np.isin(at // HOUR_MS, nrng.choice(np.unique(at // HOUR_MS), 40))
    room.series[probe] = (at[keep], t[keep], h[keep])


class SeriesStore:
    """The part of the store's port that a review reads, over the series of a room."""

    def __init__(self, room: VariedRoom) -> None:
        self._series = room.series
        self._rolled: dict[str, tuple[np.ndarray, ...]] = {}

    def probes(self) -> list[str]:
        return sorted(self._series)

    def span(self, probe: str) -> tuple[int, int] | None:
        at = self._series.get(probe, (np.empty(0),))[0]
        return (int(at[0]), int(at[-1])) if len(at) else None

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        if probe not in self._series:
            return Columns()
        at, temp, rh = self._series[probe]
        keep = (at >= from_ms) & (at < until_ms)
        return Columns(
            array("q", at[keep].astype(np.int64).tobytes()), array("d", temp[keep].tobytes()),
            array("d", rh[keep].tobytes()),
        )  # fmt: skip

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        if probe not in self._rolled:
            self._rolled[probe] = _rolled(*self._series.get(probe, (np.empty(0, np.int64), np.empty(0), np.empty(0))))
        hour, *columns = self._rolled[probe]
        keep = (hour * HOUR_MS >= from_ms) & (hour * HOUR_MS < until_ms)
        counts = [array("q", column[keep].astype(np.int64).tobytes()) for column in columns[:2]]
        values = [array("d", column[keep].tobytes()) for column in columns[2:]]
        return Hours(array("q", (hour[keep] * HOUR_MS).astype(np.int64).tobytes()), *counts, *values)


def _rolled(at, temp, rh):
    hours, first = np.unique(at // HOUR_MS, return_index=True)
    if not len(hours):
        return (np.empty(0, np.int64), *(np.empty(0) for _ in range(8)))
    known = [np.isfinite(values) for values in (temp, rh)]
    counts = [np.add.reduceat(each.astype(float), first) for each in known]
    found = []
    for values, each, count in zip((temp, rh), known, counts, strict=True):
        with np.errstate(invalid="ignore"):
            mean = np.add.reduceat(np.where(each, values, 0.0), first) / np.where(count > 0, count, np.nan)
        low = np.minimum.reduceat(np.where(each, values, np.inf), first)
        high = np.maximum.reduceat(np.where(each, values, -np.inf), first)
        found += [mean, np.where(count > 0, low, np.nan), np.where(count > 0, high, np.nan)]
    return (hours, *counts, *found)
