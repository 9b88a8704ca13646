"""The wall over the real line, all as by default: hub, broker and recorder die one after the other, and the wall says which."""

from __future__ import annotations

import contextlib
import json
import re
import signal
import subprocess
import time

import pytest
from browser import serving
from paho.mqtt.client import CallbackAPIVersion, Client
from playwright.sync_api import Error
from waiting import wait_until

from dashboard.app import create_app
from dashboard.data import Data
from sensord.clock import SystemClock, iso, to_ms
from sensord.config import load_config
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.settings import BrokerSettings
from sensord.supervisor import nestclimate_command
from sensord.wiring import Room

pytestmark = [pytest.mark.chromium, pytest.mark.mosquitto, pytest.mark.slow]

WITHIN_S = 30
"""A dead line must be seen within that."""
KEEPALIVE_S = BrokerSettings().keepalive_s


@pytest.fixture
def room(tmp_path, mosquitto):
    """One nest, recorded over a real broker."""
    text = f'[station]\nname = "Ant room"\n[broker]\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    (tmp_path / "station.toml").write_text(text)
    room = Room(load_config(tmp_path), SystemClock())
    room.registry.put_nests(
        [Nest(name, NestKind.TUBE, "room", "A", "Lasius niger", reservoir_ml=8) for name in ("A-1", "A-2")]
    )
    return room


@contextlib.contextmanager
def running(room, command):
    """A process of the station, killed at the end."""
    process = subprocess.Popen(nestclimate_command(str(room.config.folder), command), stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@contextlib.contextmanager
def hub_online(port):
    """A hub that says it is up, with the last will that it is down."""
    since = to_ms(SystemClock().now())
    status = {"since": iso(since), "boot": "b", "version": "0.1", "outbox": {"rows": 0, "oldest": None}}
    hub = Client(CallbackAPIVersion.VERSION2, "hub-a", clean_session=True)
    hub.will_set("nestclimate/1/hub-a/status", json.dumps({"state": "down", **status}), qos=1, retain=True)
    hub.connect("127.0.0.1", port, keepalive=KEEPALIVE_S)
    hub.loop_start()
    hub.publish("nestclimate/1/hub-a/status", json.dumps({"state": "up", **status}), qos=1, retain=True)
    try:
        yield hub
    finally:
        hub.loop_stop()


def says(page, pattern, within_s=WITHIN_S):
    """Wait until the notice over the wall reads so."""

    def read():
        try:
            return re.search(pattern, page.inner_text("#line") or "-")
        except Error:  # the page is just being loaded anew
            return None

    begun = time.monotonic()
    wait_until(read, within_s=within_s, what=f"the wall says {pattern}")
    print(f"{time.monotonic() - begun:.0f} s until the wall said: {pattern}")


def fresh(room) -> None:
    """One nest of that hub has just been read, another of no hub as well."""
    now_ms = to_ms(room.clock.now())
    places = (("hub-a/p1", "A-1"), ("other/p1", "A-2"))
    room.registry.put_placements([Placement(probe, nest, "room", Place.WET_END, 0) for probe, nest in places])
    room.store.write([Reading(probe, now_ms, 24.0, 70.0) for probe, _ in places])


def greyed(page) -> list[str]:
    """Nests that are drawn as not to be trusted, all or one by one."""
    return page.evaluate("[...document.querySelectorAll('.old .card, .card.cut')].map((card) => card.dataset.nest)")


def test_hub_broker_and_recorder_are_missed_within_half_a_minute(browser, room, mosquitto) -> None:
    """The hub stops without a good-bye on an open line, then the broker freezes and thaws, dies and comes back, then the recorder dies."""
    fresh(room)
    app = create_app(Data(room), room.clock)
    with running(room, "record") as recorder, running(room, "watch"), serving(app) as address:
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.goto(address)
        with hub_online(mosquitto.port) as hub:
            wait_until(lambda: "hub-a" in str(Data(room).snapshot().hubs), within_s=40, what="the hub is heard of")
            says(page, "^(?!.*hub-a)")
            hub.loop_stop()  # its power is cut: nothing more comes, and nothing is closed
            says(page, "Hub hub-a is down since")
        assert ["A-1"] == greyed(page)  # its nests only; the other's reading is as good as before

        mosquitto.freeze()
        says(page, "The recorder is not connected to the broker")
        assert ["A-1", "A-2"] == greyed(page)
        mosquitto.thaw()
        says(page, "^(?!.*not connected)")

        mosquitto.kill()
        says(page, "The recorder is not connected to the broker")
        mosquitto.start()
        says(page, "^(?!.*not connected)")

        recorder.send_signal(signal.SIGKILL)
        recorder.wait()
        says(page, r"Nothing is being recorded since \d\d:\d\d")
        assert ["A-1", "A-2"] == greyed(page)
        box = page.locator("#line").bounding_box()
        assert box["width"] == page.viewport_size["width"]
        page.close()


def test_a_recorder_without_its_broker_says_so_on_the_wall_and_in_health(room, mosquitto) -> None:
    """What the recorder itself writes, read through the store by the pages: no browser needed."""
    client = create_app(Data(room), room.clock).test_client()

    def recorder():
        return client.get("/healthz").get_json()["processes"]["record"]

    with running(room, "record"):
        wait_until(lambda: recorder()["ok"], within_s=40, what="the recorder is connected")
        assert "not connected" not in client.get("/").text
        mosquitto.kill()
        wait_until(lambda: recorder()["note"], within_s=WITHIN_S, what="the recorder complains")
        assert not recorder()["ok"]
        assert 503 == client.get("/healthz").status_code
        wait_until(
            lambda: "The recorder is not connected to the broker" in client.get("/").text,
            within_s=10,
            what="the wall says so",
        )
