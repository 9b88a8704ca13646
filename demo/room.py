"""The invented room: Kleinvolk Ants, a small breeder in Steyr. Three racks, six species, 54 nests, two hubs.

Everything follows from this file: who lives where, which probe hangs on which multiplexer, and what the air of each zone
is meant to be. No name or number in it stands for a real business or a study.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sensord.clock import DAY_MS, to_ms
from sensord.model import Nest, NestKind, Place, Placement, Plug, Stage
from sensord.settings import ProbeSettings

STATION = "Kleinvolk Ants, Steyr"
TIME_ZONE = "Europe/Vienna"
SEED = 48
LIVE_FROM = datetime(2026, 1, 20, 7, tzinfo=UTC)
HISTORY_DAYS = 60
HISTORY_FROM = LIVE_FROM - timedelta(days=HISTORY_DAYS)
LIVE_FROM_MS, HISTORY_FROM_MS = to_ms(LIVE_FROM), to_ms(HISTORY_FROM)

WARM, FRIDGE, COOL = "warm room", "fridge", "wine cooler"
ROOMS = (WARM, FRIDGE, COOL)


@dataclass(frozen=True, slots=True)
class Shelf:
    """Nine nests of one species on a rack.

    Attributes:
        target_c: what the thermostat of each nest's heat mat holds, or None where there is no mat.
    """

    letter: str
    rack: str
    room: str
    species: str
    hub: str
    target_c: float | None


SHELVES = (
    Shelf("B", "Birch", WARM, "Camponotus nicobarensis", "hub-birch", 26.0),
    Shelf("C", "Birch", WARM, "Polyrhachis dives", "hub-birch", 26.0),
    Shelf("D", "Alder", WARM, "Pheidole noda", "hub-birch", 25.5),
    Shelf("E", "Alder", WARM, "Camponotus singularis", "hub-alder", 26.0),
    Shelf("F", "Larch", FRIDGE, "Lasius niger", "hub-alder", None),
    Shelf("G", "Larch", COOL, "Messor barbarus", "hub-alder", None),
)
PER_SHELF = 9
FORMICARIA = (1, 2)  # numbers on each shelf
CROWDED = 4  # has grown out of its tube
WITHOUT_PROBE = 9  # lives by the room probe, as most tubes of a big rack do

SICK_MAT = "E5"  # its mat sticks on, live
DRY = "B4"  # its reservoir has run dry, and the cotton follows
UNPLUGGED = "C6"  # its probe comes loose, live
DIED = "D7"  # its mat stuck on for a night, three weeks ago


@dataclass(frozen=True, slots=True)
class Housing:
    """A nest with what the physics needs besides: its zone, its mat, and the probes in it."""

    nest: Nest
    shelf: Shelf
    path_mm: float
    probes: tuple[tuple[str, Place, float], ...]  # full name, place, distance_mm


def housings() -> list[Housing]:
    """All nests, in order of their names."""
    return [_housing(shelf, number) for shelf in SHELVES for number in range(1, PER_SHELF + 1)]


def _housing(shelf: Shelf, number: int) -> Housing:
    name = f"{shelf.letter}{number}"
    large = number in FORMICARIA
    chamber_mm = 70.0 + 4 * (number % 3)
    nest = Nest(
        name,
        NestKind.FORMICARIUM if large else NestKind.TUBE,
        shelf.room,
        shelf.rack,
        shelf.species,
        colony=f"{shelf.species.split()[1][:4]}-{number:02}",
        stage=Stage.ESTABLISHED if large else Stage.GROWING if number == CROWDED else Stage.NANITIC,
        since_ms=HISTORY_FROM_MS - DAY_MS,
        bore_mm=20.0 if large else 14.0,
        chamber_mm=chamber_mm,
        reservoir_ml=20.0 if large else 11.0,
        plug=Plug.FOAM if large else Plug.COTTON,
    )
    probes: list[tuple[str, Place, float]] = []
    if number != WITHOUT_PROBE:
        probes.append((f"{shelf.hub}/{name.lower()}", Place.WET_END, 10.0))
    if number == FORMICARIA[0]:
        probes.append((f"{shelf.hub}/{name.lower()}-dry", Place.DRY_END, 45.0))
    return Housing(nest, shelf, chamber_mm + 25.0, tuple(probes))


def room_probes() -> list[tuple[str, str]]:
    """Full name and room of each room probe."""
    return [("hub-birch/warm-room", WARM), ("hub-alder/fridge", FRIDGE), ("hub-alder/wine-cooler", COOL)]


def placements() -> list[Placement]:
    """Where every probe sits, since before the history begins."""
    since_ms = HISTORY_FROM_MS - DAY_MS
    inside = [
        Placement(probe, housing.nest.name, housing.nest.room, place, since_ms, distance_mm=distance_mm)
        for housing in housings()
        for probe, place, distance_mm in housing.probes
    ]
    return inside + [Placement(probe, None, room, Place.ROOM, since_ms) for probe, room in room_probes()]


def wiring() -> list[ProbeSettings]:
    """The probes of both hubs on their multiplexers: two a channel, 0x44 and 0x45, sixteen a multiplexer."""
    seats: dict[str, int] = {}
    found = []
    for placement in placements():
        hub, name = placement.probe.split("/")
        seat = seats.get(hub, 0)
        seats[hub] = seat + 1
        found.append(ProbeSettings(hub, name, 0x44 + seat % 2, 0x70 + seat // 16, seat // 2 % 8))
    return found


def hubs() -> list[str]:
    """The names of the hubs."""
    return sorted({probe.hub for probe in wiring()})
