"""The heartbeat: asked while the watch lives, silent when it does not, its address never logged."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from endpoints import closed_port

from sensord.alarms.heartbeat import Heartbeat
from sensord.clock import ManualClock
from sensord.errors import PushError

CANARY = "canarytoken0123456789"


def test_it_asks_the_address_only_while_the_watch_lives(clock: ManualClock) -> None:
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_args: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        address = f"http://127.0.0.1:{server.server_address[1]}/{CANARY}"
        assert Heartbeat(address, 60, clock, lambda: True).beat()
        assert not Heartbeat(address, 60, clock, lambda: False).beat()
        server.shutdown()
        thread.join()
    assert asked == [f"/{CANARY}"]


def test_one_that_nobody_takes_is_logged_without_its_address(clock: ManualClock, caplog) -> None:
    assert not Heartbeat(f"http://127.0.0.1:{closed_port()}/{CANARY}", 60, clock, lambda: True).beat()
    assert "heartbeat: not taken" in caplog.text
    assert CANARY not in caplog.text


def test_another_kind_of_address_is_refused_without_showing_it(clock: ManualClock) -> None:
    with pytest.raises(PushError, match="must begin with http") as caught:
        Heartbeat(f"file:///{CANARY}", 60, clock, lambda: True)
    assert CANARY not in str(caught.value)
