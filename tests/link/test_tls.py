"""TLS to a real Mosquitto: with its own authority all goes through; whoever shows another certificate is not spoken to."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from brokers import Mosquitto
from waiting import wait_until

from sensord.clock import SystemClock, to_ms
from sensord.commands import check
from sensord.config import load_config
from sensord.errors import LinkError
from sensord.link.base import Message, Subscriber
from sensord.link.mqtt import MqttLink
from sensord.supervisor import nestclimate_command
from sensord.wiring import Room

pytestmark = [
    pytest.mark.mosquitto,
    # paho leaves the socket of a failed handshake to the garbage collector, which closes it
    pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning"),
]

LARGER_THAN_A_RECORD = 50_000
"""Bytes; a TLS record carries at most 16,384 (RFC 8446, 5.1), so that what is read at once ends within a message."""


def openssl(folder: Path, *given: str) -> None:
    """Run it; skips where there is none, fails under CI."""
    if not shutil.which("openssl"):
        (pytest.fail if os.environ.get("CI") else pytest.skip)("openssl is not installed")
    subprocess.run(["openssl", *given], cwd=folder, check=True, capture_output=True)


def authority(folder: Path) -> Path:
    """A certificate authority of one's own, valid for a day."""
    folder.mkdir(parents=True)
    openssl(folder, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "1",
            "-keyout", "ca.key", "-out", "ca.crt", "-subj", "/CN=Ant room authority",
            "-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign")  # fmt: skip
    return folder / "ca.crt"


def tls_broker(folder: Path, ca_file: Path, host: str = "IP:127.0.0.1") -> Mosquitto:
    """A Mosquitto whose certificate that authority signed for a host."""
    folder.mkdir()
    openssl(folder, "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=broker")  # fmt: skip
    (folder / "san").write_text(f"subjectAltName={host}\n")
    openssl(folder, "x509", "-req", "-in", "server.csr", "-CA", str(ca_file), "-CAkey", str(ca_file.with_name("ca.key")),
            "-CAcreateserial", "-days", "1", "-extfile", "san", "-out", "server.crt")  # fmt: skip
    return Mosquitto(
        folder, f"certfile {folder}/server.crt", f"keyfile {folder}/server.key", f"cafile {ca_file}"
    ).start()


@pytest.fixture
def ca_file(tmp_path):
    return authority(tmp_path / "authority")


@pytest.fixture
def broker(tmp_path, ca_file):
    running = tls_broker(tmp_path / "broker", ca_file)
    yield running
    running.kill()


def refused(settings, ca_file) -> str:
    """What a link says that is not let in."""
    link = MqttLink(settings, "asks", tls_ca_file=ca_file)
    link.start()
    try:
        return wait_until(lambda: link.problem, what="the link says why")
    finally:
        assert not link.connected
        link.close(1)


def test_messages_larger_than_a_record_come_through_whole_and_in_order(broker, ca_file) -> None:
    found: list[Message] = []
    reader = MqttLink(broker.settings, "reads", Subscriber(("t/#",), found.append), tls_ca_file=ca_file)
    writer = MqttLink(broker.settings, "writes", tls_ca_file=ca_file)
    sent = [bytes([number]) * LARGER_THAN_A_RECORD for number in range(40)]
    for link in (reader, writer):
        link.start()
        wait_until(lambda link=link: link.connected, what="let in over TLS")
    for payload in sent:
        assert writer.publish("t/large", payload)
    wait_until(lambda: len(found) >= len(sent), what="all messages")
    assert sent == [message.payload for message in found]
    for link in (reader, writer):
        link.close(1)


def test_a_link_comes_back_over_tls_after_the_broker_was_killed(broker, ca_file) -> None:
    link = MqttLink(broker.settings, "stays", tls_ca_file=ca_file)
    link.start()
    wait_until(lambda: link.connected, what="let in")
    broker.kill()
    wait_until(lambda: not link.connected, what="the loss noticed")
    broker.start()
    wait_until(lambda: link.connected, what="let in again")
    link.close(1)


def test_a_broker_of_another_authority_is_not_spoken_to(broker, tmp_path) -> None:
    said = refused(broker.settings, authority(tmp_path / "other"))
    assert "its certificate is not accepted" in said
    assert "signed by [broker] tls_ca_file" in said


def test_a_certificate_for_another_host_is_not_accepted(tmp_path, ca_file) -> None:
    """As for a broker that moved, or one in the middle."""
    elsewhere = tls_broker(tmp_path / "elsewhere", ca_file, "DNS:broker.example")
    try:
        said = refused(elsewhere.settings, ca_file)
    finally:
        elsewhere.kill()
    assert "its certificate is not accepted" in said
    assert "127.0.0.1" in said


def test_a_port_without_tls_and_a_link_without_it_say_so(broker, mosquitto, ca_file) -> None:
    assert "tls_ca_file" in refused(mosquitto.settings, ca_file)
    assert "does it want TLS" in refused(broker.settings, None)


def test_a_file_that_is_no_certificate_is_named(broker, tmp_path) -> None:
    bad = tmp_path / "ca.crt"
    bad.write_text("no certificate")
    with pytest.raises(LinkError, match="cannot be used"):
        MqttLink(broker.settings, "asks", tls_ca_file=bad)


def configured(folder, broker, ca_file) -> Room:
    """A room whose broker is that one."""
    folder.mkdir()
    shutil.copy(ca_file, folder / "ca.crt")
    (folder / "station.toml").write_text(
        f'[station]\nname = "Ant room"\n[broker]\nport = {broker.port}\nkeepalive_s = 5\ntls_ca_file = "ca.crt"\n'
    )
    return Room(load_config(folder), SystemClock())


def test_check_tells_whether_the_authority_is_the_broker_s(broker, ca_file, tmp_path, capsys) -> None:
    for number, (file, right) in enumerate(((ca_file, True), (authority(tmp_path / "other"), False))):
        room = configured(tmp_path / f"config-{number}", broker, file)
        check.run(argparse.Namespace(json=True), room)
        found = {one["what"]: one for one in json.loads(capsys.readouterr().out)["checks"]}
        assert right == found["broker"]["ok"]
        assert right != ("is tls_ca_file its authority?" in found["broker"]["detail"])


@pytest.mark.slow
def test_the_recorder_stores_what_comes_over_tls_as_configured(broker, ca_file, tmp_path) -> None:
    """From ``[broker] tls_ca_file``: the recorder's process stores any sensor's pack."""
    room = configured(tmp_path / "config", broker, ca_file)
    at_s = to_ms(SystemClock().now()) // 1_000
    pack = f'[{{"bn":"balcony/","bt":{at_s}}},{{"n":"a1/temperature","u":"Cel","v":24.1}}]'.encode()
    recorder = subprocess.Popen(nestclimate_command(str(room.config.folder), "record"), stderr=subprocess.DEVNULL)
    sensor = room.link("sensor")
    sensor.start()
    try:
        wait_until(lambda: sensor.connected, what="the sensor is let in")

        def stored():
            sensor.publish("nestclimate/1/balcony/readings", pack)
            return room.store.latest().get("balcony/a1")

        assert 24.1 == wait_until(stored, within_s=40, what="the reading is stored").temp_c
    finally:
        sensor.close(1)
        recorder.kill()
        recorder.wait()
