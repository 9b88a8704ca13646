"""Real brokers for tests, each on a free port of loopback with its files in a folder of the test.

Mosquitto can be killed and started again on the same port and files. Where it is not installed its tests are skipped
with the reason; under CI (environment CI=true) that is a failure.
"""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from waiting import wait_until

from sensord.settings import BrokerSettings

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    """A TCP port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    """Whether somebody listens on that port."""
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


def require_mosquitto() -> str:
    """The path of Mosquitto; skips the test where there is none, fails it under CI."""
    if MOSQUITTO is None:
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail("Mosquitto is not installed, and under CI it must be")
        pytest.skip("Mosquitto is not installed (apt-get install mosquitto)")
    return MOSQUITTO


class Mosquitto:
    """One Mosquitto with its default limits (1,000 queued messages a client) and persistence as Debian sets it."""

    def __init__(self, folder: Path, *extra: str) -> None:
        self._program = require_mosquitto()
        self.port = free_port()
        folder.mkdir(parents=True, exist_ok=True)
        self._file, self.log = folder / "mosquitto.conf", folder / "mosquitto.log"
        lines = [f"listener {self.port} 127.0.0.1", "persistence true", f"persistence_location {folder}/"]
        lines += [f"user {getpass.getuser()}", f"log_dest file {self.log}", *extra]
        if not any(line.startswith("allow_anonymous") for line in extra):
            lines.append("allow_anonymous true")
        self._file.write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def settings(self) -> BrokerSettings:
        """[broker] for it."""
        return BrokerSettings(port=self.port, keepalive_s=5)

    def start(self) -> Mosquitto:
        """Start, or start again on the same port and files; returns when it listens."""
        self._process = subprocess.Popen([self._program, "-c", str(self._file)], stderr=subprocess.DEVNULL)
        wait_until(lambda: answers(self.port), within_s=10, what="Mosquitto listens")
        return self

    def freeze(self) -> None:
        """SIGSTOP: its connections stay open, and nobody answers."""
        assert self._process
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """SIGCONT."""
        assert self._process
        self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        """SIGKILL: what it had not saved is gone."""
        if self._process:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        """SIGTERM: it saves first."""
        if self._process:
            self._process.terminate()
            self._process.wait(10)
            self._process = None


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running Mosquitto."""
    broker = Mosquitto(tmp_path / "mosquitto").start()
    yield broker
    broker.kill()
