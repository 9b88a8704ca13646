"""A bench room written into a real station: store, registry and journal, as the product would have it."""

from __future__ import annotations

from pathlib import Path

from bench_room import HOUR_MS, START_MS, BenchRoom, Tube

from sensord.db import open_db
from sensord.forecast import Forecast
from sensord.insight.history import History
from sensord.keeping.outlook_cache import OutlookCache
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug
from sensord.store.base import Hours
from sensord.store.sqlite import SqliteStore


def nest_of(tube: Tube) -> Nest:
    """What the keeper tells of a tube."""
    return Nest(
        tube.name, NestKind.TUBE, "bench", f"rack {tube.rack}", bore_mm=tube.bore_mm, chamber_mm=tube.chamber_mm,
        reservoir_ml=tube.reservoir_ml, plug=Plug(tube.plug),
    )  # fmt: skip


def entries_of(tube: Tube) -> list[Entry]:
    """Its journal."""
    return [
        Entry(START_MS + at * HOUR_MS, tube.name, EntryKind(kind), amount, "mL") for at, kind, amount in tube.entries
    ]


def placements_of(room: BenchRoom) -> list[Placement]:
    """The room's probe, and one in each tube that has its own."""
    own = [
        Placement(
            f"hub/{tube.name.lower()}", tube.name, "bench", Place.WET_END, START_MS, None, round(tube.distance_mm)
        )
        for tube in room.tubes
        if tube.own_probe
    ]
    return [Placement("hub/room", None, "bench", Place.ROOM, START_MS), *own]


def open_station(folder: Path) -> tuple[SqliteStore, Registry, Forecast]:
    """The real parts on one file."""
    store, registry, forecast, _ = open_counting(folder)
    return store, registry, forecast


def open_counting(folder: Path) -> tuple[SqliteStore, Registry, Forecast, CountingStore]:
    """The same, with what the outlook reads counted."""
    connection = open_db(folder / "station.db")
    store, registry = SqliteStore(folder / "station.db"), Registry(connection)
    counting = CountingStore(store)
    return store, registry, Forecast(History(counting, registry), registry, OutlookCache(connection)), counting


def write_station(room: BenchRoom, folder: Path, until_hour: int | None = None) -> None:
    """Readings once an hour, up to an hour; nests, placements and the whole journal."""
    store, registry, _ = open_station(folder)
    registry.put_nests([nest_of(tube) for tube in room.tubes])
    registry.put_placements(placements_of(room))
    registry.add_entries([entry for tube in room.tubes for entry in entries_of(tube)])
    store.maintain(START_MS + room.hours * HOUR_MS)  # old readings then go where old ones belong at once
    write_hours(store, room, 0, until_hour or room.hours)
    store.close()


def write_hours(store: SqliteStore, room: BenchRoom, first: int, last: int) -> None:
    """Every probe's readings of these hours, one probe after the other, then the upkeep that the recorder does."""
    series = [("hub/room", room.probe_temp, room.probe_rh)]
    series += [(f"hub/{tube.name.lower()}", tube.probe_temp, tube.probe_rh) for tube in room.tubes if tube.own_probe]
    at_ms = [START_MS + hour * HOUR_MS + HOUR_MS // 2 for hour in range(first, last)]
    for name, temp, rh in series:
        values = zip(at_ms, temp[first:last].tolist(), rh[first:last].tolist(), strict=True)
        store.write_rows([(name, *one) for one in values])
    store.maintain(START_MS + (last + 10) * HOUR_MS)


class CountingStore:
    """The store's port as the outlook uses it, with the hours counted that were read through it."""

    def __init__(self, store: SqliteStore) -> None:
        self._store, self.read = store, 0

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        """As the port says."""
        found = self._store.hours(probe, from_ms, until_ms)
        self.read += len(found)
        return found
