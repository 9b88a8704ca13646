"""What the long-running processes say on standard error."""

from __future__ import annotations

import logging

from sensord.process import SAY_AGAIN_AFTER_S, NotAgain


def line(text: str, at_s: float, level: int = logging.WARNING) -> logging.LogRecord:
    record = logging.LogRecord("x", level, __file__, 1, text, None, None)
    record.created = at_s
    return record


def test_what_lasts_is_said_once_and_again_after_ten_minutes() -> None:
    """A full disk is met every ten seconds, for as long as it is full."""
    once = NotAgain()
    said = [at_s for at_s in range(0, 3_600, 10) if once.filter(line("the disk is full", 1e9 + at_s))]
    assert said == list(range(0, 3_600, int(SAY_AGAIN_AFTER_S)))


def test_what_changes_is_said_each_time() -> None:
    once = NotAgain()
    lines = ["lost", "connected", "lost", "connected", "connected"]
    assert [once.filter(line(text, 1e9)) for text in lines] == [True, True, True, True, False]
    assert once.filter(line("connected", 1e9, logging.ERROR))


def test_a_clock_that_goes_back_silences_nothing() -> None:
    once = NotAgain()
    assert once.filter(line("the disk is full", 2e9))
    assert once.filter(line("the disk is full", 1e9))
