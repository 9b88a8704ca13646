"""A broker in memory and links to it, obeying the port of base.py: for tests and for trying things out.

Handlers run on the thread of whoever publishes. The broker can be stopped, made to forget, and told to drop messages.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field

from sensord.link.base import Message, Subscriber, Will

_log = logging.getLogger(__name__)


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic passes a filter (MQTT 3.1.1 section 4.7.1)."""
    wanted, levels = topic_filter.split("/"), topic.split("/")
    for number, level in enumerate(wanted):
        if level == "#":
            return True
        if number >= len(levels) or level not in ("+", levels[number]):
            return False
    return len(wanted) == len(levels)


@dataclass(slots=True)
class _Session:
    filters: tuple[str, ...] = ()
    queue: list[Message] = field(default_factory=list)
    link: MemoryLink | None = None


class MemoryBroker:
    """Delivers at least once, keeps retained messages and sessions, sends wills.

    Attributes:
        up: whether links may connect. links: those that were started and not closed. lose: told each message on its way to a session; True drops it.
    """

    def __init__(self) -> None:
        self.up = True
        self.lose: Callable[[Message], bool] = lambda _message: False
        self.retained: dict[str, bytes] = {}
        self.published: list[Message] = []
        self.links: list[MemoryLink] = []
        self._sessions: dict[str, _Session] = {}

    def stop(self) -> None:
        """Go away, as when killed: every link is cut, the wills are lost with it."""
        self.up = False
        for session in self._sessions.values():
            session.link = None
        for link in self.links:
            link.cut()

    def restart(self, *, forget: bool = False) -> None:
        """Come back, with or without what was kept; links started before connect again."""
        if forget:
            self._sessions.clear()
            self.retained.clear()
        self.up = True
        for link in list(self.links):
            link.start()

    def vanish(self, client_id: str) -> None:
        """The client dies without a word: its will is published."""
        session = self._sessions[client_id]
        link, session.link = session.link, None
        if link:
            link.cut()
            self.links.remove(link)
            if link.will:
                self.take(Message(link.will.topic, link.will.payload, retained=True))

    def enter(self, link: MemoryLink) -> tuple[bool, list[Message]]:
        """A link connects: whether its session was kept, and what waits for it."""
        kept = link.subscriber.keep_session and link.client_id in self._sessions
        session = self._sessions[link.client_id] if kept else _Session()
        session.link, session.filters = link, link.subscriber.filters
        self._sessions[link.client_id] = session
        retained = [
            Message(topic, payload, retained=True)
            for topic, payload in self.retained.items()
            if any(matches(each, topic) for each in session.filters)
        ]
        session.queue += retained
        return kept, list(session.queue)

    def leave(self, link: MemoryLink) -> None:
        """A link disconnects cleanly: no will."""
        session = self._sessions.get(link.client_id)
        if session and session.link is link:
            session.link = None
            if not link.subscriber.keep_session:
                del self._sessions[link.client_id]

    def take(self, message: Message) -> None:
        """A published message goes to every session whose filters it passes."""
        self.published.append(message)
        if message.retained:
            self.retained[message.topic] = message.payload
        for session in list(self._sessions.values()):
            wanted = any(matches(each, message.topic) for each in session.filters)
            if wanted and not self.lose(message):
                copy = Message(message.topic, message.payload, retained=False)
                session.queue.append(copy)
                if session.link:
                    session.link.deliver(copy)

    def done(self, client_id: str, message: Message) -> None:
        """The client has the message: it is not sent again."""
        session = self._sessions.get(client_id)
        if session:
            session.queue = [each for each in session.queue if each is not message]


class MemoryLink:
    """A link to a MemoryBroker."""

    def __init__(
        self, broker: MemoryBroker, client_id: str, subscriber: Subscriber | None = None, will: Will | None = None
    ) -> None:
        self._broker, self.client_id, self.will = broker, client_id, will
        self.subscriber = subscriber or Subscriber()
        self._connected = False

    @property
    def connected(self) -> bool:
        """Whether the broker let us in."""
        return self._connected

    @property
    def problem(self) -> str:
        """What keeps us from the broker."""
        return "" if self._connected else "the broker is down"

    def start(self) -> None:
        """Connect, now or when the broker comes back."""
        if self not in self._broker.links:
            self._broker.links.append(self)
        if self._connected or not self._broker.up:
            return
        kept, waiting = self._broker.enter(self)
        self._connected = True
        self._guarded(lambda: self.subscriber.on_up(kept))
        for message in waiting:
            self.deliver(message)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> bool:
        """Hand over a message; False while not connected."""
        if self._connected:
            self._broker.take(Message(topic, payload, retained=retain))
        return self._connected

    def ack(self, message: Message) -> None:
        """The message is safe with us."""
        if self._connected and self.subscriber.by_hand:
            self._broker.done(self.client_id, message)

    def close(self, within_s: float = 5.0) -> None:
        """Leave cleanly."""
        del within_s
        if self in self._broker.links:
            self._broker.links.remove(self)
        if self._connected:
            self._broker.leave(self)
        self._connected = False

    def cut(self) -> None:
        """The connection is gone."""
        self._connected = False

    def deliver(self, message: Message) -> None:
        """A message arrives."""
        self._guarded(lambda: self.subscriber.on_message(message))
        if not self.subscriber.by_hand:
            self._broker.done(self.client_id, message)

    def _guarded(self, handler: Callable[[], None]) -> None:
        try:
            handler()
        except Exception:  # noqa: BLE001 - whatever a handler does wrong, the link lives on
            _log.exception("a handler of %s failed", self.client_id)
