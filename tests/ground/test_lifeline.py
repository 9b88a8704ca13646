"""Signs of life as sd_notify(3) has them: datagrams to NOTIFY_SOCKET, within WATCHDOG_USEC."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensord.lifeline import Lifeline


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[socket.socket]:
    """Where systemd would listen."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(20)
        yield listening


def test_without_systemd_nothing_is_said() -> None:
    line = Lifeline({})
    line.ready()
    line.alive()
    assert line.every_s is None


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({"WATCHDOG_USEC": "180000000"}, 90.0),
        ({"WATCHDOG_USEC": "180000000", "WATCHDOG_PID": str(os.getpid())}, 90.0),
        ({"WATCHDOG_USEC": "180000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_half_of_what_is_allowed_and_only_where_this_process_is_meant(
    environment: dict[str, str], every_s: float | None
) -> None:
    assert Lifeline({"NOTIFY_SOCKET": "/nowhere", **environment}).every_s == every_s


def test_a_line_that_nobody_holds_harms_nobody() -> None:
    Lifeline({"NOTIFY_SOCKET": "@nowhere-at-all"}).ready()


def test_sense_says_that_it_is_ready_and_goes_on_saying_that_it_lives(tmp_path: Path, heard: socket.socket) -> None:
    (tmp_path / "station.toml").write_text(
        '[station]\n[broker]\nport = 1\n[[hub]]\nname = "loft"\nbus = "simulated"\n[[probe]]\nhub = "loft"\nname = "a"\n'
    )
    environment = os.environ | {"NOTIFY_SOCKET": str(heard.getsockname()), "WATCHDOG_USEC": "200000"}
    environment.pop("WATCHDOG_PID", None)
    command = [sys.executable, "-m", "sensord", "--config", str(tmp_path), "sense"]
    sense = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    try:
        assert [heard.recv(99) for _ in range(3)] == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1"]
    finally:
        sense.terminate()
        assert sense.wait(20) == 0
