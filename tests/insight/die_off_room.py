"""Rooms with a death of known cause, for tests only: physics of their own, one step an hour, two readings an hour.

Saturation: Buck 1981, J. Appl. Meteorol. 20:1527-1532. Each tube: a reservoir that loses water by its own conductance,
cotton that dries over days once nothing feeds it, a probe between cotton and room. The keeper fills some tubes late, and
those live. Nothing here is used by the product, and none of its numbers was set by what a review answers.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from sensord.clock import HOUR_MS
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Stage
from sensord.store.base import Hours

START_MS = 1_778_544_000_000  # 2026-05-12T00:00Z
DAYS = 60
HOURS = DAYS * 24
CAUSES = ("dry", "reservoir_empty", "wet", "heat", "cold", "swing")
INNOCENT = ("none", "warm_spell", "probe_fault", "moved_probe", "weeks_after", "late_fills", "cool_rack")


def buck_pa(temp_c: float) -> float:
    return 611.21 * math.exp(17.502 * temp_c / (240.97 + temp_c))


@dataclass
class SimulatedRoom:
    """What was told and measured, and the truth: the nest that died, when, and what happened."""

    what: str
    nests: list[Nest] = field(default_factory=list)
    placements: list[Placement] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    rows: list[tuple[str, int, float | None, float | None]] = field(default_factory=list)
    dead: str = "T01"
    died_ms: int = 0


class _Tube:
    """One tube's state."""

    def __init__(self, rng: random.Random, warm_c: float) -> None:
        self.full = rng.uniform(5.0, 9.0)
        self.water = self.full * rng.uniform(0.5, 1.0)
        self.held = 1.0
        self.w0 = rng.uniform(0.62, 0.85)
        self.loss = rng.uniform(0.8, 1.3) * 0.6e-4  # mL/h per 10 Pa of lacking vapour: 0.1 to 0.3 mL a day
        self.warm = warm_c + rng.gauss(0, 0.3)
        self.bias_rh, self.bias_c = rng.gauss(0, 1.0), rng.gauss(0, 0.1)
        self.fill_at = 0.25 * self.full
        self.fed = True
        self.forgotten_until = -1

    def step(self, temp_c: float, room_pa: float) -> float:
        """An hour; vapour pressure at the probe."""
        face = (max(0.0, self.held) / 0.9) ** 0.8 if self.held < 0.9 else 1.0
        lack = max(0.0, face * buck_pa(temp_c) - room_pa)
        lost = self.loss * lack / 10.0
        if self.water > 0 and self.fed:
            self.water, self.held = max(0.0, self.water - lost), min(1.0, self.held + 0.3)
        else:
            self.held = max(0.0, self.held - lost / 0.55)
        return room_pa + self.w0 * (face * buck_pa(temp_c) - room_pa)


def make_room(what: str, seed: int, nests: int = 12) -> SimulatedRoom:
    """A room in which T01 died of ``what``, or innocently of something else while ``what`` happened."""
    rng = random.Random(f"{what}-{seed}")
    room = SimulatedRoom(what)
    heated = rng.random() < 0.4
    level, mean_c = rng.uniform(36, 58), rng.uniform(20.5, 23.0)
    death = HOURS - 1 - rng.randrange(0, 24 * 6)
    room.died_ms = START_MS + death * HOUR_MS + rng.randrange(0, HOUR_MS)
    tubes = [_Tube(rng, (2.5 if heated and number % 2 else 0.3)) for number in range(nests)]
    event = _Event(what, rng, death)
    _tell(room, tubes, rng, event)
    weather = weather_c = 0.0
    stuck: tuple[float, float] | None = None
    for hour in range(HOURS):
        weather += -weather / 60 + rng.gauss(0, 1.0)
        weather_c += -weather_c / 90 + rng.gauss(0, 0.12)
        room_c = mean_c + 1.6 * math.sin(2 * math.pi * (hour - 9) / 24) + weather_c + event.room_c(hour)
        room_rh = min(88.0, max(20.0, level + weather - 2.5 * math.sin(2 * math.pi * (hour - 9) / 24)))
        room_pa = buck_pa(room_c) * room_rh / 100
        _write(room, "hub/room", hour, room_c, room_rh, rng, (0.0, 0.0))
        for number, tube in enumerate(tubes):
            name = f"T{number + 1:02d}"
            mine = number == 0
            temp = room_c + tube.warm + (event.nest_c(hour, rng) if mine else event.rack_c(hour, number))
            if mine:
                event.water(hour, tube)
            pa = tube.step(temp, room_pa)
            _keep(room, name, tube, hour, rng, event if mine else None)
            if mine and event.flooded(hour):
                pa = buck_pa(temp) * rng.uniform(0.998, 1.004)
            probe_c, probe_rh = temp, 100 * pa / buck_pa(temp)
            if mine and event.what == "moved_probe" and hour >= event.start:
                probe_c, probe_rh = room_c + event.moved[0], room_rh * event.moved[1]
            if mine and event.what == "probe_fault" and hour >= event.start:
                if event.kind == 0:
                    continue
                stuck = stuck or (round(probe_c, 2), round(probe_rh * event.moved[1], 2))
                values = stuck if event.kind == 1 else ((-45.0, 0.0) if event.kind == 2 else (130.0, 100.0))
                _write(room, "hub/t01", hour, *values, None, (0.0, 0.0))
                continue
            if mine and event.silent(hour, rng):
                continue
            _write(room, f"hub/{name.lower()}", hour, probe_c, probe_rh, rng, (tube.bias_c, tube.bias_rh))
    room.entries.append(Entry(room.died_ms, room.dead, EntryKind.DIED))
    return room


class _Event:
    """What happens to T01, or to the room."""

    def __init__(self, what: str, rng: random.Random, death: int) -> None:
        self.what, self.death = what, death
        lasting = {"heat": rng.randrange(10, 60), "cold": rng.randrange(36, 120), "swing": rng.randrange(120, 220),
                   "wet": rng.randrange(96, 240), "dry": rng.randrange(9 * 24, 16 * 24), "warm_spell": 96,
                   "probe_fault": rng.randrange(12, 96), "moved_probe": rng.randrange(24, 24 * 12),
                   "weeks_after": rng.randrange(12, 72)}.get(what, 0)  # fmt: skip
        ended = rng.randrange(16 * 24, 24 * 24) if what == "weeks_after" else rng.randrange(0, 36)
        if what in ("probe_fault", "moved_probe", "dry", "wet"):
            ended = 0
        self.until, self.start = death - ended, death - ended - lasting
        self.strength = {"heat": rng.uniform(13, 20), "cold": -rng.uniform(14, 19), "swing": rng.uniform(9, 13),
                         "warm_spell": rng.uniform(9, 13), "weeks_after": rng.choice((14.0, -15.0))}.get(what, 0.0)  # fmt: skip
        self.period = rng.choice((8, 12, 24))
        self.kind = rng.randrange(4)
        self.moved = (rng.uniform(-0.3, 0.3), rng.uniform(0.9, 1.0))

    def inside(self, hour: int) -> bool:
        return self.start <= hour < self.until

    def room_c(self, hour: int) -> float:
        return self.strength if self.what == "warm_spell" and self.inside(hour) else 0.0

    def rack_c(self, hour: int, number: int) -> float:
        return -1.5 if self.what == "cool_rack" and number % 3 == 0 else 0.0

    def nest_c(self, hour: int, rng: random.Random) -> float:
        if self.what == "cool_rack":
            return -2.5
        if not self.inside(hour) or self.what not in ("heat", "cold", "swing", "weeks_after"):
            return 0.0
        if self.what == "swing":
            return self.strength * math.sin(2 * math.pi * hour / self.period)
        ramp = min(1.0, (hour - self.start + 1) / 4.0)
        return self.strength * ramp + rng.gauss(0, 0.4)

    def water(self, hour: int, tube: _Tube) -> None:
        if self.what == "dry" and hour >= self.start:
            tube.fed = False  # a bubble between water and cotton
        if self.what == "reservoir_empty" and hour == self.death - 13 * 24:
            tube.water = min(tube.water, 0.4)

    def flooded(self, hour: int) -> bool:
        return self.what == "wet" and self.start <= hour

    def silent(self, hour: int, rng: random.Random) -> bool:
        return self.what == "too_little" and (hour > self.death - 24 * (8 + 4 * self.kind) or rng.random() < 0.3)


def _tell(room: SimulatedRoom, tubes: list[_Tube], rng: random.Random, event: _Event) -> None:
    room.placements.append(Placement("hub/room", None, "cellar", Place.ROOM, START_MS))
    for number, tube in enumerate(tubes):
        name = f"T{number + 1:02d}"
        room.nests.append(
            Nest(name, NestKind.TUBE, "cellar", f"shelf {number % 3}", "Lasius niger", name, Stage.FOUNDING, START_MS,
                 16.0, 60.0, round(tube.full, 1), Plug.COTTON)
        )  # fmt: skip
        room.placements.append(Placement(f"hub/{name.lower()}", name, "cellar", Place.WET_END, START_MS, None, 15.0))
        room.entries.append(Entry(START_MS, name, EntryKind.FILL, round(tube.water, 1), "mL"))


def _keep(room: SimulatedRoom, name: str, tube: _Tube, hour: int, rng: random.Random, event: _Event | None) -> None:
    """Every few days the keeper looks; fills what is low, now and then forgets for a week, notes some levels."""
    if hour % 72 != 30:
        return
    at_ms = START_MS + hour * HOUR_MS
    lost = event is not None and event.what == "reservoir_empty" and hour > event.death - 16 * 24
    late = room.what == "late_fills" and rng.random() < 0.5
    if tube.water < tube.fill_at and not lost and hour > tube.forgotten_until:
        if tube.forgotten_until < hour - 240 and (rng.random() < 0.1 or late):
            tube.forgotten_until = hour + 120
            return
        tube.water, tube.held = tube.full, 1.0
        room.entries.append(Entry(at_ms, name, EntryKind.FILL, round(tube.full * rng.uniform(0.9, 1.05), 1), "mL"))
    elif rng.random() < 0.5:
        room.entries.append(
            Entry(at_ms, name, EntryKind.LEVEL, max(0.0, round(tube.water + rng.gauss(0, 0.2), 1)), "mL")
        )


def _write(
    room: SimulatedRoom, probe: str, hour: int, temp_c: float, rh: float, rng: random.Random | None,
    bias: tuple[float, float],
) -> None:  # fmt: skip
    for minute in (10, 40):
        at_ms = START_MS + hour * HOUR_MS + minute * 60_000
        t = temp_c + bias[0] + (rng.gauss(0, 0.05) if rng else 0.0)
        h = rh + bias[1] + (rng.gauss(0, 0.3) if rng else 0.0)
        room.rows.append((probe, at_ms, round(t, 2), round(min(100.0, max(0.0, h)), 2)))


class HourlyRoom:
    """The part of the store's port that a review reads, from simulated rows: the hourly roll-up."""

    def __init__(self, room: SimulatedRoom) -> None:
        self._by_probe: dict[str, dict[int, list[tuple[float, float]]]] = {}
        for probe, at_ms, temp_c, rh_pct in room.rows:
            hours = self._by_probe.setdefault(probe, {})
            hours.setdefault(at_ms // HOUR_MS * HOUR_MS, []).append((temp_c, rh_pct))

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        found = Hours()
        for start_ms, pairs in self._by_probe.get(probe, {}).items():
            if from_ms <= start_ms < until_ms:
                temps, humidities = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
                found.at_ms.append(start_ms)
                found.n_temp.append(len(temps))
                found.n_rh.append(len(temps))
                found.temp_mean_c.append(sum(temps) / len(temps))
                found.temp_min_c.append(min(temps))
                found.temp_max_c.append(max(temps))
                found.rh_mean_pct.append(sum(humidities) / len(humidities))
                found.rh_min_pct.append(min(humidities))
                found.rh_max_pct.append(max(humidities))
        return found
