"""The command ``probes`` as a keeper runs it, on a simulated hub."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from room_of_probes import Bench, mild, seat
from test_hub_bus import STATION

from sensord.cli import main
from sensord.clock import ManualClock
from sensord.commands.probes import Jump, find_jump, watch_for_jump
from sensord.probes.scan import Scanner
from sensord.probes.simulated import SimulatedBus
from sensord.probes.survey import Answer, survey


@pytest.fixture
def folder(tmp_path: Path) -> str:
    """A configuration with one simulated hub of two probes."""
    (tmp_path / "station.toml").write_text(STATION.replace("AIR", ""), encoding="utf-8")
    return str(tmp_path)


def test_list(folder: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Every configured probe with its seat and what it reads."""
    assert main(["--config", folder, "probes"]) == 0
    out = capsys.readouterr().out
    assert "loft/shelf" in out
    assert "0x73" in out
    assert "multiplexers that answer: 0x73" in out


def test_list_json_is_one_document(folder: str, capsys: pytest.CaptureFixture[str]) -> None:
    """``--json`` puts one document on standard output and nothing else."""
    assert main(["--config", folder, "probes", "--json"]) == 0
    (hub,) = json.loads(capsys.readouterr().out)["hubs"]
    assert [probe["probe"] for probe in hub["probes"]] == ["loft/shelf", "loft/tube-7"]
    assert all(probe["faults"] == [] and 0 < probe["rh_pct"] < 100 for probe in hub["probes"])
    assert hub["not_configured"] == []


def test_no_hub_is_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a [[hub]] the command says so in one line, status 2."""
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    assert main(["--config", str(tmp_path), "probes"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "there is no [[hub]]" in line


def test_missing_pi_bus_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A hub whose bus this machine has not is a failure with advice, status 1."""
    text = '[station]\n[broker]\n[[hub]]\nname = "pi"\nbus_number = 31\n'
    (tmp_path / "station.toml").write_text(text, encoding="utf-8")
    assert main(["--config", str(tmp_path), "probes"]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("nestclimate: hub pi: bus /dev/i2c-31: there is no such bus")


def test_plan_for_a_number_of_probes(folder: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A plan for 20 probes: two multiplexers, twelve free seats, a seat each, the scan time."""
    assert main(["--config", folder, "probes", "plan", "--count", "20", "--json"]) == 0
    (hub,) = json.loads(capsys.readouterr().out)["hubs"]
    assert hub["muxes"] == ["0x70", "0x71"]
    assert hub["free_seats_behind_these_muxes"] == 12
    assert len({(s["mux"], s["channel"], s["address"]) for s in hub["seats"]}) == 20
    assert hub["scan_s"]["50000"] > hub["scan_s"]["100000"] > 0.018
    assert main(["--config", folder, "probes", "plan"]) == 0
    assert "pF of 400" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["plan", "--count", "129"], "allowed is 1 to 128"),
        (["plan", "--cable-m", "-1"], "allowed is 0 to 100 metres"),
        (["identify", "--for", "0"], "allowed is 1 to 3600 seconds"),
        (["--hub", "attic"], "there are: loft"),
    ],
)
def test_bad_arguments(folder: str, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str) -> None:
    """Bad values are one line and status 2."""
    assert main(["--config", folder, "probes", *arguments]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line


def test_identify_names_the_probe_that_is_breathed_on(clock: ManualClock) -> None:
    """Among three probes the one whose humidity jumps is named, seconds after the breath."""
    bench = Bench(clock, seat("a"), seat("b", 0x45), seat("c", 0x44, 0x70, 2))
    breath_at = clock.now().timestamp() + 10
    bench.chips["b"].air = lambda at: (25.0, 40.0 if at.timestamp() < breath_at else 78.0)
    jump = watch_for_jump([bench.scanner], clock, for_s=60)
    assert jump is not None
    assert jump.probe == "loft/b"
    assert jump.rise_pct == pytest.approx(38, abs=0.01)
    assert clock.now().timestamp() - breath_at < 2


def test_identify_gives_up(clock: ManualClock) -> None:
    """Nobody breathed: None after the time asked for."""
    bench = Bench(clock, seat("a"))
    before_s = clock.monotonic()
    assert watch_for_jump([bench.scanner], clock, for_s=5) is None
    assert clock.monotonic() - before_s == pytest.approx(5, abs=1.1)


def test_a_whole_room_that_gets_damp_names_nobody() -> None:
    """When all rise together, for instance by a humidifier, no probe is named."""
    start = {"loft/a": 50.0, "loft/b": 60.0}
    assert find_jump(start, {"loft/a": 70.0, "loft/b": 78.0}) is None
    assert find_jump(start, {"loft/a": 70.0, "loft/b": 61.0}) == Jump("loft/a", 20.0)
    assert find_jump(start, {"loft/a": 57.9, "loft/b": 60.0}) is None


def test_survey_finds_what_nobody_configured(clock: ManualClock) -> None:
    """Devices and multiplexers are found with no configuration at all, and the bus is left closed and free."""
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, mild)
    bus.add_sht31(0x45, mild, mux=0x75, channel=7)
    bus.add_mux(0x70)
    found = survey(bus, clock)
    assert found.muxes == (0x70, 0x75)
    assert found.answers == (Answer(-1, -1, 0x44), Answer(0x75, 7, 0x45))
    assert {mux.control for mux in bus.muxes.values()} == {0}
    assert len(Scanner(bus, [seat("a")], clock).scan().samples) == 1
