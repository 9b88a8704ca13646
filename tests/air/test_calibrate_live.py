"""``calibrate salt`` as a keeper lives through it: what is said meanwhile, interrupted, silent, the wrong jar, taken back."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sensord.air.calibration import Calibration, cautions, salt_rh_pct
from sensord.cli import main
from sensord.clock import MINUTE_MS, ManualClock, from_ms, to_ms
from sensord.commands import calibrate
from sensord.config import load_config
from sensord.db import open_db
from sensord.errors import InputError
from sensord.keeping.calibrations import Calibrations
from sensord.model import Reading
from sensord.store.sqlite import SqliteStore
from sensord.wiring import Room

START_MS = to_ms(datetime(2026, 3, 1, 12, tzinfo=UTC))


class Jar(ManualClock):
    """While it sleeps the probe in the jar reads once in ``every_ms``; ``until_ms`` ends that, ``at_ms`` calls a handler."""

    def __init__(self, store: SqliteStore, every_ms: int = 30_000) -> None:
        super().__init__(from_ms(START_MS))
        self.store, self.every_ms, self.until_ms = store, every_ms, 2**60
        self.on_sleep: Callable[[int], None] = lambda _now_ms: None

    def sleep(self, seconds: float) -> None:
        before_ms = to_ms(self.now())
        super().sleep(seconds)
        now_ms = to_ms(self.now())
        if now_ms // self.every_ms > before_ms // self.every_ms and now_ms < self.until_ms:
            settling = 30 * math.exp(-(now_ms - START_MS) / (8 * MINUTE_MS))
            self.store.write([Reading("shelf/a", now_ms, 22.0, 77.0 - settling)])
        self.on_sleep(now_ms)


@pytest.fixture
def jar(tmp_path: Path) -> Iterator[Jar]:
    (tmp_path / "station.toml").write_text("[station]\n")
    store = SqliteStore(tmp_path / "data" / "station.db")
    store.write([Reading("shelf/a", START_MS - 1, 22.0, 40.0)])
    yield Jar(store)
    store.close()


def over_salt(folder: Path, jar: Jar, salt: str = "nacl") -> Room:
    room = Room(load_config(folder), jar)
    given = argparse.Namespace(way="salt", probe="shelf/a", salt=[salt], since=[], until=[])
    try:
        calibrate.run(given, room)
    finally:
        room.store.close()
    return room


def test_while_it_settles_a_line_comes_now_and_then(
    tmp_path: Path, jar: Jar, capsys: pytest.CaptureFixture[str]
) -> None:
    (made,) = over_salt(tmp_path, jar).calibrations.all()
    passed_min = (made.at_ms - START_MS) / MINUTE_MS
    lines = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("caution")]
    assert lines[0].startswith("watching shelf/a; settling takes about an hour")
    assert lines[-1].startswith("settled: --salt nacl --from 2026-03-01T12:")
    assert 5 < len(lines) < 4 + passed_min / 5 + 2
    assert f"(read 77.0, due {salt_rh_pct('nacl', 22.0)[0]:.1f} %)" in made.note


def test_a_hub_that_scans_every_five_minutes_settles_too(tmp_path: Path, jar: Jar) -> None:
    """Ten readings take it fifty minutes, longer than the window of those that scan each minute."""
    jar.every_ms = 5 * MINUTE_MS
    (made,) = over_salt(tmp_path, jar).calibrations.all()
    assert made.rh_offset_pct == pytest.approx(salt_rh_pct("nacl", 22.0)[0] - 77.0, abs=0.1)


def test_interrupted_it_says_how_to_go_on_and_that_works(
    tmp_path: Path, jar: Jar, capsys: pytest.CaptureFixture[str]
) -> None:
    def lose_patience(now_ms: int) -> None:
        if now_ms > START_MS + 10 * MINUTE_MS:
            raise KeyboardInterrupt

    jar.on_sleep = lose_patience
    with pytest.raises(KeyboardInterrupt):
        over_salt(tmp_path, jar)
    (line,) = [line for line in capsys.readouterr().err.splitlines() if line.startswith("stopped")]
    assert "no calibration was made" in line
    command = line.partition(": nestclimate ")[2].split()
    assert command[:5] == ["calibrate", "salt", "shelf/a", "--salt", "nacl"]
    jar.on_sleep = lambda _now_ms: None
    for _ in range(120):
        jar.sleep(30)
    command[command.index("--from") + 1] = "2026-03-01T12:40:00Z"
    command[command.index("T")] = "2026-03-01T13:09:00Z"
    assert main(["--config", str(tmp_path), *command]) == 0


def test_a_probe_that_falls_silent_in_the_jar_is_told(
    tmp_path: Path, jar: Jar, capsys: pytest.CaptureFixture[str]
) -> None:
    jar.until_ms = START_MS + 5 * MINUTE_MS
    with pytest.raises(InputError, match="needed are 10 over 20 minutes"):
        over_salt(tmp_path, jar)
    said = capsys.readouterr().err
    assert "no reading since 2026-03-01T12:04:30Z; do 'nestclimate sense' and 'nestclimate record' run?" in said


def test_the_wrong_jar_is_refused(tmp_path: Path, jar: Jar, capsys: pytest.CaptureFixture[str]) -> None:
    """KCl and NaCl are 9 %RH apart: a probe two off over the one is within ten of the other."""
    for _ in range(160):
        jar.sleep(30)
    given = ["--from", "2026-03-01T12:50:00Z", "--to", "2026-03-01T13:15:00Z"]
    assert main(["--config", str(tmp_path), "calibrate", "salt", "shelf/a", "--salt", "kcl", *given]) == 2
    assert "nearer to nacl (75.4 %) than to kcl (84.8 %): is it the right jar?" in capsys.readouterr().err


def test_a_name_without_its_hub_is_helped(tmp_path: Path, jar: Jar, capsys: pytest.CaptureFixture[str]) -> None:
    jar.sleep(30)
    assert main(["--config", str(tmp_path), "calibrate", "salt", "a", "--salt", "nacl"]) == 2
    assert capsys.readouterr().err.splitlines() == ["nestclimate: probe a: has no readings yet; is it shelf/a?"]


def test_cautions_are_those_of_the_salt() -> None:
    assert not any("toxic" in line for line in cautions(["nacl"]))
    assert any("toxic" in line for line in cautions(["nacl", "licl"]))
    assert any("overflow" in line for line in cautions(["mgcl2"]))
    assert all("ants" in " ".join(cautions([salt])) for salt in ("nacl", "licl", "k2so4"))


def test_a_mistake_is_taken_back_and_kept_aside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "station.toml").write_text("[station]\n")
    connection = open_db(tmp_path / "data" / "station.db")
    kept, versions = Calibrations(connection), set[str]()
    right = Calibration("shelf/a", START_MS, "salt", rh_offset_pct=1.0)
    wrong = Calibration("shelf/a", START_MS + 1_500, "salt", rh_offset_pct=9.0)
    for each in (right, wrong):
        versions.add(kept.version())
        kept.add(each)
    versions.add(kept.version())
    withdraw = ["--config", str(tmp_path), "calibrate", "withdraw", "shelf/a", "--json", "--at"]
    assert main([*withdraw, "2026-03-01T12:00:02Z"]) == 2
    assert "there are: 2026-03-01T12:00:00Z, 2026-03-01T12:00:01.500Z" in capsys.readouterr().err
    assert main([*withdraw, "2026-03-01T12:00:01.500Z"]) == 0
    assert [each["rh_offset_pct"] for each in json.loads(capsys.readouterr().out)["calibrations"]] == [1.0]
    assert kept.for_probe("shelf/a") == [right]
    versions.add(kept.version())
    kept.add(wrong)
    versions.add(kept.version())
    assert len(versions) == 5
    aside = connection.execute("SELECT rh_offset_pct FROM calibrations_withdrawn").fetchall()
    assert aside == [(9.0,)]
    connection.close()
