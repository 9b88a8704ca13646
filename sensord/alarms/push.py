"""Messages to the keeper's phone through apprise. The only module that imports it.

Each route has a thread of its own, a connection of its own and a deadline of its own: one that fails or hangs delays no
other and loses nothing. An address is a secret: it never reaches a log, a message or an error.
"""

from __future__ import annotations

import logging
import os
import re
import threading
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import apprise

from sensord.alarms.deliveries import Deliveries, Due, Message
from sensord.clock import MINUTE_MS, Clock, to_ms
from sensord.config import Config
from sensord.db import open_db
from sensord.errors import NestclimateError, PushError
from sensord.model import Priority
from sensord.settings import RouteSettings

log = logging.getLogger(__name__)

DEADLINE_S = 30.0
POLL_S = 1.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 5.0, 60.0
MOST_HANGING, HANGING_PAUSE_S = 3, 900.0
LATE_MS = 5 * MINUTE_MS
"""A message whose sending hangs may have arrived: so long its answer is waited for before it is sent again."""
_TYPES = {
    Priority.LOW: apprise.NotifyType.INFO,
    Priority.MEDIUM: apprise.NotifyType.WARNING,
    Priority.HIGH: apprise.NotifyType.FAILURE,
}


class Redaction(logging.Filter):
    """Takes addresses, and every piece of the given secrets, out of log records."""

    def __init__(self) -> None:
        super().__init__()
        self._pieces: set[str] = set()

    def learn(self, address: str) -> None:
        """Never let this address through, nor any of its parts of six letters or more."""
        self._pieces.add(address)
        self._pieces.update(piece for piece in re.split(r"[/?&=:@,]+", address) if len(piece) >= 6)

    def filter(self, record: logging.LogRecord) -> bool:
        """Always keeps the record, redacted."""
        record.msg, record.args = self.clean(record.getMessage()), ()
        record.exc_info = record.exc_text = None
        return True

    def clean(self, text: str) -> str:
        """The text without secrets."""
        for piece in sorted(self._pieces, key=len, reverse=True):
            text = text.replace(piece, "***")
        return re.sub(r"\b[a-z][a-z0-9+.-]*://\S+", "***", text)


REDACTION = Redaction()


def guard_logs() -> None:
    """Keep the loggers of apprise and what it uses quiet and redacted, at their handlers too."""
    for name in ("apprise", "urllib3", "requests"):
        logger = logging.getLogger(name)
        logger.setLevel(logging.WARNING)
        if REDACTION not in logger.filters:
            logger.addFilter(REDACTION)
    for handler in logging.getLogger().handlers:
        if REDACTION not in handler.filters:
            handler.addFilter(_OnlyForeign(REDACTION))


class _OnlyForeign(logging.Filter):
    """Redacts what child loggers of apprise and urllib3 hand up."""

    def __init__(self, redaction: Redaction) -> None:
        super().__init__()
        self._redaction = redaction

    def filter(self, record: logging.LogRecord) -> bool:
        if record.name.split(".")[0] in ("apprise", "urllib3", "requests"):
            self._redaction.filter(record)
        return True


class Sender:
    """One address that takes messages.

    Raises:
        PushError: apprise does not know such an address; the address is not shown.
    """

    def __init__(self, name: str, address: str) -> None:
        guard_logs()
        REDACTION.learn(address)
        self.name = name
        self._apprise = apprise.Apprise()
        bounds = "" if re.search(r"[?&][rc]to=", address) else ("&" if "?" in address else "?") + "rto=10&cto=5"
        if not self._apprise.add(address + bounds):
            raise PushError(f"push route {name!r}: its address is not one that apprise understands (address not shown)")
        if len(self._apprise) != 1:
            raise PushError(
                f"push route {name!r}: holds more than one address; give each a [[push.route]] of its own, so that each is "
                "tried until it took the message (addresses not shown)"
            )

    def send(self, message: Message) -> None:
        """Hand over one message.

        Raises:
            PushError: it was not accepted.
        """
        try:
            result = self._apprise.notify(
                title=message.title,
                body=message.body,
                notify_type=_TYPES[message.priority],
                body_format=apprise.NotifyFormat.TEXT,
            )
        except Exception as error:  # noqa: BLE001  a plugin may raise anything; the message must stay in the outbox
            raise PushError(f"push route {self.name!r}: {type(error).__name__}") from None
        if not bool(result):
            status = getattr(result, "status", "")
            raise PushError(f"push route {self.name!r}: not accepted (status {getattr(status, 'name', status)})")


def address_of(route: RouteSettings, config: Config) -> str:
    """The secret address of a route.

    Raises:
        PushError: its file cannot be read or is empty, or its variable is not set.
    """
    return secret_address(f"push route {route.name!r}", route.url_file, route.url_env, config)


def secret_address(
    whose: str, url_file: str, url_env: str, config: Config, environment: Mapping[str, str] = os.environ
) -> str:
    """An address out of a file or an environment variable.

    Raises:
        PushError: the file cannot be read or is empty, or the variable is not set.
    """
    if url_env:
        address = environment.get(url_env, "").strip()
        where = f"environment variable {url_env}"
    else:
        where = f"file {url_file}"
        try:
            address = Path(config.path(url_file)).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise PushError(f"{whose}: {where} cannot be read ({error.strerror})") from error
    if not address:
        raise PushError(f"{whose}: {where} is empty; it must hold the address")
    return address


@dataclass(slots=True)
class _Try:
    """One sending under way. ``outcome``: empty until it ends, then what went wrong, or None."""

    due: Due
    outcome: list[str | None]


class RouteWorker:
    """Works off one route's deliveries in a thread of its own.

    A route that failed rests before its next try, a minute at most: a server that asks for patience gets it. A sending that
    hangs is left behind; what it brings in the end counts. While several hang, the route is tried every quarter of an hour.
    """

    def __init__(
        self, sender: Sender, database: Path, clock: Clock, *, deadline_s: float = DEADLINE_S, poll_s: float = POLL_S
    ) -> None:
        self._sender, self._database, self._clock = sender, database, clock
        self._deadline_s, self._poll_s = deadline_s, poll_s
        self._stop = threading.Event()
        self._hanging: list[_Try] = []
        self._failures, self._rests_until_s = 0, 0.0
        self._thread = threading.Thread(target=self._run, name=f"push {sender.name}", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self, within_s: float = 5.0) -> None:
        """End; what was not accepted stays in the outbox."""
        self._stop.set()
        self._thread.join(within_s)

    def _run(self) -> None:
        """Whatever fails is told and begun again: a thread that ended would keep every alarm from this route."""
        while not self._stop.is_set():
            try:
                with closing(open_db(self._database)) as connection:
                    self._work_off(Deliveries(connection))
            except NestclimateError as error:
                log.warning("push route %r: %s", self._sender.name, REDACTION.clean(str(error)))
            except Exception as error:  # noqa: BLE001 - without its trace, which may hold the address
                fault = REDACTION.clean(f"{type(error).__name__}: {error}")
                log.error("push route %r: %s", self._sender.name, fault)  # noqa: TRY400
            self._stop.wait(self._poll_s)

    def _work_off(self, deliveries: Deliveries) -> None:
        while not self._stop.is_set():
            if not self.work(deliveries):
                self._stop.wait(self._poll_s)

    def work(self, deliveries: Deliveries) -> bool:
        """Try the oldest message that is due; whether one was taken, or another may be tried at once."""
        self._note_late(deliveries)
        now_s = self._clock.monotonic()
        due = deliveries.next_due(self._sender.name, self._now_ms())
        if due is None or now_s < self._rests_until_s:
            return False
        error = self._try(due)
        if error is None:
            deliveries.accepted(due, self._now_ms())
            self._failures = 0
            return True
        hangs = any(each.due is due for each in self._hanging)
        deliveries.refused(due, self._now_ms(), error, least_wait_ms=LATE_MS if hangs else 0)
        log.warning("%s; message %s will be tried again", error, due.message.id)
        self._rest()
        return False

    def _rest(self) -> None:
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** min(self._failures, 10))
        pause_s = HANGING_PAUSE_S if len(self._hanging) >= MOST_HANGING else pause_s
        self._failures += 1
        self._rests_until_s = self._clock.monotonic() + pause_s

    def _note_late(self, deliveries: Deliveries) -> None:
        """Sendings that hung and have ended: a message that was taken after all is not sent again."""
        for late in [each for each in self._hanging if each.outcome]:
            self._hanging.remove(late)
            if late.outcome[0] is None:
                deliveries.accepted(late.due, self._now_ms())
                self._failures, self._rests_until_s = 0, 0.0

    def _now_ms(self) -> int:
        return to_ms(self._clock.now())

    def _try(self, due: Due) -> str | None:
        """Send within the deadline; what went wrong, or None. One that hangs is left behind and may still arrive."""
        outcome: list[str | None] = []

        def send() -> None:
            try:
                self._sender.send(due.message)
                outcome.append(None)
            except PushError as error:
                outcome.append(REDACTION.clean(str(error)))

        thread = threading.Thread(target=send, name=f"push {self._sender.name} send", daemon=True)
        thread.start()
        thread.join(self._deadline_s)
        if not outcome:
            self._hanging.append(_Try(due, outcome))
            return f"push route {self._sender.name!r}: no answer within {self._deadline_s:g} s"
        return outcome[0]


class Push:
    """All routes of a room. A route whose address is wrong is refused at the start, with all others that are.

    Raises:
        PushError: one line a route that cannot work.
    """

    def __init__(
        self, config: Config, database: Path, clock: Clock, *, make: Callable[[str, str], Sender] = Sender
    ) -> None:
        problems: list[str] = []
        self.senders: list[Sender] = []
        for route in config.push.route if config.push else ():
            try:
                self.senders.append(make(route.name, address_of(route, config)))
            except PushError as error:
                problems += error.problems
        if problems:
            raise PushError(*problems)
        self._workers = [RouteWorker(sender, database, clock) for sender in self.senders]

    def start(self) -> None:
        """Begin to work off the outbox."""
        for worker in self._workers:
            worker.start()

    def stop(self) -> None:
        """End all routes."""
        for worker in self._workers:
            worker.stop()
