"""What every long-running process shares: a clean stop on SIGTERM and Ctrl-C, and logging of one line a message."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from types import FrameType


def stop_on_signals() -> threading.Event:
    """An event that SIGTERM or SIGINT sets. A second signal ends the process at once. Call it in the main thread."""
    stop = threading.Event()

    def ask_to_stop(number: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise SystemExit(128 + number)
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, ask_to_stop)
    return stop


def log_to_stderr(process: str) -> None:
    """One line a message on standard error: time, level, process, text."""
    logging.basicConfig(
        stream=sys.stderr,
        level=logging.INFO,
        format=f"%(asctime)s %(levelname)s {process}: %(message)s",
        force=True,
    )
