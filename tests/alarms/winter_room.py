"""An invented room in late winter, from its physics: what the air truly is in every nest, minute by minute.

Three enclosures: a hall with tropical nests on heat mats, fridges with resting nests, a cellar with nests at mild rest. Each
has one node of air and one of walls and things for heat, and one of vapour; a nest follows its enclosure with a lag of its
own. Heat and vapour balances are those of any textbook (ASHRAE Handbook Fundamentals 2017, ch. 16 and 18); every number of a
house, a mat or a fridge is invented. It was written without a look at the other two months of the suite.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sensord.air.moist_air import saturation_pa

DAY_MIN = 1440
Floats = NDArray[np.float64]
HALL, FRIDGE, CELLAR = 0, 1, 2


@dataclass(frozen=True)
class House:
    """Everything that a house of another build would have otherwise. Minutes, °C, W, kJ/K, W/K, g/h, %."""

    days: int = 30
    every_min: int = 3
    outside_c: tuple[float, float, float] = (3.0, 4.0, 4.5)  # mean, spread of days, half the swing of a clear day
    clear: float = 0.35
    hall_air_kj_k: float = 160.0
    hall_walls_kj_k: float = 3000.0
    hall_loss_w_k: float = 60.0
    hall_set_c: tuple[float, float] = (23.5, 21.0)  # by day and by night
    hysteresis_c: float = 0.6
    heater_w: float = 2200.0
    window_sun_w: float = 850.0
    lamps_w: float = 300.0
    airing: tuple[float, int, float] = (0.5, 12, 7.0)  # share of days, minutes, air changes an hour
    humidify: tuple[float, float, float] = (53.0, 61.0, 500.0)
    buffer: float = 4.0
    mat_k: float = 18.0
    mat_set_c: float = 27.0
    mat_hysteresis_c: float = 1.2
    mat_lag_min: float = 14.0
    fridge_set_c: float = 6.0
    fridge_hysteresis_c: float = 1.6
    fridge_air_kj_k: float = 6.0
    defrost_every_min: int = 600
    defrost_min: int = 18
    defrost_w: float = 45.0  # most of the heater's heat melts the ice; the air rises by 4 to 5 °C
    cellar_c: float = 11.5
    dehumidify: tuple[float, float, float] = (68.0, 60.0, 260.0)
    nest_lag_min: tuple[float, float] = (8.0, 25.0)
    vapour_lag_min: tuple[float, float] = (3.0, 8.0)
    opened: float = 0.55  # share of a nest's own vapour that is lost when it is opened
    closes_again_min: float = 12.0


@dataclass
class Nests:
    """Every nest of the house: where it stands and how it behaves; arrays by number."""

    enclosure: NDArray[np.int64]
    mat: NDArray[np.int64]  # -1: on none
    higher_c: Floats  # warmer than its enclosure's air, by where it stands
    coupling: Floats  # how much of its mat's heat it gets
    lamp_c: Floats
    wet: Floats  # 0: as dry as the room, 1: saturated
    lag_min: Floats
    vapour_lag_min: Floats
    mats: int


@dataclass(frozen=True)
class Push:
    """Something that goes wrong, from a minute to another, growing over ``ramp_min``.

    ``what``: nests_c (added to the air about nests), nests_wet (their wetness goes to ``value``), mat_on, mat_off, mat_swings,
    moved (to the enclosure ``value``), window, humidifier, humidifier_on, dehumidifier, dampness (g/h in the cellar), fridge_off, fridge_stuck,
    heater (W that are left).
    """

    what: str
    from_min: int
    until_min: int
    value: float = 0.0
    nests: tuple[int, ...] = ()
    ramp_min: int = 1

    def share(self, minute: int) -> float:
        return min(1.0, (minute - self.from_min + 1) / self.ramp_min)


@dataclass
class Air:
    """What truly was, every ``every_min`` minutes: nests' °C and %RH (instants by nests), enclosures' likewise."""

    minutes: NDArray[np.int64]
    temp_c: Floats
    rh_pct: Floats
    rooms_c: Floats
    rooms_pct: Floats


@dataclass
class Weather:
    temp_c: Floats
    vapour_pa: Floats
    sun: Floats  # share of a clear noon
    clear: NDArray[np.bool_]


def weather(house: House, rng: np.random.Generator) -> Weather:
    """Days that resemble the one before, cool mornings, clear or cloudy."""
    mean, spread, swing = house.outside_c
    days = np.zeros(house.days + 1)
    for day in range(1, house.days + 1):
        days[day] = 0.8 * days[day - 1] + 0.6 * rng.normal(0.0, spread)
    clear = rng.random(house.days + 1) < house.clear
    minutes = np.arange(house.days * DAY_MIN)
    day, hour = minutes // DAY_MIN, minutes % DAY_MIN / 60
    slow = mean + np.interp(minutes / DAY_MIN, np.arange(house.days + 1), days)
    temp = slow + np.where(clear[day], swing, 0.35 * swing) * np.cos((hour - 15) / 24 * 2 * np.pi)
    dew = slow - 2.5 + np.interp(minutes / DAY_MIN, np.arange(house.days + 1), rng.normal(0, 1.5, house.days + 1))
    sun = np.clip(np.sin((hour - 7.5) / 9.5 * np.pi), 0, None) * (hour > 7.5) * (hour < 17)
    clouds = np.repeat(rng.uniform(0.0, 0.3, len(minutes) // 20), 20)
    return Weather(temp, saturation_pa(np.minimum(dew, temp)), sun * np.where(clear[day], 1.0, clouds), clear)


@dataclass
class Machines:
    """Which of the thermostats and hygrostats are on; they remember, which is hysteresis."""

    heater: bool = False
    humidifier: bool = False
    dehumidifier: bool = False
    compressor: bool = False
    cellar_heater: bool = False
    mats: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))


def switched(on: bool, value: float, low: float, high: float) -> bool:
    """Heating: on below ``low``, off above ``high``, else as before."""
    return True if value < low else False if value > high else on


def simulate(house: House, nests: Nests, pushes: Sequence[Push], openings: dict[int, list[int]], seed: int) -> Air:
    """One month. ``openings``: by minute, which nests the keeper opens then, to feed or to look."""
    rng = np.random.default_rng(seed)
    sky = weather(house, rng)
    room = Room(house, nests, sky, airings(house, rng), fridge_doors(house, rng), rng)
    count = house.days * DAY_MIN
    kept = range(0, count, house.every_min)
    air = Air(np.array(kept), *(np.zeros((len(kept), size)) for size in (len(nests.wet),) * 2 + (3, 3)))
    starts = sorted(pushes, key=lambda push: push.from_min)
    active: list[Push] = []
    for minute in range(count):
        while starts and starts[0].from_min <= minute:
            active.append(starts.pop(0))
        active = [push for push in active if minute < push.until_min]
        room.step(minute, active, openings.get(minute, []))
        if minute % house.every_min == 0:
            room.note(air, minute // house.every_min)
    return air


class Room:
    """The house at one minute, and the way to the next."""

    def __init__(
        self,
        house: House,
        nests: Nests,
        sky: Weather,
        aired: NDArray[np.bool_],
        doors: Floats,
        rng: np.random.Generator,
    ) -> None:
        self.house, self.nests, self.sky, self.aired, self.doors, self.rng = house, nests, sky, aired, doors, rng
        self.hall, self.walls, self.fridge, self.things, self.cellar = 23.0, 22.5, 6.0, 6.0, house.cellar_c
        self.rooms = np.array([self.hall, self.fridge, self.cellar])
        self.vapour = np.array([0.55, 0.6, 0.6]) * saturation_pa(self.rooms)
        self.mats, self.machines = np.zeros(nests.mats), Machines(mats=np.zeros(nests.mats, bool))
        self.enclosure = nests.enclosure.copy()
        self.temp = self.rooms[self.enclosure] + nests.higher_c
        around = self.vapour[self.enclosure]
        self.inside = around + nests.wet * (saturation_pa(self.temp) - around)
        self.open_share, self.wander = np.zeros(len(self.temp)), np.zeros(len(self.temp))

    def step(self, minute: int, active: Sequence[Push], opened: Sequence[int]) -> None:
        by = {push.what: push for push in active}
        for push in active:
            if push.what == "moved":
                self.enclosure[list(push.nests)] = int(push.value)
        self.step_hall(minute, by)
        self.step_fridge(minute, by)
        self.step_cellar(minute, by)
        self.rooms = np.array([self.hall, self.fridge, self.cellar])
        self.step_mats(minute, active)
        self.step_nests(minute, active, opened)

    def step_hall(self, minute: int, by: Mapping[str, Push]) -> None:
        """Heater, lamps, sun and a person against what leaks out; vapour of humidifier and colonies against the air outside."""
        house, machines, hour, out = self.house, self.machines, minute % DAY_MIN / 60, float(self.sky.temp_c[minute])
        changes = (
            0.4 + (house.airing[2] if self.aired[minute] else 0.0) + (by["window"].value if "window" in by else 0.0)
        )
        set_c = house.hall_set_c[0 if 7 <= hour < 22 else 1]
        machines.heater = switched(machines.heater, self.hall, set_c - house.hysteresis_c, set_c + house.hysteresis_c)
        heater_w = house.heater_w * machines.heater if "heater" not in by else by["heater"].value
        gain_w = heater_w + house.lamps_w * (8 <= hour < 20) + house.window_sun_w * float(self.sky.sun[minute]) + 120.0
        to_walls_w = 150.0 * (self.hall - self.walls)
        loss_w = (house.hall_loss_w_k * 0.4 + changes * 13.4) * (self.hall - out) + to_walls_w
        self.walls += (to_walls_w - house.hall_loss_w_k * 0.6 * (self.walls - out)) * 60 / (1e3 * house.hall_walls_kj_k)
        self.hall += (gain_w - loss_w) * 60 / (1e3 * house.hall_air_kj_k)
        full = float(saturation_pa(self.hall))
        low, high, grams = house.humidify
        on = switched(machines.humidifier, 100 * self.vapour[0] / full, low, high) and "humidifier" not in by
        machines.humidifier = "humidifier_on" in by or on
        given = 3.4 * (60.0 + grams * machines.humidifier)
        self.vapour[0] += (changes * (float(self.sky.vapour_pa[minute]) - self.vapour[0]) + given) / house.buffer / 60
        self.vapour[0] = min(self.vapour[0], full)

    def step_fridge(self, minute: int, by: Mapping[str, Push]) -> None:
        """A compressor with hysteresis, a defrost every few hours, a door; what runs dries, what rests gets damp."""
        house, machines, door = self.house, self.machines, self.doors[minute]
        low, high = house.fridge_set_c - house.fridge_hysteresis_c, house.fridge_set_c + house.fridge_hysteresis_c
        cold = not switched(not machines.compressor, self.fridge, low, high)
        machines.compressor = ("fridge_stuck" in by or cold) and "fridge_off" not in by
        defrosts = minute % house.defrost_every_min < house.defrost_min and "fridge_off" not in by
        cool_w = -90.0 * machines.compressor * (not defrosts) + house.defrost_w * defrosts
        leak_w = (1.3 + 25.0 * door) * (self.hall - 3.0 - self.fridge)
        self.fridge += (cool_w + leak_w + 6.0 * (self.things - self.fridge)) * 60 / (1e3 * house.fridge_air_kj_k)
        self.things += 6.0 * (self.fridge - self.things) * 60 / 60e3
        coil, full, vapour = float(saturation_pa(self.fridge - 9.0)), float(saturation_pa(self.fridge)), self.vapour[1]
        dried = min(0.0, 0.05 * (coil - vapour)) * machines.compressor * (not defrosts)
        vapour += dried + 0.004 * (0.85 * full - vapour) + 0.2 * door * (self.vapour[0] - vapour)
        self.vapour[1] = min(vapour, full)

    def step_cellar(self, minute: int, by: Mapping[str, Push]) -> None:
        """Cool and damp by the ground, a heater and a dehumidifier against it."""
        house, machines, out = self.house, self.machines, float(self.sky.temp_c[minute])
        machines.cellar_heater = switched(
            machines.cellar_heater, self.cellar, house.cellar_c - 0.8, house.cellar_c + 0.8
        )
        high, low, grams = house.dehumidify
        cellar_pct = 100 * self.vapour[2] / float(saturation_pa(self.cellar))
        dries = not switched(not machines.dehumidifier, cellar_pct, low, high)
        machines.dehumidifier = dries and "dehumidifier" not in by
        gain_w = 600.0 * machines.cellar_heater + 230.0 * machines.dehumidifier
        self.cellar += (gain_w + 45.0 * (9.5 - self.cellar) + 10.0 * (out - self.cellar)) * 60 / 900e3
        damp = by["dampness"].value if "dampness" in by else 110.0
        given = 3.4 * (damp - grams * machines.dehumidifier)
        self.vapour[2] += (0.3 * (float(self.sky.vapour_pa[minute]) - self.vapour[2]) + given) / house.buffer / 60
        self.vapour[2] = min(self.vapour[2], float(saturation_pa(self.cellar)))

    def step_mats(self, minute: int, active: Sequence[Push]) -> None:
        house, machines, local = self.house, self.machines, self.hall + self.mats
        machines.mats = (local < house.mat_set_c - house.mat_hysteresis_c) | (
            machines.mats & (local <= house.mat_set_c + house.mat_hysteresis_c)
        )
        power = house.mat_k * machines.mats
        for push in active:
            if push.what in ("mat_on", "mat_off"):
                power[int(push.value)] = house.mat_k * (push.what == "mat_on")
            elif push.what == "mat_swings":
                power[int(push.value)] = house.mat_k * ((minute - push.from_min) // 35 % 2)
        self.mats += (power - self.mats) / house.mat_lag_min

    def step_nests(self, minute: int, active: Sequence[Push], opened: Sequence[int]) -> None:
        """Each follows the air about it, and its vapour stands between its room's and saturation."""
        nests, house = self.nests, self.house
        about = self.rooms[self.enclosure] + nests.higher_c + nests.lamp_c * (8 <= minute % DAY_MIN / 60 < 20)
        on_mat = nests.mat >= 0
        about[on_mat] += nests.coupling[on_mat] * self.mats[nests.mat[on_mat]]
        self.wander = 0.9995 * self.wander + self.rng.normal(0, 0.0008, len(self.temp))
        wet = nests.wet + self.wander
        for push in active:
            which = list(push.nests)
            if push.what == "nests_c":
                about[which] += push.value * push.share(minute)
            elif push.what == "nests_wet":
                wet[which] += (push.value - wet[which]) * push.share(minute)
        self.temp += (about - self.temp) / nests.lag_min
        self.open_share *= 1 - 1 / house.closes_again_min
        self.open_share[list(opened)] = house.opened
        full, room_pa = saturation_pa(self.temp), self.vapour[self.enclosure]
        wanted = room_pa + np.clip(wet, 0.0, 1.0) * (1 - self.open_share) * (full - room_pa)
        self.inside = np.minimum(self.inside + (wanted - self.inside) / nests.vapour_lag_min, full)

    def note(self, air: Air, row: int) -> None:
        air.temp_c[row], air.rh_pct[row] = self.temp, 100 * self.inside / saturation_pa(self.temp)
        air.rooms_c[row] = self.rooms
        air.rooms_pct[row] = np.minimum(100.0, 100 * self.vapour / saturation_pa(self.rooms))


def airings(house: House, rng: np.random.Generator) -> NDArray[np.bool_]:
    """The hall's window on some mornings, and now and then in the evening."""
    share, length, _ = house.airing
    found = np.zeros(house.days * DAY_MIN, bool)
    for day in range(house.days):
        for hour, likely in ((8.5, share), (18.5, share / 3)):
            if rng.random() < likely:
                start = day * DAY_MIN + int(60 * hour + rng.normal(0, 25))
                found[start : start + max(4, int(rng.normal(length, length / 4)))] = True
    return found


def fridge_doors(house: House, rng: np.random.Generator) -> Floats:
    """How far the fridges' door stands open: a look every few days, for a minute or four."""
    found = np.zeros(house.days * DAY_MIN)
    for day in range(house.days):
        if rng.random() < 0.35:
            start = day * DAY_MIN + int(rng.uniform(9, 21) * 60)
            found[start : start + int(rng.integers(1, 5))] = 1.0
    return found


def spread(rng: np.random.Generator, between: tuple[float, float], count: int) -> Floats:
    """So many values between two."""
    return rng.uniform(*between, count)
