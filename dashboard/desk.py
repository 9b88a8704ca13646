"""Answers that take seconds: computed beside the requests, one at a time, and kept for a while. A page never waits for one."""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from functools import partial
from queue import SimpleQueue
from typing import Generic, TypeVar

from dashboard.review_snapshot import Say
from sensord.clock import Clock
from sensord.errors import NestclimateError

PATIENCE_S = 0.3
"""So long a request waits for an answer before it shows what is being done instead."""
FRESH_S, KEPT, MOST_WAITING = 120.0, 8, 12
_log = logging.getLogger(__name__)
Key = TypeVar("Key")
Answer = TypeVar("Answer")


class Job(Generic[Answer]):
    """One answer in the making. ``words`` say what is being done; ``seconds`` how long already."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self.begun_s = clock, clock.monotonic()
        self.words, self.ended_s = "Waiting for another answer to be ready", 0.0
        self._done = threading.Event()
        self.answer: Answer | None = None
        self.problem: NestclimateError | None = None

    @property
    def seconds(self) -> float:
        """Since it was asked, in this clock's time."""
        return self._clock.monotonic() - self.begun_s

    def done(self, within_s: float = 0.0) -> bool:
        """Whether it is ready, or will be that soon."""
        return self._done.wait(within_s)

    def say(self, words: str) -> None:
        """Told by whoever computes."""
        self.words = words

    def run(self, make: Callable[[Say], Answer]) -> None:
        """Compute; what fails is kept as the answer's problem."""
        try:
            self.answer = make(self.say)
        except NestclimateError as error:
            self.problem = error
        except Exception as error:  # noqa: BLE001 - a fault of ours is told, else the page would wait for ever
            _log.exception("an answer could not be made")
            self.problem = NestclimateError(f"the answer could not be made: {type(error).__name__}")
        finally:
            self.ended_s = self._clock.monotonic()
            self._done.set()

    def get(self) -> Answer:
        """The answer, once done.

        Raises:
            NestclimateError: it could not be made.
        """
        if self.problem is not None:
            raise self.problem
        if self.answer is None:
            raise NestclimateError("not ready yet: ask again in a moment")
        return self.answer


class Desk(Generic[Key, Answer]):
    """Takes questions, computes one at a time in a thread of its own, and keeps the last answers for two minutes.

    Args:
        make: computes the answer to a question; told how to say what it does. Runs in the desk's thread.
    """

    def __init__(self, make: Callable[[Key, Say], Answer], clock: Clock) -> None:
        self._make, self._clock = make, clock
        self._lock = threading.Lock()
        self._jobs: OrderedDict[Key, Job[Answer]] = OrderedDict()
        self._waiting: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._worker: threading.Thread | None = None

    def ask(self, question: Key) -> Job[Answer]:
        """The job for a question: one that runs, or was done a moment ago, or a new one.

        Raises:
            NestclimateError: too many others are waiting.
        """
        with self._lock:
            job = self._jobs.get(question)
            if job is None or self._stale(job):
                if sum(not one.done() for one in self._jobs.values()) >= MOST_WAITING:
                    raise NestclimateError(f"{MOST_WAITING} other answers are being made: ask again in a minute")
                job = Job(self._clock)
                self._waiting.put(partial(job.run, partial(self._make, question)))
                self._begin()
            self._jobs[question] = job
            self._jobs.move_to_end(question)
            for old in [key for key, one in self._jobs.items() if one.done()][: max(0, len(self._jobs) - KEPT)]:
                del self._jobs[old]
            return job

    def _begin(self) -> None:
        """The thread that computes; a daemon, so that an answer in the making never keeps the process from ending."""
        if self._worker is None:
            self._worker = threading.Thread(target=self._work, name="desk", daemon=True)
            self._worker.start()

    def _work(self) -> None:
        while True:
            self._waiting.get()()

    def _stale(self, job: Job[Answer]) -> bool:
        speed = getattr(self._clock, "speed", 1.0)
        return job.done() and self._clock.monotonic() - job.ended_s > FRESH_S * speed
