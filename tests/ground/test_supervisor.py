"""The supervisor restarts what ends and leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

from waiting import wait_until

from sensord.clock import SystemClock
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
