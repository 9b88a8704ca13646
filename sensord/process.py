"""What every long-running process shares: a clean stop on SIGTERM and Ctrl-C, and logging of one line a message."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from types import FrameType

SAY_AGAIN_AFTER_S = 600.0


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


class NotAgain(logging.Filter):
    """Leaves out a line that is the very same as the one before, for ten minutes: what lasts is tried every few seconds."""

    def __init__(self) -> None:
        super().__init__()
        self._last, self._said_s = "", 0.0

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the line is to be written."""
        line = f"{record.levelname} {record.getMessage()}"
        if line == self._last and 0 <= record.created - self._said_s < SAY_AGAIN_AFTER_S:
            return False
        self._last, self._said_s = line, record.created
        return True


def log_to_stderr(process: str) -> None:
    """One line a message on standard error: time, level, process, text; what repeats itself only now and then."""
    logging.basicConfig(
        stream=sys.stderr,
        level=logging.INFO,
        format=f"%(asctime)s %(levelname)s {process}: %(message)s",
        force=True,
    )
    for handler in logging.getLogger().handlers:
        handler.addFilter(NotAgain())
