"""Messages between the link's thread and the writer: bounded in number and in bytes, so that a flood waits outside."""

from __future__ import annotations

import threading
from collections import deque

from sensord.link.base import Message

MOST_MESSAGES = 5_000
MOST_BYTES = 32_000_000


class Inbox:
    """A queue that makes the giver wait while it is full, and hands over all there is."""

    def __init__(self, most_messages: int = MOST_MESSAGES, most_bytes: int = MOST_BYTES) -> None:
        self._most_messages, self._most_bytes = most_messages, most_bytes
        self._messages: deque[Message] = deque()
        self._bytes = 0
        self._closed = False
        self._changed = threading.Condition()

    def put(self, message: Message) -> None:
        """Add one; waits while the inbox is full. After ``close`` it is dropped, unacknowledged."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._room())
            if not self._closed:
                self._messages.append(message)
                self._bytes += len(message.payload)
                self._changed.notify_all()

    def take(self, wait_s: float, most: int, most_bytes: int) -> list[Message]:
        """What is there, at least one message, at most so many; nothing if none came within ``wait_s``."""
        taken: list[Message] = []
        size = 0
        with self._changed:
            self._changed.wait_for(lambda: self._closed or self._messages, wait_s)
            while self._messages and len(taken) < most and size < most_bytes:
                taken.append(self._messages.popleft())
                size += len(taken[-1].payload)
            self._bytes -= size
            self._changed.notify_all()
        return taken

    def close(self) -> None:
        """Let nobody wait any more."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def _room(self) -> bool:
        return not self._messages or (len(self._messages) < self._most_messages and self._bytes < self._most_bytes)
