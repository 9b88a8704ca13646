"""The command line: exit status 2 for bad input, one line a problem, no traceback."""

from __future__ import annotations

import json
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


def test_check_tells_every_mistake_in_the_keepers_own_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = station(tmp_path)
    for name, text in (("nests", "[[season]]\nseason = 'sleep'\nfrom = 2026-01-01\n"), ("colonies", "")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "X-1.toml").write_text(text, encoding="utf-8")
    assert main(["--config", folder, "check", "--json"]) == 1
    found = [each["detail"] for each in json.loads(capsys.readouterr().out)["checks"] if each["what"] == "species"]
    assert found == [
        f"{tmp_path}/nests/X-1.toml: season[1].season = 'sleep': allowed is active, wind_down, winter_rest, wake_up",
        f"{tmp_path}/colonies/X-1.toml: is not used, there is no colony 'X-1'; a file here is named as its colony is",
        f"{tmp_path}/nests/X-1.toml: is not used, there is no nest 'X-1'; a file here is named as its nest is",
    ]
