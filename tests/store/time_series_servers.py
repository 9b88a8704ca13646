"""Servers to mirror to: the real VictoriaMetrics, and a small stand-in that speaks what we use of InfluxDB 2's HTTP API.

No InfluxDB 2 server could be run here. The stand-in follows InfluxData's published reference (InfluxDB v2: "Line protocol",
"/api/v2/write", "/api/v2/query", "Annotated CSV"): it takes only lines of that grammar, keeps the last value of a field at an
instant, and answers a range of one series.
"""

from __future__ import annotations

import gzip
import itertools
import json
import re
import shutil
import signal
import socket
import subprocess
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from waiting import wait_until

LINE = re.compile(r"([a-z_]+),probe=([a-z0-9/-]+) ((?:[a-z_]+=-?[0-9.]+(?:e-?[0-9]+)?,?)+) (-?[0-9]+)")
RANGE = re.compile(r"range\(start: time\(v: (-?\d+)\), stop: time\(v: (-?\d+)\)\)")
SERIES = re.compile(r'r\._measurement == "([a-z_]+)" and r\.probe == "([a-z0-9/-]+)"')
TOKEN = "a token"


class StandInInflux:
    """``mood``: accept; a status to refuse with; ``lose_answer``: store, then drop the connection; ``hang``."""

    def __init__(self) -> None:
        self.mood: int | str = "accept"
        self.values: dict[tuple[str, str, str, int], float] = {}
        self.writes = 0
        self.wrong: list[str] = []
        self.closing = threading.Event()
        stand_in = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                url = urlsplit(self.path)
                asked = {name: values[0] for name, values in parse_qs(url.query).items()}
                if self.headers.get("Authorization") != f"Token {TOKEN}":
                    self.answer(401, json.dumps({"code": "unauthorized", "message": "unauthorized access"}))
                elif url.path == "/api/v2/write":
                    stand_in.writes += 1
                    self.write(asked, body.decode())
                else:
                    self.answer(200, stand_in.query(json.loads(body)["query"]))

            def write(self, asked: dict[str, str], body: str) -> None:
                mood = stand_in.mood
                if mood == "hang":
                    stand_in.closing.wait(30)
                elif isinstance(mood, int):
                    self.answer(mood, json.dumps({"code": "x", "message": "told\nover lines"}))
                else:
                    stand_in.store(asked, body)
                    if mood == "lose_answer":
                        self.connection.shutdown(socket.SHUT_RDWR)
                    else:
                        self.answer(204, "")

            def answer(self, status: int, text: str) -> None:
                self.send_response(status)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text.encode())

            def log_message(self, *_args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads, self.server.block_on_close = True, False
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02})
        self.thread.start()
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"

    def store(self, asked: dict[str, str], body: str) -> None:
        if asked != {"org": "loft", "bucket": "ants", "precision": "ms"}:
            self.wrong.append(str(asked))
        for line in body.split("\n"):
            found = LINE.fullmatch(line)
            if found is None:
                self.wrong.append(line)
                continue
            measurement, probe, fields, at_ms = found.groups()
            for each in fields.split(","):
                name, value = each.split("=")
                self.values[measurement, probe, name, int(at_ms)] = float(value)

    def query(self, flux: str) -> str:
        assert flux.startswith('from(bucket: "ants") |> range('), flux
        start_ns, stop_ns = map(int, RANGE.search(flux).groups())
        series = SERIES.search(flux).groups()
        tables = []
        fields = sorted({key[2] for key in self.values if key[:2] == series})
        for number, name in enumerate(fields):
            rows = sorted(
                (key[3], value)
                for key, value in self.values.items()
                if key[:3] == (*series, name) and start_ns <= key[3] * 1_000_000 < stop_ns
            )
            if rows:
                head = (
                    "#datatype,string,long,dateTime:RFC3339,double,string\r\n#group,false,false,false,false,true\r\n"
                    "#default,_result,,,,\r\n,result,table,_time,_value,_field\r\n"
                )
                tables.append(head + "".join(f",,{number},{rfc3339(at)},{value!r},{name}\r\n" for at, value in rows))
        return "\r\n".join(tables)

    def close(self) -> None:
        self.closing.set()
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()


def rfc3339(at_ms: int) -> str:
    """As InfluxDB writes instants: no fraction where there is none, no zeros at its end."""
    text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)).strftime("%Y-%m-%dT%H:%M:%S.%f")
    return text.rstrip("0").rstrip(".") + "Z"


class RealVictoria:
    """The installed VictoriaMetrics on a free loopback port."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder, self.options = folder, options
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            ["victoria-metrics", f"-httpListenAddr=127.0.0.1:{self.port}", f"-storageDataPath={self.folder}",
             "-loggerLevel=ERROR", "-memory.allowedBytes=64MB", *self.options],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        wait_until(self._up, within_s=20, what="VictoriaMetrics answers")

    def _up(self) -> bool:
        try:
            return self.get("/health") == "OK"
        except (urllib.error.URLError, OSError):
            return False

    def get(self, path: str) -> str:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(self.url + path, timeout=10) as answer:
            return answer.read().decode()

    def show(self) -> None:
        """Make what was written visible to queries at once, without making it durable."""
        self.get("/internal/force_flush")

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(20)
            self.process = None


KEEP_ALL = ("-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms")


@pytest.fixture
def influx() -> Iterator[StandInInflux]:
    """A stand-in InfluxDB; every line it got was right."""
    server = StandInInflux()
    yield server
    server.close()
    assert server.wrong == []


@pytest.fixture
def victoria_with(tmp_path: Path) -> Iterator[Any]:
    """Starts a VictoriaMetrics with the options given."""
    if shutil.which("victoria-metrics") is None:
        pytest.skip("victoria-metrics is not installed (Debian package victoria-metrics)")
    started: list[RealVictoria] = []
    numbers = itertools.count()

    def start(*options: str) -> RealVictoria:
        started.append(RealVictoria(tmp_path / f"victoria-{next(numbers)}", *options))
        return started[-1]

    yield start
    for each in started:
        each.stop()
