"""The bus of a configured hub: simulated with its air file, or the Pi's own."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sensord.clock import ManualClock, SystemClock
from sensord.commands import check
from sensord.config import load_config
from sensord.errors import ConfigError, InputError, ProbeError
from sensord.probes.bus import own_device
from sensord.probes.hardware import open_pi_bus
from sensord.probes.scan import Sample, Scanner
from sensord.wiring import Room

STATION = """
[station]
[broker]
[[hub]]
name = "loft"
bus = "simulated"
AIR
[[probe]]
hub = "loft"
name = "shelf"
[[probe]]
hub = "loft"
name = "tube-7"
address = 0x45
mux = 0x73
channel = 6
"""


def room(folder: Path, clock: ManualClock, air: str | None = None) -> Room:
    """A configuration folder with one simulated hub."""
    if air is not None:
        (folder / "air.csv").write_text(air, encoding="utf-8")
    setting = "" if air is None else 'air_file = "air.csv"'
    (folder / "station.toml").write_text(STATION.replace("AIR", setting), encoding="utf-8")
    return Room(load_config(folder), clock)


def by_name(samples: list[Sample]) -> dict[str, tuple[float, float]]:
    return {sample.probe_full_name: (sample.temp_c, sample.rh_pct) for sample in samples}


STEP_C, STEP_PCT = 175 / 65535, 100 / 65535


def test_air_file_comes_back_within_quantisation(tmp_path: Path) -> None:
    """Rows are met exactly, between rows the air follows a straight line, before and after it is held."""
    noon = ManualClock(datetime(2026, 4, 1, 12, 30, tzinfo=UTC))
    rows = [
        "at,probe,temp_c,rh_pct",
        "2026-04-01T13:00:00Z,loft/shelf,22,60",
        "2026-04-01T14:00:00+02:00,loft/shelf,20,50",
        "2026-04-01T12:00:00Z,tube-7,25,90",
        "2026-04-01T12:15:00Z,tube-7,,",
    ]
    scanner = room(tmp_path, noon, "\n".join(rows)).scanner("loft")
    readings = by_name(scanner.scan().samples)
    assert readings["loft/shelf"][0] == pytest.approx(21, abs=STEP_C)
    assert readings["loft/shelf"][1] == pytest.approx(55, abs=STEP_PCT)
    assert readings["loft/tube-7"] == pytest.approx((25, 90), abs=STEP_C)
    noon.advance(7200)
    assert by_name(scanner.scan().samples)["loft/shelf"][0] == pytest.approx(22, abs=STEP_C)


def test_bad_air_file_names_every_bad_line(tmp_path: Path, clock: ManualClock) -> None:
    """Each bad row is one line with its number; no traceback, nothing guessed."""
    rows = "at,probe,temp_c,rh_pct\n2026-04-01T12:00:00,shelf,20,50\n2026-04-01T12:00:00Z,shelf,warm,50\n2026-04-01T12:00:00Z,Sh!,1,2\nx\n"
    with pytest.raises(InputError) as caught:
        room(tmp_path, clock, rows).bus("loft")
    assert [problem.split(": ")[1] for problem in caught.value.problems] == ["line 2", "line 3", "line 4", "line 5"]


def test_air_file_without_a_probe(tmp_path: Path, clock: ManualClock) -> None:
    """A configured probe of which the file says nothing is an error, not invented air."""
    with pytest.raises(InputError, match="no complete row of probe loft/tube-7"):
        room(tmp_path, clock, "at,probe,temp_c,rh_pct\n2026-04-01T12:00:00Z,shelf,20,50\n").bus("loft")


def test_wrong_columns(tmp_path: Path, clock: ManualClock) -> None:
    """A file with other columns says which are allowed."""
    with pytest.raises(InputError, match="line 1: the columns must be at,probe,temp_c,rh_pct"):
        room(tmp_path, clock, "when,probe\n").bus("loft")


def test_invented_air_moves_and_differs(tmp_path: Path, clock: ManualClock) -> None:
    """Without a file each probe has its own mild day, inside what an ant room has."""
    scanner = room(tmp_path, clock).scanner("loft")
    seen = []
    for _ in range(24):
        readings = by_name(scanner.scan().samples)
        seen.append(readings)
        assert all(18 < temp_c < 30 and 50 < rh_pct < 95 for temp_c, rh_pct in readings.values())
        clock.advance(3600)
    assert len({readings["loft/shelf"] for readings in seen}) > 20
    assert all(readings["loft/shelf"] != readings["loft/tube-7"] for readings in seen)


def test_unknown_hub(tmp_path: Path, clock: ManualClock) -> None:
    """Asking for a hub that is not configured names those that are."""
    with pytest.raises(ConfigError, match=r"'cellar'.*there are: loft"):
        room(tmp_path, clock).bus("cellar")


def test_no_bus_on_this_machine(tmp_path: Path) -> None:
    """Without the device the message says how to enable I2C."""
    with pytest.raises(ProbeError, match="there is no such bus; enable I2C with 'sudo raspi-config'"):
        open_pi_bus(7, devices=tmp_path)


def test_second_owner_of_the_pi_bus(tmp_path: Path) -> None:
    """The Pi's bus is owned once, and free again after close; closing twice is harmless."""
    (tmp_path / "i2c-0").touch()
    from sensord.probes.hardware import PiBus

    bus = PiBus(object(), own_device(tmp_path / "i2c-0"))
    with pytest.raises(ProbeError, match="owns it"):
        open_pi_bus(0, devices=tmp_path)
    bus.close()
    bus.close()
    again = PiBus(object(), own_device(tmp_path / "i2c-0"))
    assert again.try_lock()
    assert not again.try_lock()
    again.unlock()
    again.close()


class RoomOfABusyHub(Room):
    """Its bus is in another program's hands."""

    devices = Path()

    def scanner(self, hub_name: str) -> Scanner:
        open_pi_bus(0, devices=self.devices)
        return super().scanner(hub_name)


def test_check_finds_nothing_wrong_with_a_bus_that_sense_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "i2c-0").touch()
    text = '[station]\n[broker]\nport = 1\nembedded = true\n[[hub]]\nname = "loft"\nbus_number = 0\n'
    (tmp_path / "station.toml").write_text(text)
    room = RoomOfABusyHub(load_config(tmp_path), SystemClock())
    room.devices = tmp_path
    descriptor = own_device(tmp_path / "i2c-0")
    try:
        assert check.run(argparse.Namespace(json=False), room) == 0
    finally:
        os.close(descriptor)
    assert "is being read" in capsys.readouterr().out


@pytest.mark.parametrize("missing", ["adafruit_blinka", "adafruit_sht31d"])
def test_sense_without_the_packages_that_read_probes_is_one_line(tmp_path: Path, missing: str) -> None:
    """In a process of its own, where importing the package fails as if it were not installed."""
    (tmp_path / "station.toml").write_text(STATION.replace("AIR", ""))
    script = f"import sys; sys.modules[{missing!r}] = None; from sensord.cli import main; sys.exit(main(sys.argv[1:]))"
    given = [sys.executable, "-c", script, "--config", str(tmp_path), "sense"]
    told = subprocess.run(given, capture_output=True, text=True, check=False, timeout=60)
    assert told.returncode == 1
    (line,) = told.stderr.splitlines()
    assert "the packages that read probes are not all there" in line
    assert "pip install ." in line


@pytest.mark.skipif(Path("/dev/i2c-29").exists(), reason="this machine has an I2C bus 29")
def test_a_bus_that_blinka_cannot_open(tmp_path: Path) -> None:
    """Blinka's refusal is one clear line, and the ownership is given back."""
    (tmp_path / "i2c-29").touch()
    for _ in range(2):
        with pytest.raises(ProbeError, match=r"i2c-29: cannot be opened"):
            open_pi_bus(29, devices=tmp_path)
