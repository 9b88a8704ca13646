"""The command: refuses to lie open, serves, leaves its beat, stops on SIGTERM."""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request

import pytest
from waiting import wait_until

from sensord.cli import main
from sensord.clock import HOUR_MS, SystemClock, to_ms
from sensord.commands.serve import Ailment, answer, hosts_of, network_of, refresh
from sensord.config import load_config
from sensord.errors import ConfigError, StoreError
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.settings import DashboardSettings
from sensord.supervisor import nestclimate_command
from sensord.wiring import Room

PASSWORD = "wet cotton, dry plug"


def test_the_network_that_may_look_is_a_network() -> None:
    with pytest.raises(ConfigError, match=r"dashboard.open_to = 'home': allowed is a network"):
        network_of(DashboardSettings(open_to="home"))
    assert "192.168.1.0/24" == network_of(DashboardSettings(host="0.0.0.0", open_to="192.168.1.0/24"))


def test_a_port_that_is_taken_is_one_clear_line(tmp_path, capsys) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        (tmp_path / "station.toml").write_text(f"[station]\n[dashboard]\nport = {port}\n")
        ended = subprocess.run(
            nestclimate_command(str(tmp_path), "serve"), capture_output=True, text=True, timeout=60, check=False
        )
    assert 2 == ended.returncode
    assert f"port = {port}: cannot listen there" in ended.stderr
    assert "Traceback" not in ended.stderr


def test_it_goes_by_the_names_of_machine_and_configuration_only() -> None:
    found = hosts_of(DashboardSettings(host="127.0.0.1", link="https://Ants.example:8443/"))
    assert {"ants.example", socket.gethostname().lower()} <= found
    assert "ants.example" in hosts_of(DashboardSettings(link="ants.example:8050"))
    assert "" not in found


class Failing:
    """Data whose slow parts fail in one way after another, then succeed, then the process ends."""

    def __init__(self, stop: threading.Event, *failures: Exception) -> None:
        self.touched, self.notes, self.ailment = threading.Event(), [], Ailment()
        self._stop, self._failures = stop, list(failures)

    def refresh(self) -> None:
        self.notes.append(self.ailment.note)
        self.touched.set()
        if self._failures:
            raise self._failures.pop(0)
        if len(self.notes) > 4:
            self._stop.set()


def test_no_fault_ends_the_thread_that_makes_the_outlook_and_each_is_told(tmp_path, caplog) -> None:
    """Of the store, or of ours: what ails stands in the beat until the next that succeeds."""
    (tmp_path / "station.toml").write_text("[station]\n")
    room, stop = Room(load_config(tmp_path), SystemClock()), threading.Event()
    data = Failing(stop, StoreError("store: cannot be read\n(disk full)"), ZeroDivisionError("division by zero"))
    refresh(room, data, stop, data.ailment, gather_s=0.0)
    ours = "outlook and round could not be made (ZeroDivisionError); the log of serve says more"
    assert data.notes == ["", "store: cannot be read (disk full)", ours, "", ""]
    assert "division by zero" in caplog.text


class Ending:
    """A server that comes to its end by itself."""

    def __init__(self, *, fault: Exception | None = None) -> None:
        self._fault = fault

    def run(self) -> None:
        if self._fault is not None:
            raise self._fault


@pytest.mark.parametrize("fault", [None, OSError(9, "Bad file descriptor"), RuntimeError("dictionary changed size")])
def test_a_server_that_ended_ends_the_process_which_beat_on_otherwise(fault, caplog) -> None:
    stop = threading.Event()
    answer(Ending(fault=fault), stop)
    assert stop.is_set()
    assert fault is None or "the server ended" in caplog.text


def test_at_the_end_a_server_may_stumble_over_what_was_closed(caplog) -> None:
    stop = threading.Event()
    stop.set()
    answer(Ending(fault=OSError(9, "Bad file descriptor")), stop)
    assert "" == caplog.text


def test_beyond_loopback_somebody_must_be_able_to_sign_in(tmp_path) -> None:
    (tmp_path / "station.toml").write_text('[station]\n[dashboard]\nhost = "0.0.0.0"\n')
    ended = subprocess.run(
        nestclimate_command(str(tmp_path), "serve"), capture_output=True, text=True, timeout=60, check=False
    )
    assert 2 == ended.returncode
    assert 1 == len(ended.stderr.strip().splitlines())
    assert "dashboard.host = '0.0.0.0': is beyond loopback" in ended.stderr
    assert "nestclimate users add NAME" in ended.stderr
    assert 2 == main(["--config", str(tmp_path / "nowhere"), "serve"])


@pytest.fixture
def serving(tmp_path):
    """The command as it runs, with one user and a tube whose room is measured; gives its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (tmp_path / "station.toml").write_text(f"[station]\n[dashboard]\nport = {port}\n")
    room = Room(load_config(tmp_path), SystemClock())
    now_ms = to_ms(room.clock.now())
    room.users.add("Mara", PASSWORD, now_ms)
    room.registry.put_nests([Nest("A-01", NestKind.TUBE, "ant room", "A", "Lasius niger", reservoir_ml=8.0)])
    room.registry.put_placements([Placement("hub-a/room", None, "ant room", Place.ROOM, 0)])
    hours = range(10 * 24)
    room.store.write([Reading("hub-a/room", now_ms - ago * HOUR_MS, 24.0, 40.0) for ago in reversed(hours)])
    process = subprocess.Popen(nestclimate_command(str(tmp_path), "serve"), stderr=subprocess.PIPE, text=True)
    try:
        wait_until(lambda: ask(port), within_s=60, what="an answer")
        yield f"http://127.0.0.1:{port}"
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=20)
    assert 0 == process.returncode
    assert "Traceback" not in said


@pytest.mark.slow
def test_what_is_written_stands_on_wall_and_round_soon_after(serving) -> None:
    """Signed in over HTTP as a browser does: a fill, and its outlook is there without waiting for the ten minutes."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())

    def asked(path: str, body: bytes | None = None, **headers: str) -> str:
        request = urllib.request.Request(serving + path, body, {"Origin": serving, **headers})
        with opener.open(request, timeout=20) as answer:
            return answer.read().decode()

    token = re.search(r'name="write-token" value="(\w+)"', asked("/sign-in"))[1]
    form = {"write-token": token, "name": "Mara", "password": PASSWORD, "next": "/round"}
    page = asked("/sign-in", urllib.parse.urlencode(form).encode())
    assert "Mara" in page
    card = r'data-nest="A-01".*?class="days[^>]*>([^<]*)'
    assert not re.search(r"\d", re.search(card, asked("/"), re.DOTALL)[1])
    body = json.dumps({"nest": "A-01", "kind": "fill", "amount": 8}).encode()
    write = {"Content-Type": "application/json", "X-Write-Token": re.search(r'content="(\w{64})"', page)[1]}
    assert json.loads(asked("/write/entries", body, **write))["ok"]
    wait_until(lambda: re.search(r"\d", re.search(card, asked("/"), re.DOTALL)[1]), within_s=20, what="days of water")


@pytest.mark.slow
def test_it_serves_beats_and_stops_on_sigterm(tmp_path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    (tmp_path / "station.toml").write_text(f"[station]\n[dashboard]\nport = {port}\n")
    process = subprocess.Popen(nestclimate_command(str(tmp_path), "serve"), stderr=subprocess.PIPE, text=True)
    try:
        health = wait_until(lambda: ask(port), within_s=40, what="an answer")
        assert health["processes"]["serve"]["ok"]
        assert not health["processes"]["watch"]["ok"]
        assert "record" not in health["processes"]  # without a broker there is nothing to record
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=20)
    assert 0 == process.returncode
    assert f"http://127.0.0.1:{port}/" in said
    assert "Traceback" not in said


def ask(port: int):
    """What /healthz says, once the process has left its first beat."""
    try:
        body = urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=5).read()
    except urllib.error.HTTPError as error:
        body = error.read()
    except OSError:
        return None
    health = json.loads(body)
    return health if health["processes"]["serve"]["ok"] else None
