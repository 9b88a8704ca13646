"""The demo over a broker that runs already."""

from __future__ import annotations

import json

import pytest
from test_demo_line import children_of, demo
from waiting import wait_until

from demo.setting import free_port
from sensord.link.base import Message, Subscriber
from sensord.link.mqtt import MqttLink
from sensord.store.sqlite import SqliteStore

pytestmark = [pytest.mark.slow, pytest.mark.mosquitto]


def test_both_hubs_go_through_the_broker_that_is_named(mosquitto, tmp_path) -> None:
    """Their packs pass it, the recorder gives receipts over it, the readings are stored; then all of it ends."""
    folder, found = tmp_path / "demo", list[Message]()
    listener = MqttLink(mosquitto.settings, "listens", Subscriber(("nestclimate/1/#",), found.append))
    listener.start()

    def passed(kind: str) -> set[str]:
        return {topic.split("/")[2] for topic in (one.topic for one in found) if f"/{kind}" in topic}

    with demo(folder, "--port", str(free_port()), "--broker", f"127.0.0.1:{mosquitto.port}") as process:
        hubs = wait_until(lambda: len(passed("receipts")) == 2 and passed("readings"), within_s=150, what="receipts")
        process.terminate()
        output, _ = process.communicate(timeout=40)
    assert (0, False) == (process.returncode, "Traceback" in output), output
    assert hubs == passed("receipts") == passed("status")
    pack = next(json.loads(one.payload) for one in found if "/readings/" in one.topic)
    store = SqliteStore(folder / "config" / "data" / "station.db")
    assert {hub + "/" for hub in hubs} <= {probe[: probe.index("/") + 1] for probe in store.latest()}
    assert pack[0]["bn"].strip("/") in hubs
    assert [] == children_of(folder)
    store.close()
    listener.close(1)
