"""The command line: exit status 2 for bad input, one line a problem, no traceback."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
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


@pytest.mark.parametrize(
    "words", [(), ("nope",), ("review",), ("review", "T1", "--days", "x"), ("journal",), ("import", "ants", "x.csv")]
)
def test_a_mistake_on_the_command_line_is_one_line(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(words)
    out, err = capsys.readouterr()
    assert not out
    assert len(err.splitlines()) == 1
    assert "--help' explains" in err


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_output_that_cannot_be_written_is_one_line(tmp_path: Path, form: tuple[str, ...]) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "sensord", "--config", station(tmp_path), "alarms", *form],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr) == (1, f"nestclimate: output: {os.strerror(errno.ENOSPC)}\n")


def test_a_data_folder_that_is_none_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = station(tmp_path, '[station]\ndata = "file"\n')
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    (tmp_path / "x.csv").write_text("at,probe,temp_c,rh_pct\n", encoding="utf-8")
    for words in (("outlook",), ("alarms", "--json"), ("import", "readings", str(tmp_path / "x.csv"))):
        assert main(["--config", folder, *words]) == 1
        out, err = capsys.readouterr()
        assert (out, len(err.splitlines())) == ("", 1)
        assert f"station.data = {tmp_path}/file: the folder cannot be made" in err


def test_a_full_disk_stops_an_import_in_one_line_and_harms_nothing(tmp_path: Path) -> None:
    folder = station(tmp_path)
    row = "2026-01-01T{:02}:{:02}:{:02}Z,a/b,20.5,50\n"
    rows = [row.format(i // 3600, i // 60 % 60, i % 60) for i in range(20_000)]
    (tmp_path / "x.csv").write_text("at,probe,temp_c,rh_pct\n" + "".join(rows), encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "sensord",
        "--config",
        folder,
        "import",
        "readings",
        str(tmp_path / "x.csv"),
        "--json",
    ]
    for limit in (300_000, 100_000):  # the disk is full in the spool file, or later in the database
        done = subprocess.run(
            ["prlimit", f"--fsize={limit}", *command], capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (1, "", 1)
        assert done.stderr.startswith("nestclimate: ")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, json.loads(done.stdout)["new"]) == (0, 20_000)


def test_a_damaged_database_is_one_line_whoever_reads_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = station(tmp_path)
    (tmp_path / "x.csv").write_text("at,probe,temp_c,rh_pct\n2026-01-01T00:00Z,a/b,20,50\n", encoding="utf-8")
    assert main(["--config", folder, "import", "readings", str(tmp_path / "x.csv")]) == 0
    assert main(["--config", folder, "outlook"]) == 0
    capsys.readouterr()
    with closing(sqlite3.connect(tmp_path / "data" / "station.db")) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    whole = (tmp_path / "data" / "station.db").read_bytes()
    span = ("--from", "2026-01-01T00:00:00Z", "--to", "2026-02-01T00:00:00Z")
    commands = (
        ("outlook",),
        ("round",),
        ("losses",),
        ("replay", *span),
        ("export", "readings", "--out", str(tmp_path / "y.csv")),
    )
    for words in commands:
        folder = station(tmp_path, f'[station]\ndata = "{words[0]}"\n')
        (tmp_path / words[0]).mkdir()
        (tmp_path / words[0] / "station.db").write_bytes(whole[:8192] + b"\xaa" * (len(whole) - 8192))
        assert main(["--config", folder, *words]) == 1, words
        out, err = capsys.readouterr()
        assert (out, len(err.splitlines())) == ("", 1), words
        assert "database" in err


@pytest.mark.parametrize("words", [("outlook",), ("round",), ("review", "T1")])
def test_instants_that_no_answer_can_be_given_for(
    tmp_path: Path, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = station(tmp_path)
    for at, told in (
        ("9999-12-31T23:59:59Z", "more than a hundred years ahead"),
        ("9999-12-31T23:59:59.9999Z", "more than a hundred years ahead"),
        ("0001-01-01T00:00:00+14:00", "outside the years 1 to 9999"),
        ("", "is not ISO 8601"),
    ):
        assert main(["--config", folder, *words, "--at", at]) == 2
        out, err = capsys.readouterr()
        assert (out, len(err.splitlines())) == ("", 1)
        assert told in err


def test_a_note_that_is_no_text_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = station(tmp_path)
    assert main(["--config", folder, "journal", "add", "T1", "note", "--note", "\udcff"]) == 2
    assert "note: allowed are up to 2000 characters of text" in capsys.readouterr().err
