"""A real room behind a real dashboard, with a keeper who is signed in: for tests of what pages write."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

from browser import serving

from dashboard.access import COOKIE
from dashboard.app import create_app
from dashboard.data import Data
from dashboard.writing import Writing
from sensord.access.passwords import Passwords
from sensord.access.users import Users
from sensord.clock import DAY_MS, HOUR_MS, Clock, to_ms
from sensord.config import load_config
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Reading, Stage
from sensord.wiring import Room

KEEPER, PASSWORD = "mara", "wet cotton, dry plug"


def keeper_room(folder: Path, clock: Clock, dashboard: str = "") -> Room:
    """A room of nothing but its settings, and one keeper who can sign in."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "station.toml").write_text(
        f'[station]\nname = "Ant room"\ntime_zone = "Europe/Lisbon"\n[dashboard]\n{dashboard}\n'
    )
    room = Room(load_config(folder), clock)
    room.users = quick_users(room)
    room.users.add(KEEPER, PASSWORD, to_ms(clock.now()))
    return room


def quick_users(room: Room) -> Users:
    """Whose passwords cost little to check: a fit hash takes 0.15 s, and tests sign in some hundred times."""
    return Users(room.connection, Passwords(time_cost=1, memory_kib=8, parallelism=1))


class QuickWriting(Writing):
    """The product's door for writes, with quick users."""

    def room(self) -> Room:
        room = super().room()
        if "users" not in vars(room):
            room.users = quick_users(room)
        return room


def two_tubes(room: Room) -> Room:
    """The same with a tube that was never filled nor fed as far as anybody knows, and one whose water ends."""
    now_ms = to_ms(room.clock.now())
    tube = {"kind": NestKind.TUBE, "room": "ant room", "rack": "A", "species": "Lasius niger", "reservoir_ml": 8.0}
    room.registry.put_nests([Nest(name, stage=Stage.NANITIC, **tube) for name in ("A-01", "A-02")])
    room.registry.put_placements([Placement("hub-a/room", None, "ant room", Place.ROOM, 0)])
    room.store.write([Reading("hub-a/room", now_ms - ago * HOUR_MS, 24.0, 40.0) for ago in range(20 * 24, -1, -1)])
    room.registry.add_entries([
        Entry(now_ms - 20 * DAY_MS, "A-02", EntryKind.FILL, 8.0, "mL"),
        Entry(now_ms - HOUR_MS, "A-02", EntryKind.LEVEL, 0.2, "mL"),
    ])  # fmt: skip
    return room


def app_of(room: Room):
    """The dashboard of that room as ``serve`` puts it together, and its data."""
    data = Data(room)
    return create_app(data, room.clock, writing=QuickWriting(room, data.forget)), data


@contextlib.contextmanager
def served(room: Room) -> Iterator[str]:
    """Its address while it runs."""
    app, data = app_of(room)
    data.keeping.refresh()
    with serving(app) as address:
        yield address


def sign_in(page, room: Room, address: str) -> None:
    """Give the browser a session, as the page to sign in does."""
    token = room.users.sign_in(KEEPER, PASSWORD, to_ms(room.clock.now()))
    host = urlsplit(address).hostname
    page.context.add_cookies([{"name": COOKIE, "value": token, "domain": host, "path": "/"}])
