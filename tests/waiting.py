"""Waiting for real processes without sleeping blindly: poll a condition until a deadline."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

Value = TypeVar("Value")


def wait_until(condition: Callable[[], Value], *, within_s: float = 20.0, what: str = "") -> Value:
    """The first truthy value of the condition; fails with ``what`` when the deadline passes."""
    deadline = time.monotonic() + within_s
    pause = threading.Event()
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {within_s:g} s: {what or condition}")
        pause.wait(0.02)
