"""Real servers on loopback that receive pushes, and can fail in the ways that servers do."""

from __future__ import annotations

import json
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Webhook:
    """An HTTP server, over TLS where ``context`` is given.

    ``mood``: accept; refuse (500); limit (429 with Retry-After); hang until it is closed; drip: accept, but answer a byte
    every ``drip_s`` seconds.
    """

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.drip_s = 0.2
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
                if webhook.mood in ("accept", "drip"):
                    webhook.received.append(json.loads(body))
                if webhook.mood == "drip":
                    self.drip(b"HTTP/1.0 200 OK\r\nContent-Length: 0\r\n\r\n")
                    return
                self.send_response({"accept": 200, "limit": 429}.get(webhook.mood, 500))
                self.send_header("Content-Length", "0")
                self.send_header("Retry-After", "120")
                self.end_headers()

            def drip(self, answer: bytes) -> None:
                for byte in answer:
                    if webhook.closing.wait(webhook.drip_s):
                        return
                    self.wfile.write(bytes([byte]))
                    self.wfile.flush()

            def log_message(self, *_args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.server.block_on_close = False
        if context is not None:
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        self.port = self.server.server_address[1]

    def address(self, path: str = "hook") -> str:
        return f"json://127.0.0.1:{self.port}/{path}"

    def titles(self) -> list[str]:
        return [message["title"] for message in self.received]


@contextmanager
def webhook(context: ssl.SSLContext | None = None) -> Iterator[Webhook]:
    """A webhook that runs while the block does."""
    found = Webhook(context)
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
