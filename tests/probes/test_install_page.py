"""What hardware/INSTALL.md tells a person with a Pi in hand to copy and to type is there and is right."""

from __future__ import annotations

import getpass
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from brokers import answers, free_port, require_mosquitto
from waiting import wait_until

from sensord.cli import COMMANDS, main
from sensord.clock import SystemClock, to_ms
from sensord.link.mqtt import MqttLink
from sensord.model import Reading
from sensord.settings import BrokerSettings
from sensord.store.sqlite import SqliteStore

HARDWARE = Path(__file__).parents[2] / "hardware"
PAGE = (HARDWARE / "INSTALL.md").read_text(encoding="utf-8")
PROGRAM = "/opt/nestclimate/bin/nestclimate"
UNITS = sorted((HARDWARE / "systemd").iterdir())


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    """``systemd-analyze verify`` reads them as systemd does; the program is stood in for by this Python."""
    analyze = shutil.which("systemd-analyze")
    if not analyze:
        pytest.skip("systemd-analyze is not installed (apt-get install systemd)")
    for unit in UNITS:
        (tmp_path / unit.name).write_text(unit.read_text().replace(PROGRAM, sys.executable))
    given = [str(tmp_path / unit.name) for unit in UNITS]
    told = subprocess.run([analyze, "verify", *given], capture_output=True, text=True, check=False, timeout=60)
    assert (told.returncode, told.stdout + told.stderr) == (0, "")


@pytest.mark.mosquitto
def test_the_broker_configuration_lets_in_who_knows_the_password(tmp_path: Path) -> None:
    """Mosquitto takes the file as it stands, but for the port and the place of the passwords."""
    port, passwords, conf = free_port(), tmp_path / "passwords", tmp_path / "m.conf"
    program = require_mosquitto()
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "ants", "right"], check=True, timeout=20)
    text = (HARDWARE / "mosquitto-nestclimate.conf").read_text()
    text = text.replace("listener 1883", f"listener {port} 127.0.0.1").replace(
        "/etc/mosquitto/nestclimate-passwords", str(passwords)
    )
    conf.write_text(f"{text}\nuser {getpass.getuser()}\npersistence_location {tmp_path}/\n")
    broker = subprocess.Popen([program, "-c", str(conf)], stderr=subprocess.DEVNULL)
    links = [
        MqttLink(BrokerSettings(port=port, username=name), f"asks-{password}", password=password)
        for name, password in (("ants", "right"), ("ants", "wrong"), ("", ""))
    ]
    try:
        wait_until(lambda: answers(port), what="Mosquitto listens")
        for link in links:
            link.start()
        wait_until(lambda: all(link.connected or link.problem for link in links), what="each is let in or refused")
        assert [link.connected for link in links] == [True, False, False]
        assert all("refuses us" in link.problem for link in links[1:])
    finally:
        for link in links:
            link.close(1)
        broker.kill()
        broker.wait()


def test_every_unit_runs_a_command_that_there_is_and_is_named_on_the_page() -> None:
    for unit in UNITS:
        assert unit.stem in PAGE, unit.name
        for line in re.findall(r"^ExecStart=(.*)$", unit.read_text(), re.MULTILINE):
            program, _, folder, command, *_ = line.split()
            assert (program, folder) == (PROGRAM, "/etc/nestclimate")
            assert command in COMMANDS


def test_every_command_and_every_file_on_the_page_is_there() -> None:
    typed = re.findall(r"(?:bin/nestclimate|`nestclimate)(?: --config [A-Z]+)? ([a-z]+)", PAGE)
    assert {"check", "probes", "backup", "export"} <= set(typed) <= set(COMMANDS)
    for named in re.findall(r"(hardware/[\w./-]*\w|config/[\w.]+)", PAGE):
        assert list(HARDWARE.parent.glob(f"{named}*")), named


def test_what_came_since_the_copy_is_brought_over_from_the_file_before(tmp_path: Path) -> None:
    """The last step of a restore as the page has it: a folder of its own for the old file, export, import."""
    now_ms = to_ms(SystemClock().now())
    for folder, count in (("before", 30), ("now", 10)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "station.toml").write_text(f'[station]\ndata = "{tmp_path / folder}"\n')
        store = SqliteStore(tmp_path / folder / "station.db")
        store.write([Reading("loft/a", now_ms - number * 60_000, 20.0, 50.0) for number in range(30, 30 - count, -1)])
        store.close()
    gap = str(tmp_path / "gap.csv")
    assert main(["--config", str(tmp_path / "before"), "export", "readings", "--out", gap]) == 0
    assert main(["--config", str(tmp_path / "now"), "import", "readings", gap]) == 0
    store = SqliteStore(tmp_path / "now" / "station.db")
    assert store.count() == 30
    store.close()
