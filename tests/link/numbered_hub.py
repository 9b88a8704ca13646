"""A hub for tests, as a process of its own: fills a real outbox with numbered readings, fast, and publishes them.

``python numbered_hub.py OUTBOX PORT ENOUGH [PASSWORD]``: reading number N is the one of sequence number N, so that a hub that was
killed goes on where its outbox stands. It stops filling when the file ENOUGH exists, and goes on publishing until killed.
"""

from __future__ import annotations

import sys
import threading
from pathlib import Path

from sensord.link.login import USERNAME
from sensord.link.mqtt import MqttLink
from sensord.link.outbox import Outbox, Taken
from sensord.link.publisher import Pace, Publisher
from sensord.model import Reading
from sensord.settings import BrokerSettings

HUB = "shelf"
PROBES = 8
BASE_MS = 1_790_000_000_000
PACE = Pace(pack_rows=40, window_packs=20, first_wait_s=0.5, longest_wait_s=2.0)


def numbered(number: int) -> Reading:
    """What reading number N must be, from its number alone."""
    return Reading(f"{HUB}/p{number % PROBES}", BASE_MS + number * 250, number % 180 / 2, number % 100 + 0.25)


def main(outbox_file: str, port: str, enough: str, password: str = "") -> None:
    """Fill and publish until killed."""
    outbox = Outbox(Path(outbox_file), boot="one")
    settings = BrokerSettings(port=int(port), keepalive_s=5, username=USERNAME if password else "")
    publisher = Publisher(
        HUB,
        outbox,
        lambda subscriber, will: MqttLink(settings, f"hub-{HUB}", subscriber, will, password=password),
        boot="one",
        pace=PACE,
    )
    stop = threading.Event()
    threading.Thread(target=publisher.run, args=(stop,), daemon=True).start()
    while not stop.wait(0.02):
        if Path(enough).exists():
            continue
        first = outbox.last_seq + 1
        readings = [numbered(number) for number in range(first, first + PROBES)]
        outbox.append([Taken(each.probe, 0, each.at_ms, each.temp_c, each.rh_pct) for each in readings])
        publisher.nudge()


if __name__ == "__main__":
    main(*sys.argv[1:])
