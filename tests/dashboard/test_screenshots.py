"""The script that takes pictures of every page works over a configured room, and leaves that as it was."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
import screenshots
from keeper_room import KEEPER, PASSWORD, keeper_room, two_tubes

from sensord.clock import SystemClock


@pytest.fixture
def configured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A room with a keeper, whose password stands in standard input."""
    room = two_tubes(keeper_room(tmp_path / "config", SystemClock()))
    room.users.set_password(KEEPER, PASSWORD, 0)
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{PASSWORD}\n"))
    return room


@pytest.mark.slow
@pytest.mark.chromium
def test_a_picture_of_each_page_as_a_visitor_and_as_a_keeper(configured, tmp_path, capsys) -> None:
    given = ["--config", str(tmp_path / "config"), "--user", KEEPER, "--size", "phone", "--only", "/round"]
    assert screenshots.main([str(tmp_path / "pictures"), *given]) == 0, capsys.readouterr().out
    names = {file.name for file in (tmp_path / "pictures").iterdir()}
    assert names == {f"round-phone-{scheme}{whose}.png" for scheme in ("light", "dark") for whose in ("", "-keeper")}
    assert configured.connection.execute("SELECT count(*) FROM sessions").fetchone() == (0,)


def test_a_wrong_password_is_one_line(configured, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("not the password\n"))
    with pytest.raises(SystemExit, match="no such user, or another password"):
        screenshots.main([str(tmp_path / "p"), "--config", str(tmp_path / "config"), "--user", KEEPER])


def test_a_folder_without_a_configuration_is_one_line(tmp_path, capsys) -> None:
    assert screenshots.main([str(tmp_path / "p"), "--config", str(tmp_path)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
