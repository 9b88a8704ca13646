"""The promise of the line: whatever is killed at whatever moment, every reading that entered the outbox is stored once.

Hub, Mosquitto and recorder are real processes and die by SIGKILL; nothing of them is replaced.
"""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from brokers import Mosquitto, answers, free_port
from numbered_hub import BASE_MS, HUB, PROBES, numbered
from waiting import wait_until

from sensord.link.login import shared_password
from sensord.store.sqlite import SqliteStore

RECORD = [sys.executable, "-m", "sensord", "--config"]


class Embedded:
    """The embedded broker in a process, handled as Mosquitto is. It keeps nothing over a restart."""

    def __init__(self, folder: Path) -> None:
        self.port, self.password = free_port(), shared_password(folder / "data" / "broker-password")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Embedded:
        script = Path(__file__).with_name("embedded_broker.py")
        self._process = subprocess.Popen([sys.executable, str(script), str(self.port), self.password])
        wait_until(lambda: answers(self.port), what="the embedded broker listens")
        return self

    def kill(self) -> None:
        die(self._process)


class Line:
    """Hub, broker and recorder as processes, each of which can be killed and started again."""

    def __init__(self, folder: Path, *, embedded: bool = False) -> None:
        self.folder, self.outbox = folder, folder / "outbox-shelf.db"
        self.enough = folder / "enough"
        self.broker = (Embedded(folder) if embedded else Mosquitto(folder / "mosquitto")).start()
        self.password = self.broker.password if isinstance(self.broker, Embedded) else ""
        (folder / "station.toml").write_text(
            f"[station]\n[broker]\nport = {self.broker.port}\nkeepalive_s = 5\nembedded = {str(embedded).lower()}\n"
        )
        self.log = (folder / "line.log").open("ab")
        self.hub: subprocess.Popen[bytes] | None = None
        self.recorder: subprocess.Popen[bytes] | None = None
        self.start_hub()
        self.start_recorder()

    def start_hub(self) -> None:
        script = Path(__file__).with_name("numbered_hub.py")
        command = [
            sys.executable,
            str(script),
            str(self.outbox),
            str(self.broker.port),
            str(self.enough),
            self.password,
        ]
        self.hub = subprocess.Popen(command, stderr=self.log)

    def start_recorder(self) -> None:
        self.recorder = subprocess.Popen([*RECORD, str(self.folder), "record"], stderr=self.log)

    def kill_hub(self) -> None:
        die(self.hub)

    def kill_recorder(self) -> None:
        die(self.recorder)

    def waiting(self) -> int:
        """Rows in the outbox, seen from outside."""
        return self._ask("SELECT count(*) FROM waiting")

    def entered(self) -> int:
        """The last sequence number ever given out."""
        return self._ask("SELECT seq FROM sqlite_sequence WHERE name = 'waiting'")

    def _ask(self, question: str) -> int:
        """0 while there is no outbox yet."""
        try:
            with closing(sqlite3.connect(f"file:{self.outbox}?mode=ro", uri=True, timeout=30)) as connection:
                row = connection.execute(question).fetchone()
        except sqlite3.OperationalError:
            return 0
        return int(row[0]) if row else 0

    def close(self) -> None:
        self.kill_hub()
        self.kill_recorder()
        self.broker.kill()
        self.log.close()


def die(process: subprocess.Popen[bytes] | None) -> None:
    if process:
        process.send_signal(signal.SIGKILL)
        process.wait()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("embedded", "kills"),
    [pytest.param(False, 54, marks=pytest.mark.mosquitto, id="mosquitto"), pytest.param(True, 18, id="embedded")],
)
def test_kills_at_random_moments_lose_double_and_misdate_nothing(tmp_path: Path, kills: int, *, embedded: bool) -> None:
    """Every reading that entered the outbox is in the store exactly once, with its own time and values."""
    line = Line(tmp_path, embedded=embedded)
    try:
        wait_until(lambda: line.entered() > 200, what="the hub fills its outbox")
        kill_at_random(line, kills)
        line.enough.touch()
        wait_until(lambda: line.waiting() == 0, within_s=60, what="the outbox drains")
        line.kill_recorder()
        line.kill_hub()
        check_stored(line)
    finally:
        line.close()


def kill_at_random(line: Line, kills: int) -> None:
    """Each of the three a third of the kills, in random order, at random moments, down for a random while."""
    chance, pause = random.Random(), threading.Event()
    victims: dict[str, tuple[Callable[[], None], Callable[[], object]]] = {
        "hub": (line.kill_hub, line.start_hub),
        "broker": (line.broker.kill, line.broker.start),
        "recorder": (line.kill_recorder, line.start_recorder),
    }
    order = list(victims) * (kills // len(victims))
    chance.shuffle(order)
    for name in order:
        kill, start = victims[name]
        pause.wait(chance.uniform(0.05, 0.9))
        kill()
        pause.wait(chance.uniform(0.0, 0.3))
        start()


@pytest.mark.slow
@pytest.mark.mosquitto
def test_a_broker_queue_that_overflows_loses_nothing(tmp_path: Path) -> None:
    """The recorder is away while far more packs than Mosquitto's default queue of 1,000 messages are published."""
    line = Line(tmp_path)
    try:
        wait_until(lambda: line.entered() - line.waiting() > 100, what="receipts come")
        line.kill_recorder()
        flood_id = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("flood.py")), str(line.broker.port), "3000"], stderr=line.log
        )
        assert flood_id.wait(60) == 0
        before = line.entered()
        wait_until(lambda: line.entered() > before + 2_000, within_s=60, what="the hub goes on while nobody records")
        assert isinstance(line.broker, Mosquitto)
        assert "dropped" in line.broker.log.read_text()
        line.start_recorder()
        line.enough.touch()
        wait_until(lambda: line.waiting() == 0, within_s=60, what="the outbox drains")
        line.kill_recorder()
        check_stored(line, also_flooded=True)
    finally:
        line.close()


def check_stored(line: Line, *, also_flooded: bool = False) -> None:
    entered = line.entered()
    assert entered > 1_000
    store = SqliteStore(line.folder / "data" / "station.db")
    try:
        names = [f"{HUB}/p{number}" for number in range(PROBES)]
        found = {name: store.raw(name, 0, 2**53) for name in names}
        others = set(store.probes()) - set(names)
    finally:
        store.close()
    assert others == ({"flood/a"} if also_flooded else set())
    assert sum(len(columns) for columns in found.values()) == entered
    for number in range(1, entered + 1):
        expected = numbered(number)
        columns, position = found[expected.probe], (number - 1) // PROBES
        stored = (columns.at_ms[position], columns.temp_c[position], columns.rh_pct[position])
        assert stored == (BASE_MS + number * 250, expected.temp_c, expected.rh_pct)
