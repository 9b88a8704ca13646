"""The keeper's phone: a web server on loopback that takes what apprise pushes, and shows it."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any

MOST_BYTES = 100_000


class Phone:
    """Takes messages until closed.

    Args:
        ring: told title and text of each message, from the server's thread.
    """

    def __init__(self, ring: Callable[[str, str], None]) -> None:
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(ring))
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.1,), name="phone", daemon=True)

    @property
    def url(self) -> str:
        """The address as apprise wants it."""
        return f"json://127.0.0.1:{self._server.server_address[1]}/push"

    def __enter__(self) -> Phone:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def _handler(ring: Callable[[str, str], None]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(int(self.headers.get("Content-Length") or 0), MOST_BYTES)
            try:
                message = json.loads(self.rfile.read(length))
                ring(str(message.get("title", "")), str(message.get("message", "")))
            except (ValueError, AttributeError):
                self.send_response(400)
            else:
                self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - as http.server names it
            """Nothing: the ring is the log."""

    return Handler
