"""Keeps child processes running: starts each, restarts what ends, stops all cleanly. They share no memory."""

from __future__ import annotations

import ctypes
import logging
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sensord.clock import Clock
from sensord.db import identity

FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
STEADY_AFTER_S = 120.0
STOP_WITHIN_S = 15.0

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Child:
    name: str
    command: Sequence[str]
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    due_s: float = 0.0
    pause_s: float = field(default=FIRST_PAUSE_S)


class Supervisor:
    """Runs named commands until told to stop.

    A child that ends, or cannot be started, is started again after 1 s, then twice as long each time up to 60 s; one that
    ran for two minutes starts afresh. No child outlives this process, however it ends (Linux).

    Args:
        commands: name to argument list.
        clock: real time.
        on_start: told the name and process id at each start.
        database: where somebody deletes or replaces it, all start again, for each has the old one open.
    """

    def __init__(
        self,
        commands: Mapping[str, Sequence[str]],
        clock: Clock,
        on_start: Callable[[str, int], None] = lambda _name, _pid: None,
        database: Path | None = None,
    ) -> None:
        self._children = [_Child(name, command) for name, command in commands.items()]
        self._clock, self._on_start = clock, on_start
        self._database, self._known = database, identity(database) if database else None

    def run(self, stop: threading.Event) -> None:
        """Keep all children running until ``stop`` is set, then stop them."""
        try:
            while not stop.is_set():
                self._look_at_database()
                for child in self._children:
                    self._look_after(child)
                self._clock.wait(stop, 0.2)
        finally:
            self._stop_all()

    def _look_at_database(self) -> None:
        now = identity(self._database) if self._database else None
        if self._known is not None and now != self._known:
            _log.warning("%s was deleted or replaced: every process starts again on the new one", self._database)
            self._stop_all()
        self._known = now

    def _look_after(self, child: _Child) -> None:
        now_s = self._clock.monotonic()
        if child.process is None:
            if now_s >= child.due_s:
                self._start(child, now_s)
            return
        status = child.process.poll()
        if status is None:
            return
        if now_s - child.started_s > STEADY_AFTER_S:
            child.pause_s = FIRST_PAUSE_S
        self._try_later(child, now_s, f"ended with status {status}")

    def _try_later(self, child: _Child, now_s: float, why: str) -> None:
        _log.warning("%s %s: starting it again in %g s", child.name, why, child.pause_s)
        child.process, child.due_s = None, now_s + child.pause_s
        child.pause_s = min(LONGEST_PAUSE_S, child.pause_s * 2)

    def _start(self, child: _Child, now_s: float) -> None:
        try:
            child.process = subprocess.Popen(  # noqa: S603 - our own command
                child.command,
                stdin=subprocess.DEVNULL,
                preexec_fn=_die_with_parent,  # noqa: PLW1509 - two system calls, no locks taken
                start_new_session=True,  # Ctrl-C reaches this process alone, which then stops its children in order
            )
        except OSError as error:  # no memory or no process to be had just now: the others must go on
            self._try_later(child, now_s, f"could not be started ({error.strerror})")
            return
        child.started_s = now_s
        self._on_start(child.name, child.process.pid)

    def _stop_all(self) -> None:
        running = [child for child in self._children if child.process and child.process.poll() is None]
        for child in running:
            _process(child).terminate()
        deadline_s = self._clock.monotonic() + STOP_WITHIN_S
        for child in running:
            try:
                _process(child).wait(max(0.1, deadline_s - self._clock.monotonic()))
            except subprocess.TimeoutExpired:
                _log.warning("%s did not stop within %g s and was killed", child.name, STOP_WITHIN_S)
                _process(child).kill()
                _process(child).wait()


def nestclimate_command(config_folder: str, *arguments: str) -> list[str]:
    """The argument list that runs one of our commands with this Python."""
    return [sys.executable, "-m", "sensord", "--config", config_folder, *arguments]


def _process(child: _Child) -> subprocess.Popen[bytes]:
    assert child.process is not None
    return child.process


def _die_with_parent() -> None:
    if sys.platform == "linux":
        set_parent_death_signal = 1  # PR_SET_PDEATHSIG of prctl(2)
        ctypes.CDLL(None).prctl(set_parent_death_signal, signal.SIGTERM)
