"""Publishes so many packs of one reading of hub ``flood``, as a foreign sensor would: ``python flood.py PORT COUNT``."""

from __future__ import annotations

import sys
import threading

from sensord.link.base import Subscriber
from sensord.link.mqtt import MqttLink
from sensord.link.senml import encode
from sensord.model import Reading
from sensord.settings import BrokerSettings

BASE_MS = 1_780_000_000_000


def main(port: str, count: str) -> None:
    """Publish them all, in order, and leave when the broker has taken the last."""
    up = threading.Event()
    link = MqttLink(BrokerSettings(port=int(port)), "flood", Subscriber(on_up=lambda _kept: up.set()))
    link.start()
    if not up.wait(20):
        raise SystemExit("the broker did not let us in")
    for number in range(int(count)):
        pack = encode([Reading("flood/a", BASE_MS + number * 1000, 20.0, 50.0)])
        if not link.publish("nestclimate/1/flood/readings", pack):
            raise SystemExit(f"pack {number} was not taken")
    link.close(30)


if __name__ == "__main__":
    main(*sys.argv[1:])
