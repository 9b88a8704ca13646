"""The embedded broker over amqtt, the only module that imports it: for a one-Pi room and the demo.

It listens on loopback only, lets in one username, runs on a thread of its own and keeps everything in memory: what it
loses with a restart the hubs' outboxes send again.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import threading
from dataclasses import dataclass
from types import TracebackType
from typing import Any

from amqtt.broker import Broker
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

from sensord.errors import LinkError

LOOPBACK = "127.0.0.1"
START_WITHIN_S = 15.0


class OneLogin(BaseAuthPlugin):  # type: ignore[misc]
    """Lets in whoever knows the username and password. Sessions with a name keep their queue; anonymous ones do not."""

    @dataclass
    class Config:
        """What to compare with."""

        username: str = ""
        password: str = ""

    async def authenticate(self, *, session: Session) -> bool:
        """Whether this client may enter."""
        given = f"{session.username or ''}\n{session.password or ''}".encode()
        wanted = f"{self.config.username}\n{self.config.password}".encode()
        return hmac.compare_digest(given, wanted)


class EmbeddedBroker:
    """A broker on loopback, up between ``start`` and ``close`` (or inside ``with``).

    Args:
        port: TCP port. username, password: of everybody who may enter; none may be empty.
    """

    def __init__(self, port: int, *, username: str, password: str, host: str = LOOPBACK) -> None:
        if not username or not password:
            raise LinkError("embedded broker: it needs a username and a password")
        self._bind = f"{LOOPBACK if host == 'localhost' else host}:{port}"
        self._login = {"username": username, "password": password}
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._error: BaseException | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Listen; returns when clients may connect.

        Raises:
            LinkError: the port is taken, or the broker did not come up.
        """
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._thread.start()
        came = self._ready.wait(START_WITHIN_S)
        if self._error or not came:
            raise LinkError(
                f"embedded broker: cannot listen on {self._bind} ({self._error or 'no answer'}): "
                "is another broker running there? Stop it, or give [broker] another port"
            )

    def close(self) -> None:
        """Stop listening and drop every connection. May be called twice."""
        loop, stop, thread = self._loop, self._stop, self._thread
        if loop and stop and not loop.is_closed():
            loop.call_soon_threadsafe(stop.set)
        if thread:
            thread.join(START_WITHIN_S)
        self._loop = self._stop = self._thread = None

    def __enter__(self) -> EmbeddedBroker:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:  # noqa: BLE001 - told to whoever waits in start()
            self._error = error.__cause__ or error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        broker = Broker(self._config())
        await broker.start()
        self._ready.set()
        try:
            await self._stop.wait()
        finally:
            await broker.shutdown()
            await _drop_leftovers()

    def _config(self) -> dict[str, Any]:
        return {
            "listeners": {"default": {"type": "tcp", "bind": self._bind}},
            "plugins": {f"{OneLogin.__module__}.{OneLogin.__name__}": dict(self._login)},
        }


async def _drop_leftovers() -> None:
    """Close what amqtt leaves open at its end: connections of clients that it refused or that never introduced themselves.

    asyncio has no public list of a loop's connections; where the private one is missing they close with the process.
    """
    for _ in range(3):  # connections that were being accepted meanwhile show up late
        for transport in list(getattr(asyncio.get_running_loop(), "_transports", {}).values()):
            transport.abort()
        await asyncio.sleep(0.02)
