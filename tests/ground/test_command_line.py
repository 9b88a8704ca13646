"""The command line: exit status 2 for bad input, one line a problem, no traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.cli import COMMANDS, main


def station(folder: Path, text: str = "[station]\n") -> str:
    """A configuration folder."""
    (folder / "station.toml").write_text(text, encoding="utf-8")
    return str(folder)


def test_check_names_the_mistakes_of_all_files_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = station(tmp_path, '[station]\ntime_zone = "Nowhere"\nnmae = 1\n[broker]\nport = 0\n')
    (tmp_path / "species").mkdir()
    (tmp_path / "species" / "lasius_niger.toml").write_text("[activ]\nx = 1\n", encoding="utf-8")
    assert main(["--config", folder, "check"]) == 2
    out, err = capsys.readouterr()
    assert not out
    lines = err.splitlines()
    for key in ("station.time_zone", "station.nmae", "broker.port", "activ"):
        assert any(key in line for line in lines), key
    assert "Traceback" not in err
    assert all(".toml" in line for line in lines)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main([command, "--help"])
    assert f"nestclimate {command}" in capsys.readouterr().out


def test_a_missing_configuration_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--config", str(tmp_path), "check"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_check_of_a_station_alone_is_well(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--config", station(tmp_path), "check", "--json"]) == 0
    assert '"ok": true' in capsys.readouterr().out
