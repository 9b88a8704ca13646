"""The port of the MQTT link. One contract suite (tests/link/) runs over the real one and the one in memory.

The handlers run on a thread of the link: they must be quick and never wait. An exception in one is logged and goes no
further.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol


@dataclass(frozen=True, slots=True)
class Message:
    """Something received. ``retained`` is no sign of age: some brokers set it on a backlog too.

    Attributes:
        token: what ``ack`` needs; of no other use.
    """

    topic: str
    payload: bytes
    retained: bool = False
    token: Any = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Subscriber:
    """What a link listens for, and whom it tells.

    Attributes:
        filters: topic filters; they must not overlap (some brokers deliver once a filter).
        on_message: told every message. on_up: told each time the broker let us in, whether it had kept our session.
        by_hand: a message counts as received only when ``ack`` is called, else as soon as ``on_message`` returned.
        keep_session: the broker keeps messages for us while we are away.
    """

    filters: tuple[str, ...] = ()
    on_message: Callable[[Message], None] = lambda _message: None
    on_up: Callable[[bool], None] = lambda _kept: None
    by_hand: bool = False
    keep_session: bool = False


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes for us, retained, when we vanish."""

    topic: str
    payload: bytes


class Link(Protocol):
    """A connection to the broker that comes back by itself. All is QoS 1."""

    @property
    def connected(self) -> bool:
        """Whether the broker let us in and has not been seen to vanish. Never judge the age of data by it."""

    @property
    def problem(self) -> str:
        """What keeps us from the broker, one line; empty while connected or not yet tried."""

    def start(self) -> None:
        """Begin to connect, in the background; the broker need not be there yet."""

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> bool:
        """Hand over a message; False, and nothing is done, while not connected.

        True means on its way, not arrived: what must not be lost needs a receipt of the final receiver.
        """

    def ack(self, message: Message) -> None:
        """The message is safe with us (``by_hand`` only). One of an earlier connection is passed over."""

    def close(self, within_s: float = 5.0) -> None:
        """Wait, at most that long, until the broker has taken all, then leave cleanly (no will). May be called twice."""
