"""The heartbeat: asked while the watch lives, silent when it does not, its address never logged."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from endpoints import closed_port
from waiting import wait_until

from sensord.alarms.heartbeat import Heartbeat
from sensord.clock import ManualClock
from sensord.config import load_config
from sensord.errors import PushError, StoreError
from sensord.model import Reading
from sensord.store.memory import MemoryStore
from sensord.wiring import Room

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


@pytest.mark.parametrize(
    "nonsense", [b"hello\r\n\r\n", b"HTTP/1.1 xyz\r\n\r\n", b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 200 + b"\r\n"]
)
def test_an_answer_that_is_no_http_is_not_taken_and_ends_nothing(clock: ManualClock, caplog, nonsense: bytes) -> None:
    """As from a box in between that wants somebody to sign in."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            caller, _ = server.accept()
            with caller:
                caller.recv(4_096)
                caller.sendall(nonsense)

        thread = threading.Thread(target=answer)
        thread.start()
        address = f"http://127.0.0.1:{server.getsockname()[1]}/{CANARY}"
        assert not Heartbeat(address, 60, clock, lambda: True).beat()
        thread.join()
    assert "heartbeat: not taken" in caplog.text
    assert CANARY not in caplog.text


def test_another_kind_of_address_is_refused_without_showing_it(clock: ManualClock) -> None:
    with pytest.raises(PushError, match="must begin with http") as caught:
        Heartbeat(f"file:///{CANARY}", 60, clock, lambda: True)
    assert CANARY not in str(caught.value)


class Stuck(MemoryStore):
    """A store that answers as told: at once, never, or with an error."""

    def __init__(self) -> None:
        super().__init__()
        self.answer: Callable[[], object] = lambda: None
        self.asked = 0

    def latest(self) -> dict[str, Reading]:
        self.asked += 1
        self.answer()
        return super().latest()


def test_it_stops_when_the_watch_hangs_though_its_process_lives(tmp_path: Path, clock: ManualClock) -> None:
    """The store never answers again: the watch's thread lives and does nothing. A minute later no sign is given any more;
    when the store answers, the signs go on."""
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    room, store, freed, stop = Room(load_config(tmp_path), clock), Stuck(), threading.Event(), threading.Event()
    room.store = store
    watches = []

    def run() -> None:
        watches.append(room.watch())  # its connection belongs to this thread
        watches[0].run(stop)
        room.connection.close()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        wait_until(lambda: store.asked > 2, what="the watch looks at the store")
        assert watches[0].alive()
        store.answer = lambda: freed.wait(30)
        wait_until(lambda: _hangs(store), what="the watch hangs")
        clock.advance(61)
        assert thread.is_alive()
        assert not watches[0].alive()
        assert not Heartbeat("http://127.0.0.1:1/x", 60, clock, watches[0].alive).beat()
        freed.set()
        wait_until(watches[0].alive, what="the watch goes on")
    finally:
        freed.set()
        stop.set()
        thread.join(10)
    assert not thread.is_alive()


def _hangs(store: Stuck) -> bool:
    before = store.asked
    return not threading.Event().wait(0.1) and store.asked == before


def test_it_stops_when_the_watch_only_fails(tmp_path: Path, clock: ManualClock) -> None:
    """A store that answers with errors for more than a minute is no watch either."""
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    room, store, stop = Room(load_config(tmp_path), clock), Stuck(), threading.Event()
    room.store = store
    watch = room.watch()

    def fail() -> None:
        if store.asked > 30:
            stop.set()
        raise StoreError("store: does not answer")

    store.answer = fail
    watch.run(stop)
    assert not watch.alive()
