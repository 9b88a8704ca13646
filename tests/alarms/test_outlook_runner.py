"""The outlook for the watch goes on being made, whatever fails on the way."""

from __future__ import annotations

import threading
from collections.abc import Callable

from waiting import wait_until

from sensord.alarms.outlook_runner import AGAIN_S, EVERY_S, OutlookRunner
from sensord.alarms.reservoir import DaysLeft, Outlook
from sensord.clock import ManualClock
from sensord.errors import MissingPartError, StoreError

LEFT = {"T-01": DaysLeft(1.0, 2.0)}


class Waited(ManualClock):
    """Keeps how long was waited; a moment of real time, so that the loop does not race."""

    waits_s: list[float]

    def wait(self, event: threading.Event, seconds: float) -> bool:
        self.waits_s = [*getattr(self, "waits_s", []), seconds]
        self.advance(seconds)
        return event.wait(0.001)


def failing(*failures: Exception) -> Callable[[], Outlook]:
    """Fails as given, one after another, first to begin and then to make an outlook."""
    left = list(failures)

    def outlook(_at_ms: int) -> dict[str, DaysLeft]:
        if left:
            raise left.pop(0)
        return LEFT

    def begin() -> Outlook:
        if left:
            raise left.pop(0)
        return outlook

    return begin


def test_a_store_that_is_busy_at_the_start_and_a_fault_of_ours_are_told_and_tried_again(clock, caplog) -> None:
    """Else no reservoir would raise an alarm until somebody starts the watch anew."""
    clock = Waited(clock.now())
    runner = OutlookRunner(failing(StoreError("database: busy"), ZeroDivisionError("division by zero")), clock)
    assert runner.latest(0) == {}
    runner.start()
    try:
        wait_until(lambda: runner.latest(0) == LEFT and len(clock.waits_s) >= 3, what="the first outlook")
    finally:
        runner.stop()
    assert clock.waits_s[:3] == [AGAIN_S, AGAIN_S, EVERY_S]
    assert "outlook: database: busy; trying again in 5 min" in caplog.messages
    assert "division by zero" in caplog.text


def test_a_part_that_is_not_installed_is_told_once(clock, caplog) -> None:
    runner = OutlookRunner(failing(MissingPartError("outlook needs numpy")), Waited(clock.now()))
    runner.start()
    wait_until(lambda: "outlook: outlook needs numpy; reservoirs raise no alarms" in caplog.messages, what="the line")
    runner.stop()
    assert runner.latest(0) == {}
    assert len(caplog.messages) == 1
