"""The supervisor restarts what ends and leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from waiting import wait_until

from sensord.clock import ManualClock, SystemClock
from sensord.supervisor import Supervisor

WAIT = [sys.executable, "-c", "import signal; signal.pause()"]


def alive(pid: int) -> bool:
    """Whether a process runs (a zombie does not)."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def test_a_killed_child_is_started_again_and_all_stop_at_the_end() -> None:
    started: list[int] = []
    stop = threading.Event()
    supervisor = Supervisor({"one": WAIT}, SystemClock(), lambda _name, pid: started.append(pid))
    thread = threading.Thread(target=supervisor.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: started, what="the first start")
        os.kill(started[0], signal.SIGKILL)
        wait_until(lambda: len(started) == 2, what="the restart")
        assert alive(started[1])
    finally:
        stop.set()
        thread.join()
    assert not any(alive(pid) for pid in started)


def test_a_database_that_is_replaced_makes_all_start_again(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Each has the old one open, and would go on reading and writing what nobody sees."""
    database, started, stop = tmp_path / "station.db", list[str](), threading.Event()
    database.touch()
    commands = {"one": WAIT, "two": WAIT}
    supervisor = Supervisor(commands, SystemClock(), lambda name, _pid: started.append(name), database)
    thread = threading.Thread(target=supervisor.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: len(started) == 2, what="the first start")
        database.rename(tmp_path / "before.db")
        database.touch()
        wait_until(lambda: len(started) == 4, what="all start again")
    finally:
        stop.set()
        thread.join()
    assert started[:2] == ["one", "two"]
    assert caplog.text.count("was deleted or replaced") == 1


def test_children_do_not_outlive_a_killed_supervisor() -> None:
    script = (
        "import sys, threading\n"
        "from sensord.clock import SystemClock\n"
        "from sensord.supervisor import Supervisor\n"
        "Supervisor({'one': [sys.executable, '-c', 'import signal; signal.pause()']}, SystemClock(),\n"
        "           lambda name, pid: print(pid, flush=True)).run(threading.Event())\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        wait_until(lambda: alive(child), what="the child")
        parent.kill()
    wait_until(lambda: not alive(child), what="the end of the child")


class Fast(ManualClock):
    """A minute a fifth of a second: time for real processes to come and go between two looks."""

    def wait(self, event: threading.Event, seconds: float) -> bool:
        self.advance(max(0.0, seconds))
        return event.wait(0.001)


def test_a_child_that_cannot_be_started_is_tried_ever_more_rarely_and_stops_no_other(caplog) -> None:
    """As when the machine has no memory left for a moment."""
    clock, stop, started = Fast(datetime(2026, 4, 1, tzinfo=UTC)), threading.Event(), []
    supervisor = Supervisor({"gone": ["/no/such/program"], "one": WAIT}, clock, lambda name, _pid: started.append(name))
    thread = threading.Thread(target=supervisor.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: len(caplog.records) >= 8, what="eight attempts")
        assert thread.is_alive()
    finally:
        stop.set()
        thread.join()
    assert started == ["one"]
    said = [record.getMessage() for record in caplog.records[:8]]
    assert said == [
        f"gone could not be started (No such file or directory): starting it again in {pause_s} s"
        for pause_s in (1, 2, 4, 8, 16, 32, 60, 60)
    ]


def test_a_child_that_ends_at_once_is_started_ever_more_rarely(caplog) -> None:
    clock, stop = Fast(datetime(2026, 4, 1, tzinfo=UTC)), threading.Event()
    starts: list[float] = []
    supervisor = Supervisor({"short": ["/bin/sh", "-c", "exit 3"]}, clock, lambda *_: starts.append(clock.monotonic()))
    thread = threading.Thread(target=supervisor.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: len(starts) >= 4, what="four starts")
    finally:
        stop.set()
        thread.join()
    assert "short ended with status 3: starting it again in 1 s" in caplog.messages
    gaps_s = [later - earlier for earlier, later in pairwise(starts)]
    assert all(gap_s >= pause_s for gap_s, pause_s in zip(gaps_s, (1, 2, 4), strict=False))
