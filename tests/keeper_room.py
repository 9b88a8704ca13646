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
from sensord.clock import Clock, to_ms
from sensord.config import load_config
from sensord.wiring import Room

KEEPER, PASSWORD = "mara", "wet cotton, dry plug"


def keeper_room(folder: Path, clock: Clock, dashboard: str = "") -> Room:
    """A room of nothing but its settings, and one keeper who can sign in."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "station.toml").write_text(
        f'[station]\nname = "Ant room"\ntime_zone = "Europe/Lisbon"\n[dashboard]\n{dashboard}\n'
    )
    room = Room(load_config(folder), clock)
    room.users = Users(room.connection, Passwords(time_cost=1, memory_kib=8, parallelism=1))  # a fit one takes 0.15 s
    room.users.add(KEEPER, PASSWORD, to_ms(clock.now()))
    return room


def app_of(room: Room):
    """The dashboard of that room as ``serve`` puts it together, and its data."""
    data = Data(room)
    return create_app(data, room.clock, writing=Writing(room, data.forget)), data


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
