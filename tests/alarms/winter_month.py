"""A month in the winter room: who lives there, what goes wrong and since when, and what the probes make of the air."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np
from winter_room import DAY_MIN, FRIDGE, HALL, Air, Floats, House, Nests, Push, simulate, spread

from sensord.alarms.standing import Standings
from sensord.clock import MINUTE_MS, parse_instant, to_ms
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement
from sensord.store.base import Columns

K = AlarmKind
ZONE = ZoneInfo("Europe/Vienna")
START_MS = to_ms(parse_instant("2026-02-10T00:00:00+01:00"))
TROPICAL = ("Atta sexdens", "Polyrhachis dives", "Camponotus nicobarensis", "Pheidole noda", "Odontomachus monticola")
RESTING = ("Lasius niger", "Formica fusca", "Camponotus ligniperda")
MILD = ("Messor barbarus", "Crematogaster scutellaris")
PLACES = (Place.WET_END,) * 5 + (Place.DRY_END,) * 3 + (Place.OUTWORLD,) * 2
WETNESS = {Place.WET_END: (0.76, 0.97), Place.DRY_END: (0.45, 0.66), Place.OUTWORLD: (0.1, 0.3)}
COUNT, OF_HALL, OF_FRIDGE = 200, 120, 40
ROOMS = ("hall", "fridge", "cellar")
OUT_OF_CELLAR, OUT_OF_FRIDGE = 8, 20
"""Days on which half the cellar and half the fridge are carried into the hall."""


def day(number: int, hour: float = 0.0) -> int:
    """A minute of the month."""
    return number * DAY_MIN + round(hour * 60)


@dataclass(frozen=True)
class Incident:
    """Something that goes wrong. ``kinds``: what may be told of it, the first of them must be where ``must``.

    Attributes:
        nests: whom it concerns; empty: everybody. pushes: what it does to the air.
    """

    name: str
    kinds: tuple[AlarmKind, ...]
    from_min: int
    until_min: int
    nests: tuple[int, ...] = ()
    pushes: tuple[Push, ...] = ()
    must: bool = True


def place_of(nest: int) -> Place:
    return PLACES[nest % 10]


def species_of(nest: int) -> str:
    names = TROPICAL if nest < OF_HALL else RESTING if nest < OF_HALL + OF_FRIDGE else MILD
    return names[nest // 10 % len(names)]


def rack_of(nest: int) -> str:
    return "ABCDE"[nest // 24] if nest < OF_HALL else "F" if nest < OF_HALL + OF_FRIDGE else "G"


def room_of(nest: int) -> str:
    return ROOMS[0 if nest < OF_HALL else 1 if nest < OF_HALL + OF_FRIDGE else 2]


def hub_of(nest: int) -> str:
    return "hub-a" if nest < 72 else "hub-b" if nest < OF_HALL else "hub-c"


def probe_of(nest: int) -> str:
    return f"{hub_of(nest)}/p{nest}"


def moved() -> dict[int, int]:
    """Nests that are carried into the hall, and the minute."""
    half = OF_FRIDGE // 2
    from_cellar = {nest: day(OUT_OF_CELLAR, 10) for nest in range(180, COUNT)}
    return from_cellar | {nest: day(OUT_OF_FRIDGE, 11) for nest in range(OF_HALL, OF_HALL + half)}


def in_hall(species: str, place: Place, skip: int = 0) -> int:
    """A nest of the hall on a mat, by its species and where its probe sits."""
    return [n for n in range(96) if species_of(n) == species and place_of(n) == place][skip]


def incidents(nests: Nests, house: House) -> list[Incident]:
    """Everything that goes wrong that month."""
    wet, dry, outworld = Place.WET_END, Place.DRY_END, Place.OUTWORLD
    found: list[Incident] = []

    def add(name: str, kinds: Iterable[AlarmKind], begin: int, hours: float, which: Iterable[int] = (), *,
            what: str = "", value: float = 0.0, ramp_min: int = 1, must: bool = True) -> None:  # fmt: skip
        until, who = begin + round(hours * 60), tuple(which)
        pushes = (Push(what, begin, until, value, who, ramp_min),) if what else ()
        found.append(Incident(name, tuple(kinds), begin, until, who, pushes, must))

    of_mat = lambda mat: tuple(int(n) for n in np.flatnonzero(nests.mat == mat))  # noqa: E731
    resting = tuple(range(OF_HALL, OF_HALL + OF_FRIDGE))
    cellar = tuple(range(OF_HALL + OF_FRIDGE, COUNT))
    add(
        "plug fell out",
        [K.DRY],
        day(2, 3.2),
        20,
        [in_hall("Polyrhachis dives", wet)],
        what="nests_wet",
        value=0.1,
        ramp_min=5,
    )
    add(
        "reservoir empties",
        [K.DRY],
        day(4, 0),
        96,
        [in_hall("Camponotus nicobarensis", wet)],
        what="nests_wet",
        value=0.2,
        ramp_min=4000,
    )
    add(
        "dry by a hair",
        [K.DRY],
        day(14, 6),
        40,
        [in_hall("Pheidole noda", wet)],
        what="nests_wet",
        value=0.42,
        ramp_min=120,
        must=False,
    )
    begin, until = day(12, 9), day(14, 21)
    off = (Push("humidifier", begin, until), Push("window", begin, until, 0.8))
    found.append(Incident("humidifier off", (K.DRY,), begin, until, tuple(range(OF_HALL)), off))
    add("humidifier stuck on", [K.WET], day(1, 1), 14, [*range(OF_HALL), COUNT], what="humidifier_on")
    add(
        "flooded",
        [K.WET, K.FAULTY],
        day(5, 15),
        30,
        [in_hall("Odontomachus monticola", dry)],
        what="nests_wet",
        value=1.0,
        ramp_min=60,
        must=False,
    )
    add(
        "spilt in the outworld",
        [K.WET],
        day(21, 19),
        18,
        [in_hall("Odontomachus monticola", outworld)],
        what="nests_wet",
        value=0.99,
        ramp_min=10,
        must=False,
    )
    add(
        "outworld mould",
        [K.WET],
        day(15, 2),
        60,
        [in_hall("Atta sexdens", outworld)],
        what="nests_wet",
        value=0.96,
        ramp_min=1500,
        must=False,
    )
    add("mat stuck on", [K.HOT, K.SWING, K.DRY], day(3, 14), 5, of_mat(2), what="mat_on", value=2)
    add(
        "patch of sun",
        [K.HOT, K.SWING, K.DRY],
        day(7, 13),
        1,
        [96, 97, 98, 99, 100],
        what="nests_c",
        value=16.0,
        ramp_min=5,
    )
    add(
        "lamp too near",
        [K.HOT],
        day(16, 8),
        40,
        [in_hall("Atta sexdens", wet, 1)],
        what="nests_c",
        value=5.5,
        ramp_min=900,
    )
    add("fridge off", [K.HOT, K.SWING], day(11, 1), 15, [*resting, COUNT + 1], what="fridge_off")
    add("window left open", [K.COLD, K.SWING, K.DRY], day(17, 21.5), 7, (), what="window", value=9.0)
    add("heater fails", [K.COLD, K.DRY, K.SWING, K.WET], day(22, 23), 9, (), what="heater")
    add("fridge too cold", [K.COLD, K.SWING, K.WET], day(6, 4), 10, [*resting, COUNT + 1], what="fridge_stuck")
    add(
        "frost at the pane",
        [K.COLD],
        day(19, 22),
        9,
        [in_hall("Camponotus nicobarensis", wet, 2)],
        what="nests_c",
        value=-12.0,
        ramp_min=240,
    )
    add("mat swings", [K.SWING, K.HOT, K.COLD, K.DRY], day(23, 12), 12, of_mat(5), what="mat_swings", value=5)
    sill = in_hall("Pheidole noda", wet, 1)
    pushes = tuple(Push("nests_c", day(10, 10 + 1.2 * n), day(10, 10.5 + 1.2 * n), 14.0, (sill,), 3) for n in range(4))
    found.append(Incident("on the sill", (K.SWING, K.HOT, K.DRY), day(10, 10), day(10, 15.5), (sill,), pushes))
    add(
        "cellar damp",
        [K.WET, K.FAULTY],
        day(24, 0),
        48,
        [*cellar[:20], COUNT + 2],
        what="dampness",
        value=700.0,
        must=False,
    )
    add("unplugged", [K.SILENT, K.FAULTY], day(5, 2.5), 9, [33])
    add("hub without a network", [K.SILENT], day(9, 3), 3, [n for n in range(COUNT) if hub_of(n) == "hub-b"])
    add("flaky cable", [K.SILENT, K.FAULTY], day(24, 6), 26, [50])
    add("stuck", [K.FAULTY, K.DRY, K.WET], day(13, 4), 40, [61])
    add("condensed", [K.FAULTY, K.WET], day(8, 20), 20, [75])
    add("humidity missing", [K.FAULTY], day(26, 1), 9, [14])
    add("read but far off", [K.HOT, K.FAULTY, K.SWING], day(27, 5), 6, [88], must=False)
    return found


def build(house: House, rng: np.random.Generator) -> Nests:
    place = [place_of(nest) for nest in range(COUNT)]
    mat = np.array([nest // 12 if nest < 96 else -1 for nest in range(COUNT)])
    enclosure = np.array([ROOMS.index(room_of(nest)) for nest in range(COUNT)])
    lag = spread(rng, house.nest_lag_min, COUNT) * np.where(enclosure == FRIDGE, 1.8, 1.0)
    return Nests(
        enclosure, mat, rng.uniform(-0.8, 0.8, COUNT), rng.uniform(0.7, 1.0, COUNT),
        np.where(enclosure == HALL, rng.uniform(0.2, 1.4, COUNT), 0.0),
        np.array([rng.uniform(*WETNESS[each]) for each in place]), lag, spread(rng, house.vapour_lag_min, COUNT), 8,
    )  # fmt: skip


def keeper_opens(house: House, rng: np.random.Generator) -> dict[int, list[int]]:
    """The hall is fed every three days or so in the evening, the cellar looked at once a week, the fridge left alone."""
    found: defaultdict[int, list[int]] = defaultdict(list)
    for nest in range(COUNT):
        every = 3 if nest < OF_HALL else 40 if nest < OF_HALL + OF_FRIDGE else 7
        at = int(rng.integers(0, every))
        while at < house.days:
            found[day(at) + int(rng.normal(18.5 * 60, 70))].append(nest)
            at += max(1, every + int(rng.integers(-1, 2)))
    return found


def standings() -> Standings:
    nests, placements = [], []
    for nest in range(COUNT):
        name = f"{rack_of(nest)}{nest}"
        nests.append(Nest(name, NestKind.TUBE, room_of(nest), rack_of(nest), species_of(nest)))
        until_ms = None
        if nest in moved():
            until_ms = START_MS + moved()[nest] * MINUTE_MS
            nests.append(Nest(name, NestKind.TUBE, "hall", "E", species_of(nest), since_ms=until_ms))
            placements.append(Placement(probe_of(nest), name, "hall", place_of(nest), until_ms))
        placements.append(Placement(probe_of(nest), name, room_of(nest), place_of(nest), 0, until_ms))
    for number, room in enumerate(ROOMS):
        placements.append(Placement(f"hub-c/r{number}", None, room, Place.ROOM, 0))
    return Standings(placements, nests, Keeping(load_species(None), "north", ZONE))


NDArrayInt = np.ndarray


@dataclass
class Month:
    """What truly was and what was read of it. Columns: the nests, then the three rooms."""

    house: House
    found: list[Incident]
    at_ms: NDArrayInt = field(repr=False)
    temp_c: Floats = field(repr=False)
    rh_pct: Floats = field(repr=False)
    read_c: Floats = field(repr=False)
    read_pct: Floats = field(repr=False)
    there: np.ndarray = field(repr=False)
    outages: list[tuple[str, int, int]] = field(default_factory=list)

    def names(self) -> list[str]:
        return [*(probe_of(nest) for nest in range(COUNT)), *(f"hub-c/r{n}" for n in range(3))]

    def probes(self) -> list[str]:
        return self.names()

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        column = self.names().index(probe)
        kept = self.there[:, column] & (self.at_ms[:, column] >= from_ms) & (self.at_ms[:, column] < until_ms)
        return Columns(
            array("q", self.at_ms[kept, column].astype(np.int64).tobytes()), array("d", self.read_c[kept, column].tobytes()),
            array("d", self.read_pct[kept, column].tobytes()),
        )  # fmt: skip


def live(house: House, seed: int, *, calm: bool = False) -> Month:
    """One month; ``calm``: without any incident."""
    rng = np.random.default_rng(seed)
    nests = build(house, rng)
    found = [] if calm else incidents(nests, house)
    pushes = [push for incident in found for push in incident.pushes]
    pushes += [Push("moved", at, at + 1, HALL, (nest,)) for nest, at in moved().items()]
    air = simulate(house, nests, pushes, keeper_opens(house, rng), seed + 1)
    return measure(house, found, air, rng)


def measure(house: House, found: list[Incident], air: Air, rng: np.random.Generator) -> Month:
    """What the probes make of it: ±2 %RH and ±0.2 °C, a drift, noise, steps of 0.01; minutes that are missing."""
    temp, rh = np.hstack([air.temp_c, air.rooms_c]), np.hstack([air.rh_pct, air.rooms_pct])
    rows, probes = temp.shape
    share = np.linspace(0, 1, rows)[:, None]
    off_pct = np.clip(rng.normal(0, 1.2, probes), -3, 3) + share * rng.normal(0.2, 0.3, probes)
    off_c = np.clip(rng.normal(0, 0.12, probes), -0.3, 0.3)
    read_c = np.round(temp + off_c + rng.normal(0, 0.04, temp.shape), 2)
    read_pct = np.round(np.clip(rh + off_pct + rng.normal(0, 0.12, rh.shape), 0.0, 100.0), 2)
    hubs = np.array([hub_of(nest) for nest in range(COUNT)] + ["hub-c"] * 3)
    there = rng.random(temp.shape) > 0.003
    outages: list[tuple[str, int, int]] = []
    for hub in ("hub-a", "hub-b", "hub-c"):
        for week in range(house.days // 7 + 1):
            gaps = [(int(rng.integers(0, 7 * DAY_MIN)), int(rng.integers(2, 10))) for _ in range(3)]
            boot = (int(rng.integers(0, 7 * DAY_MIN)), int(rng.integers(2, 6)))
            outages.append((hub, week * 7 * DAY_MIN + boot[0], boot[1]))
            for start, length in [*gaps, boot]:
                lose(there, air, week * 7 * DAY_MIN + start, length, np.flatnonzero(hubs == hub))
    by = {incident.name: incident for incident in found}
    for name in ("unplugged", "hub without a network"):
        if name in by:
            lose(there, air, by[name].from_min, by[name].until_min - by[name].from_min, list(by[name].nests))
    if by:
        network = by["hub without a network"]
        outages.append(("hub-b", network.from_min, network.until_min - network.from_min))
        spoil(by, air, read_c, read_pct, there, rng)
    seconds = np.array([{"hub-a": 3000, "hub-b": 17000, "hub-c": 41000}[hub] for hub in hubs])
    at_ms = START_MS + air.minutes[:, None] * MINUTE_MS + seconds + rng.integers(0, 700, temp.shape)
    return Month(house, found, at_ms, temp, rh, read_c, read_pct, there, outages)


def lose(there: np.ndarray, air: Air, start: int, length: int, probes: Iterable[int]) -> None:
    rows = (air.minutes >= start) & (air.minutes < start + length)
    there[np.ix_(rows, list(probes))] = False


def spoil(
    by: dict[str, Incident], air: Air, read_c: Floats, read_pct: Floats, there: np.ndarray, rng: np.random.Generator
) -> None:
    """What ails single probes."""

    def rows(name: str) -> np.ndarray:
        return np.flatnonzero((air.minutes >= by[name].from_min) & (air.minutes < by[name].until_min))

    (probe,) = by["stuck"].nests
    read_c[rows("stuck"), probe], read_pct[rows("stuck"), probe] = (
        read_c[rows("stuck")[0], probe],
        read_pct[rows("stuck")[0], probe],
    )
    read_pct[rows("condensed"), by["condensed"].nests[0]] = 100.0
    read_pct[rows("humidity missing"), by["humidity missing"].nests[0]] = np.nan
    read_c[rows("read but far off"), by["read but far off"].nests[0]] += 14.0
    flaky, at = by["flaky cable"], by["flaky cable"].from_min
    while at < flaky.until_min:
        gone, back = rng.lognormal(np.log(14), 0.8), rng.lognormal(np.log(25), 0.8)
        lose(there, air, int(at), int(gone) + 1, flaky.nests)
        at += gone + back
