"""Somebody who may try to write in the demo room: a name, and a password of this copy's own, drawn once."""

from __future__ import annotations

from pathlib import Path

from sensord.clock import to_ms
from sensord.link.login import shared_password
from sensord.wiring import Room

NAME = "mara"


def let_in(room: Room, folder: Path) -> tuple[str, str]:
    """Add the visitor to this run's room; name and password, which stays the same from run to run."""
    password, now_ms = shared_password(folder / "password"), to_ms(room.clock.now())
    if not room.users.any():
        room.users.add(NAME, password, now_ms)
    return NAME, password
