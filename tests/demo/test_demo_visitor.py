"""Whoever tries the demo gets a name and a password that work, the same ones from run to run."""

from __future__ import annotations

import stat

from demo.visitor import let_in
from sensord.clock import to_ms
from sensord.config import load_config
from sensord.wiring import Room


def test_the_visitor_can_sign_in_and_only_the_owner_can_read_the_password(tmp_path, clock) -> None:
    passwords = set()
    for run in ("first", "second"):
        config = tmp_path / run
        config.mkdir()
        (config / "station.toml").write_text("[station]\n")
        room = Room(load_config(config), clock)
        name, password = let_in(room, tmp_path)
        assert (name, password) == let_in(room, tmp_path)
        assert room.users.sign_in(name, password, to_ms(clock.now()))
        passwords.add(password)
    assert 1 == len(passwords)
    assert 0o600 == stat.S_IMODE((tmp_path / "password").stat().st_mode)
