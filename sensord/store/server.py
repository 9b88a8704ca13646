"""What the mirror needs of a time series server, and how what goes wrong there is told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from influxdb_client import InfluxDBClient, WritePrecision
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from sensord.errors import ConfigError, StoreError
from sensord.store.base import Columns
from sensord.store.lineprotocol import bodies

TIMEOUT_S = 5.0

# What the server will not take however often it is sent (RFC 9110, section 15.5); all else may pass.
_REFUSED = frozenset({400, 413, 422})
_ADVICE = {
    400: "is another program writing other types under the same names?",
    401: "is store.token_file the right token?",
    403: "may this token write and read store.bucket?",
    404: "do store.url, store.org and store.bucket exist?",
    413: "allow larger bodies at the server or the proxy before it",
    422: "is the data older than the server's retention?",
}


class ServerError(StoreError):
    """The server did not do as asked. ``refused``: it will not take this however often it is sent."""

    def __init__(self, problem: str, *, refused: bool = False) -> None:
        super().__init__(problem)
        self.refused = refused


class Server(Protocol):
    """A time series server that holds a copy of the readings. Sending the same again changes nothing."""

    earliest_ms: int
    """It keeps nothing older than this."""

    @property
    def name(self) -> str:
        """Which server, for people, and to notice that it is another one."""

    def send(self, probe: str, columns: Columns) -> None:
        """Write readings of one probe. Whether they are kept shows only on reading them back.

        Raises:
            ServerError: not reached, or refused.
        """

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``, as the server has it.

        Raises:
            ServerError: not reached, or refused.
        """

    def close(self) -> None:
        """Release what is held; may be called twice."""


class LineWriter:
    """Writes line protocol to ``/api/v2/write``, synchronously: batching would lose what it holds, and its errors.

    Args:
        url: of the server, http or https. org, bucket, token: blank where the server knows none.

    Raises:
        ConfigError: the url is none.
    """

    def __init__(self, url: str, org: str, bucket: str, token: str) -> None:
        if not url.startswith(("http://", "https://")):
            raise ConfigError(f"store.url = {url!r}: allowed is http://HOST:PORT or https://HOST:PORT")
        self.url, self.org, self.bucket = url.rstrip("/"), org, bucket
        self.client = InfluxDBClient(
            url=self.url, token=token or None, org=org, timeout=int(TIMEOUT_S * 1000), enable_gzip=True
        )
        self._api = self.client.write_api(write_options=SYNCHRONOUS)

    def send(self, probe: str, columns: Columns) -> None:
        """Write readings of one probe; returns when the server has answered."""
        for body in bodies(probe, columns):
            with telling(self.url):
                self._api.write(self.bucket, self.org, body, write_precision=WritePrecision.MS)

    def close(self) -> None:
        """Close the connections."""
        self._api.close()
        self.client.close()


@contextmanager
def telling(url: str) -> Iterator[None]:
    """Whatever an HTTP client raises, as a ServerError of one line."""
    try:
        yield
    except ApiException as error:
        said = error.body or error.reason or ""
        raise answered(
            url, int(error.status or 0), said.decode(errors="replace") if isinstance(said, bytes) else said
        ) from error
    except (HTTPError, OSError, ValueError) as error:
        raise ServerError(f"store {url}: did not answer ({type(error).__name__}: {_line(str(error))})") from error


def answered(url: str, status: int, body: str) -> ServerError:
    """The error that an HTTP status stands for."""
    try:
        said = str(json.loads(body)["message"])
    except (ValueError, KeyError, TypeError):
        said = body
    advice = _ADVICE.get(status, "it is tried again")
    return ServerError(f"store {url}: answered {status} ({_line(said)}); {advice}", refused=status in _REFUSED)


def _line(text: str) -> str:
    """On one line, and no longer than a message should be."""
    return " ".join(text.split())[:200]
