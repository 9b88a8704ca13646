"""Real servers on loopback that receive pushes, and can fail in the ways that servers do."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Webhook:
    """An HTTP server. ``mood``: accept, refuse (500), or hang until it is closed."""

    def __init__(self) -> None:
        self.mood = "accept"
        self.received: list[dict[str, str]] = []
        self.asked = 0
        self.closing = threading.Event()
        webhook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                webhook.asked += 1
                if webhook.mood == "hang":
                    webhook.closing.wait(30)
                if webhook.mood == "accept":
                    webhook.received.append(json.loads(body))
                self.send_response(200 if webhook.mood == "accept" else 500)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.server.block_on_close = False
        self.port = self.server.server_address[1]

    def address(self, path: str = "hook") -> str:
        return f"json://127.0.0.1:{self.port}/{path}"

    def titles(self) -> list[str]:
        return [message["title"] for message in self.received]


@contextmanager
def webhook() -> Iterator[Webhook]:
    """A webhook that runs while the block does."""
    found = Webhook()
    thread = threading.Thread(target=found.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield found
    finally:
        found.closing.set()
        found.server.shutdown()
        found.server.server_close()
        thread.join(5)


def closed_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
