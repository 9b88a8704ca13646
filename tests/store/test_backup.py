"""``backup`` of a station at work, and its way back."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from waiting import wait_until

from sensord.cli import main
from sensord.clock import SystemClock, to_ms
from sensord.model import Reading
from sensord.store.sqlite import SqliteStore


@pytest.fixture
def room(tmp_path: Path) -> Path:
    """A room with a few readings."""
    folder = tmp_path / "config"
    folder.mkdir()
    (folder / "station.toml").write_text("[station]\n")
    store = SqliteStore(folder / "data" / "station.db")
    now_ms = to_ms(SystemClock().now())
    store.write([Reading("a/p", now_ms - number * 60_000, 20.0, 50.0) for number in range(1_000)])
    store.close()
    return folder


def copies(folder: Path) -> list[Path]:
    return sorted(folder.iterdir())


def test_a_copy_made_in_the_middle_of_writing_is_whole_and_comes_back(room: Path, tmp_path: Path) -> None:
    """The writer goes on meanwhile; put back as hardware/README.md says, the copy holds what was acknowledged before."""
    database, acknowledged = room / "data" / "station.db", tmp_path / "acknowledged"
    script = Path(__file__).with_name("crash_writer.py")
    with acknowledged.open("w") as out:
        writer = subprocess.Popen([sys.executable, str(script), str(database), "0"], stdout=out)
    try:
        wait_until(lambda: len(acknowledged.read_text().splitlines()) > 20, what="the writer writes")
        before = int(acknowledged.read_text().splitlines()[-2])
        assert main(["--config", str(room), "backup", "--to", str(tmp_path / "stick")]) == 0
        after = len(acknowledged.read_text().splitlines())
        wait_until(lambda: len(acknowledged.read_text().splitlines()) > after + 5, what="the writer goes on")
    finally:
        writer.kill()
        writer.wait()
    (copy,) = copies(tmp_path / "stick")
    for old in database.parent.glob("station.db*"):
        old.unlink()
    database.write_bytes(copy.read_bytes())
    store = SqliteStore(database)
    try:
        assert store.count() >= 1_000 + (before + 1) * 16
        store.write([Reading("a/p", to_ms(SystemClock().now()) + 1, 20.0, 50.0)])
    finally:
        store.close()


def test_the_newest_copies_are_kept_and_other_files_left_alone(room: Path, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    for name in ("station-2020-01-01T000000Z.db", "station-2021-01-01T000000Z.db", "photo.db"):
        (stick / name).touch()
    assert main(["--config", str(room), "backup", "--to", str(stick), "--keep", "2"]) == 0
    names = [each.name for each in copies(stick)]
    assert names[:2] == ["photo.db", "station-2021-01-01T000000Z.db"]
    assert len(names) == 3


@pytest.mark.parametrize("how", ["no folder", "damaged", "keep none", "nothing yet"])
def test_what_cannot_be_done_is_one_line_and_the_copies_stay(
    room: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], how: str
) -> None:
    stick, database = tmp_path / "stick", room / "data" / "station.db"
    stick.mkdir()
    kept = stick / "station-2020-01-01T000000Z.db"
    kept.touch()
    given = ["--to", str(stick), "--keep", "1"]
    if how == "no folder":
        given[1] = str(kept / "inside")
    elif how == "damaged":
        database.write_bytes(database.read_bytes()[:8192] + b"\xa5" * 40_000)
    elif how == "keep none":
        given[3] = "0"
    else:
        database.unlink()
    assert main(["--config", str(room), "backup", *given]) in (1, 2)
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert copies(stick) == [kept]
