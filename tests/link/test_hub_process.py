"""``nestclimate sense`` as a process: short of room, killed, renamed; nothing it took is lost or doubled."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest
from brokers import Mosquitto
from waiting import wait_until

from sensord.store.sqlite import SqliteStore
from sensord.supervisor import nestclimate_command

pytestmark = [pytest.mark.slow, pytest.mark.mosquitto]
PROBES = 16
SHORT_OF_ROOM = ["bash", "-c", 'ulimit -f 120; trap "" XFSZ; exec "$@"', "bash"]
"""No file may grow beyond 120 kB, about eight scans in SQLite's log, which by itself goes up to 4 MB."""


def configure(folder: Path, port: int, hub: str) -> None:
    lines = ["[station]", "[broker]", f"port = {port}", "keepalive_s = 5"]
    lines += ["[[hub]]", f'name = "{hub}"', 'bus = "simulated"', "every_s = 1", 'clock = "trusted"']
    for number in range(PROBES):
        lines += ["[[probe]]", f'hub = "{hub}"', f'name = "p{number}"', "mux = 0x70"]
        lines += [f"channel = {number // 2}", f"address = {0x44 + number % 2}"]
    (folder / "station.toml").write_text("\n".join(lines) + "\n")


def ask(outbox: Path, question: str) -> int:
    """0 while there is no outbox."""
    try:
        with closing(sqlite3.connect(f"file:{outbox}?mode=ro", uri=True, timeout=30)) as connection:
            row = connection.execute(question).fetchone()
    except sqlite3.OperationalError:
        return 0
    return int(row[0]) if row else 0


def entered(outbox: Path) -> int:
    return ask(outbox, "SELECT seq FROM sqlite_sequence WHERE name = 'waiting'")


def stored(folder: Path, hub: str) -> int:
    store = SqliteStore(folder / "data" / "station.db")
    try:
        return sum(len(store.raw(name, 0, 2**53)) for name in store.probes() if name.startswith(f"{hub}/"))
    finally:
        store.close()


def test_a_hub_short_of_room_killed_and_renamed_loses_and_doubles_nothing(tmp_path: Path) -> None:
    assert shutil.which("bash"), "bash sets the limit"
    broker = Mosquitto(tmp_path / "mosquitto").start()
    shelf, loft = (tmp_path / "data" / f"outbox-{name}.db" for name in ("shelf", "loft"))
    running: list[subprocess.Popen[bytes]] = []

    def start(command: str, *before: str) -> subprocess.Popen[bytes]:
        with (tmp_path / f"{command}.log").open("ab") as log:
            process = subprocess.Popen([*before, *nestclimate_command(str(tmp_path), command)], stderr=log)
        running.append(process)
        return process

    try:
        configure(tmp_path, broker.port, "shelf")
        hub = start("sense", *SHORT_OF_ROOM)
        wait_until(lambda: entered(shelf) >= 14 * PROBES, within_s=60, what="fourteen scans are in the outbox")
        hub.kill()
        hub.wait()
        taken = entered(shelf)
        configure(tmp_path, broker.port, "loft")
        hub = start("sense")
        recorder = start("record")
        wait_until(lambda: stored(tmp_path, "loft") >= 2 * PROBES, within_s=60, what="the station has the new hub's")
        wait_until(lambda: ask(shelf, "SELECT count(*) FROM waiting") == 0, within_s=90, what="the old name's is sent")
        hub.terminate()
        assert hub.wait(20) == 0
        wait_until(lambda: stored(tmp_path, "loft") >= entered(loft) - PROBES, what="the last scans are stored")
        recorder.terminate()
        assert recorder.wait(20) == 0
    finally:
        for process in running:
            process.kill()
            process.wait()
        broker.kill()
    assert stored(tmp_path, "shelf") == taken == entered(shelf)
    log = (tmp_path / "sense.log").read_text()
    assert f"hub shelf is no longer in station.toml: the {taken} readings that still wait" in log
    assert "Traceback" not in log
    assert "takes nothing" not in log
