"""``nestclimate record`` as a process of its own, with a real Mosquitto: killed, flooded with nonsense, out of disk."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from brokers import Mosquitto
from test_recorder import bad_payloads
from waiting import wait_until

from sensord.clock import DAY_MS, SystemClock, to_ms
from sensord.db import open_db
from sensord.link import topics
from sensord.link.base import Message, Subscriber
from sensord.link.mqtt import MqttLink
from sensord.link.receipts import decode_receipt
from sensord.link.senml import encode
from sensord.model import Reading
from sensord.store.aside import Aside
from sensord.store.sqlite import SqliteStore

pytestmark = pytest.mark.mosquitto
BASE_MS = to_ms(SystemClock().now()) // 1000 * 1000 - DAY_MS


def pack(number: int, probes: int = 1) -> bytes:
    """The pack of one scan."""
    at_ms = BASE_MS + number * 1000
    return encode([Reading(f"hub-a/p{p}", at_ms, 20.0, 50.0) for p in range(probes)], after=number - 1)


class Line:
    """A broker, a hub's link to it, and the recorder as a process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.broker = Mosquitto(folder / "mosquitto", "max_queued_messages 100000").start()
        text = f'[station]\n[broker]\nhost = "127.0.0.1"\nport = {self.broker.port}\n'
        (folder / "station.toml").write_text(text)
        self.upto = 0
        self.hub = MqttLink(
            self.broker.settings,
            "hub-a",
            Subscriber(filters=(topics.receipts("hub-a"),), on_message=self._on_receipt),
        )
        self.hub.start()
        wait_until(lambda: self.hub.connected, what="the hub is connected")
        self.process: subprocess.Popen[str] | None = None

    def _on_receipt(self, message: Message) -> None:
        self.upto = max(self.upto, decode_receipt(message.payload).upto)

    def command(self) -> list[str]:
        return [sys.executable, "-m", "sensord", "--config", str(self.folder), "record"]

    def record(self, *before: str) -> None:
        """Start the recorder; returns when it is listening."""
        log = self.folder / "record.log"
        with log.open("a") as err:
            self.process = subprocess.Popen([*before, *self.command()], stderr=err, text=True)
        wait_until(lambda: "connected" in log.read_text(), what="the recorder is connected")

    def publish(self, topic: str, payload: bytes) -> None:
        wait_until(lambda: self.hub.publish(topic, payload), what="the hub may publish")

    def send(self, number: int, payload: bytes | None = None) -> None:
        self.publish(topics.readings("hub-a", "s1", number), pack(number) if payload is None else payload)

    def aside(self) -> dict[str, int]:
        connection = open_db(self.folder / "data" / "station.db")
        try:
            return Aside(connection).counts()
        finally:
            connection.close()

    def stored(self) -> int:
        store = SqliteStore(self.folder / "data" / "station.db")
        try:
            return store.count()
        finally:
            store.close()

    def close(self) -> None:
        self.hub.close()
        if self.process and self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.broker.kill()


@pytest.fixture
def line(tmp_path: Path):
    line = Line(tmp_path)
    yield line
    line.close()


@pytest.mark.slow
def test_bad_payloads_through_a_real_broker(line: Line):
    """2,100 bad ones, 105 good ones between them: counted exactly, stored, receipted; the process lives and ends well."""
    line.record()
    good = 0
    for number, payload in enumerate(bad_payloads(2_100, pack(1)), 1):
        line.send(number, payload)
        if number % 20 == 0:
            good += 1
            line.send(good)
    wait_until(lambda: line.upto == good, within_s=60, what="the receipt for all good ones")
    wait_until(lambda: line.aside().get("pack") == 2_100, what="every bad one set aside")
    assert (line.stored(), good) == (105, 105)
    line.process.send_signal(signal.SIGTERM)
    assert line.process.wait(20) == 0


@pytest.mark.slow
def test_killed_while_it_records(line: Line):
    """SIGKILL eight times in a stream: no receipt runs ahead of the store; in the end all is there once."""
    chance, number = random.Random(5), 0
    for _ in range(8):
        line.record()
        for _ in range(chance.randint(30, 120)):
            number += 1
            line.send(number)
        threading.Event().wait(chance.uniform(0, 0.15))
        line.process.kill()
        line.process.wait()
        (line.folder / "record.log").write_text("")
        assert line.upto <= line.stored()
    line.record()
    wait_until(lambda: line.upto == number, within_s=30, what="the receipt for all")
    assert line.stored() == number


def test_a_second_recorder_refuses(line: Line):
    """Two on one station: the second says so and ends with 1, the first goes on."""
    line.record()
    second = subprocess.run(line.command(), capture_output=True, text=True, check=False, timeout=60)
    assert second.returncode == 1
    assert "another recorder" in second.stderr
    assert len(second.stderr.splitlines()) == 1
    line.send(1)
    wait_until(lambda: line.upto == 1, what="the first one's receipt")


@pytest.mark.slow
def test_a_full_disk_ends_it_without_a_false_receipt(line: Line):
    """No room: one clear line, exit 1; with room again the broker's backlog is recorded and receipted."""
    line.record("sh", "-c", 'ulimit -f 1000; trap "" XFSZ; exec "$@"', "sh")
    sent = 0
    while line.process.poll() is None and sent < 400:
        sent += 1
        line.send(sent, pack(sent, probes=64))
    assert line.process.wait(30) == 1
    log = (line.folder / "record.log").read_text()
    assert "write refused, nothing was changed" in log
    assert "Traceback" not in log
    assert line.upto * 64 <= line.stored()
    (line.folder / "record.log").write_text("")
    line.record()
    wait_until(lambda: line.upto == sent, within_s=30, what="the receipt for all")
    assert line.stored() == sent * 64
