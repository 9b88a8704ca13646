"""The demo as people run it: real processes of the line, incidents that raise alarms, pushes that arrive, a clean end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import pytest
from waiting import wait_until

from demo.history import DATABASE, STATE, ensure_history, load_state
from demo.phone import Phone
from demo.room import DIED, DRY, LIVE_FROM_MS, SICK_MAT, UNPLUGGED
from demo.setting import Choices, free_port, scan_every_s, write_config
from sensord.clock import DAY_MS
from sensord.config import load_config
from sensord.db import open_db
from sensord.errors import InputError
from sensord.keeping.registry import Registry
from sensord.model import EntryKind
from sensord.store.sqlite import SqliteStore

REPOSITORY = Path(__file__).resolve().parents[2]


@contextmanager
def demo(folder: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """A running demo; killed if the test has not ended it."""
    command = [sys.executable, "-m", "demo.main", "--folder", str(folder), "--days", "2", *options]
    environment = {name: value for name, value in os.environ.items() if name != "NESTCLIMATE_CLOCK"}
    with subprocess.Popen(
        command, cwd=REPOSITORY, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def children_of(folder: Path) -> list[str]:
    """Command lines of living processes that name the folder."""
    found = []
    for file in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            line = file.read_bytes().decode(errors="replace").replace("\0", " ")
        except OSError:
            continue
        if str(folder) in line:
            found.append(line)
    return found


def nestclimate(folder: Path, *arguments: str) -> dict[str, object]:
    command = [sys.executable, "-m", "sensord", "--config", str(folder / "config"), *arguments]
    return dict(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


@pytest.mark.slow
def test_the_incidents_raise_their_alarms_and_each_push_arrives(tmp_path: Path) -> None:
    """Dry reservoir, stuck mat, loose probe, warm fridge: alarm, push, wall; then Ctrl-C ends all of it cleanly."""
    pushes: list[str] = []
    port = free_port()
    wanted = {
        f"{DRY} dry": f"nest {DRY}: too dry",
        f"{SICK_MAT} hot": f"nest {SICK_MAT}: too hot",
        f"{UNPLUGGED} unplugged": f"nest {UNPLUGGED}: probe faulty",
        "fridge hot": "too hot\nnest F",
    }

    def arrived() -> set[str]:
        return {what for what, text in wanted.items() if any(text in push for push in pushes)}

    with (
        Phone(lambda title, text: pushes.append(f"{title}\n{text}")) as phone,
        demo(tmp_path, "--speed", "240", "--port", str(port), "--phone", phone.url) as process,
    ):
        wait_until(lambda: arrived() == set(wanted), within_s=170, what=f"pushes for {sorted(wanted)}")
        with urlopen(f"http://127.0.0.1:{port}/", timeout=20) as answer:
            wall = answer.read().decode()
        process.send_signal(signal.SIGINT)
        output, _ = process.communicate(timeout=40)
    assert f'data-nest="{SICK_MAT}"' in wall
    assert (process.returncode, "Traceback" in output) == (0, False), output
    assert children_of(tmp_path) == []
    log = (tmp_path / "line.log").read_text()
    assert "Traceback" not in log, log
    check_alarms(tmp_path, pushes)


def check_alarms(folder: Path, pushes: list[str]) -> None:
    """The log holds the scripted alarms and none that the script does not explain; what it calls told has arrived."""
    found = nestclimate(folder, "alarms", "--since", "2026-01-20T00:00:00Z", "--json")
    alarms = [alarm for alarm in found["alarms"] if isinstance(alarm, dict)]  # type: ignore[attr-defined]
    kinds = {(alarm["nest"], alarm["kind"]) for alarm in alarms}
    assert {(DRY, "dry"), (SICK_MAT, "hot"), (UNPLUGGED, "faulty")} <= kinds
    assert any(nest and nest.startswith("F") and kind == "hot" for nest, kind in kinds)
    explained = {DRY, SICK_MAT, UNPLUGGED, None}
    surprise = {(nest, kind) for nest, kind in kinds if nest not in explained and not nest.startswith("F")}
    assert {each for each in surprise if each[1] != "reservoir"} == set()
    told = [alarm for alarm in alarms if any(each["ok"] for each in alarm["told"])]
    text = "\n".join(pushes)
    assert told
    assert [alarm for alarm in told if alarm["nest"] and f"nest {alarm['nest']}" not in text] == []


@pytest.mark.slow
def test_a_run_that_was_killed_in_the_middle_leaves_nothing_that_hurts_the_next(tmp_path: Path) -> None:
    """SIGKILL while the history is made; the next run makes it anew, and stops by itself when asked to."""
    with demo(tmp_path) as process:
        wait_until((tmp_path / "history-half" / DATABASE).exists, within_s=60, what="the history has begun")
        process.kill()
    assert not list(tmp_path.glob("history-*-2"))
    with demo(tmp_path, "--port", str(free_port()), "--for", "1") as process:
        output, _ = process.communicate(timeout=150)
    assert (process.returncode, "Traceback" in output) == (0, False), output
    assert "the wall is at http://127.0.0.1:" in output
    assert (children_of(tmp_path), (tmp_path / "history-half").exists()) == ([], False)


@pytest.mark.slow
def test_the_history_is_whole_and_holds_the_die_off(tmp_path: Path) -> None:
    """Readings of every probe up to the live instant, the journal with the death, made once."""
    told: list[int] = []
    history = ensure_history(tmp_path, told.append, days=22)
    assert told[-1] == 22
    made = (history / DATABASE).stat().st_mtime_ns
    assert ensure_history(tmp_path, lambda _done: None, days=22) == history
    assert (history / DATABASE).stat().st_mtime_ns == made
    store, connection = SqliteStore(history / DATABASE), open_db(history / DATABASE)
    latest = store.latest()
    registry = Registry(connection)
    assert {placement.probe for placement in registry.placements()} == set(latest)
    assert all(0 <= LIVE_FROM_MS - reading.at_ms <= 300_000 for reading in latest.values())
    (death,) = registry.entries(kinds=(EntryKind.DIED,))
    assert death.nest == DIED
    night = store.raw(f"hub-birch/{DIED.lower()}", death.at_ms - 2 * DAY_MS, death.at_ms)
    assert max(night.temp_c) > 38  # the mat that killed it
    assert load_state(history).at_ms == LIVE_FROM_MS
    assert (history / STATE).exists()
    store.close()
    connection.close()


def test_a_second_demo_in_the_same_folder_is_refused_in_one_line(tmp_path: Path) -> None:
    """Two would write the same files."""
    import fcntl

    with (tmp_path / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with demo(tmp_path) as process:
            output, _ = process.communicate(timeout=60)
    assert process.returncode == 2
    assert output.strip() == f"demo: {tmp_path}: another demo is running there; stop it, or name another --folder"


@pytest.mark.parametrize("broker", ["", "127.0.0.1:1883"])
def test_the_configuration_it_writes_is_right(tmp_path: Path, broker: str) -> None:
    """The reader takes it without a complaint, with the embedded broker and with another."""
    write_config(tmp_path, Choices(8050, broker, "json://127.0.0.1:9/push", 60.0))
    config = load_config(tmp_path)
    assert config.broker is not None
    assert config.broker.embedded == (not broker)
    assert len(config.hubs) == 2
    assert (tmp_path / "phone.txt").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("broker", ["localhost", ":1883", "host:0", "host:x", 'a"b:1883'])
def test_a_broker_that_is_no_host_and_port_is_refused(tmp_path: Path, broker: str) -> None:
    """The message says what is allowed."""
    with pytest.raises(InputError, match="allowed is HOST:PORT"):
        write_config(tmp_path, Choices(8050, broker, "json://127.0.0.1:9/push", 60.0))


def test_scans_keep_pace_with_the_speed() -> None:
    """Once a minute of the room's time; in fast time no more than four in a real second."""
    assert (scan_every_s(1), scan_every_s(60), scan_every_s(240), scan_every_s(600)) == (60, 60, 60, 150)


def test_the_phone_shows_what_is_posted_and_refuses_what_is_no_message() -> None:
    """A real HTTP request; nonsense gets 400 and rings nobody."""
    from urllib.error import HTTPError
    from urllib.request import Request

    rung: list[tuple[str, str]] = []
    done = threading.Event()
    with Phone(lambda title, text: (rung.append((title, text)), done.set())[0]) as phone:
        url = phone.url.replace("json://", "http://")
        with urlopen(Request(url, b'{"title": "dry", "message": "B4"}'), timeout=5) as answer:
            assert answer.status == 200
        with pytest.raises(HTTPError, match="400"):
            urlopen(Request(url, b"[not json"), timeout=5)
    assert rung == [("dry", "B4")]
