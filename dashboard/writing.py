"""The only door for writes, beside ``data.py``: what the keeper enters goes through it to sensord, with the name of who did.

Every method may raise NestclimateError; InputError and its kin say what is wrong with what was given.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import tzinfo

from sensord.access.users import Visit
from sensord.alarms.aside import Taken
from sensord.alarms.subjects import checked_subject, known_subjects
from sensord.clock import to_ms
from sensord.errors import NotThereError
from sensord.keeping.journal import make_entry
from sensord.model import Entry
from sensord.wiring import Room


class Writing:
    """Writes from any thread: each has a Room, and so a connection, of its own.

    Args:
        room: the configured room; used for its settings and clock only.
        changed: called after every write, so that what is shown is read anew.
    """

    def __init__(self, room: Room, changed: Callable[[], None] = lambda: None) -> None:
        self._config, self.clock, self.changed = room.config, room.clock, changed
        self._own = threading.local()

    def room(self) -> Room:
        """This thread's own."""
        if not hasattr(self._own, "room"):
            self._own.room = Room(self._config, self.clock)
        room: Room = self._own.room
        return room

    def now_ms(self) -> int:
        """The present instant."""
        return to_ms(self.clock.now())

    def anybody(self) -> bool:
        """Whether there is anybody who could sign in."""
        return self.room().users.any()

    def sign_in(self, name: str, password: str) -> str | None:
        """The token of a new session; None where name and password do not go together."""
        return self.room().users.sign_in(name, password, self.now_ms())

    def visit(self, token: str) -> Visit | None:
        """Whose session it is."""
        return self.room().users.visit(token, self.now_ms())

    def sign_out(self, token: str) -> None:
        """End a session."""
        self.room().users.sign_out(token)

    def add_entry(
        self, by: str, nest: str, kind: str, amount: float | None, at_ms: int, note: str = ""
    ) -> tuple[int, str]:
        """A journal entry: its number, and what was written, in words."""
        entry = make_entry(at_ms, nest, kind, amount, note=note, by=by)
        registry = self.room().registry
        if not registry.history(entry.nest):
            raise NotThereError(f"nest {entry.nest}: there is no nest of that name")
        registry.add_entries([entry])
        id_ = registry.entry_id(entry)
        assert id_ is not None
        self.changed()
        return id_, entry_words(entry)

    def withdraw(self, by: str, id_: int) -> str:
        """Take an entry back; what it was, in words."""
        entry = self.room().registry.withdraw_entry(id_, by, self.now_ms())
        self.changed()
        return entry_words(entry)

    def put_back(self, by: str, id_: int) -> str:
        """Undo a withdrawal; what stands in the journal again, in words."""
        entry = self.room().registry.put_back_entry(id_, by, self.now_ms())
        self.changed()
        return entry_words(entry)

    def acknowledge(self, by: str, ids: Sequence[str]) -> str:
        """Somebody saw these alarms; the state of the last one now. None of them where one is not there."""
        log, state = self.room().alarm_log, ""
        for id_ in ids:
            self._known(id_)
        for id_ in ids:
            state = str(log.acknowledge(id_, self.now_ms(), by).state)
        self.changed()
        return state

    def shelve(self, by: str, id_: str, for_ms: int, because: str) -> str:
        """Set the alarm aside for a while; its state now."""
        now_ms = self.now_ms()
        alarm = self.room().alarm_log.shelve(self._known(id_), now_ms + for_ms, because, by, now_ms)
        self.changed()
        return str(alarm.state)

    def bring_back(self, by: str, id_: str) -> str:
        """End the shelving early; its state now."""
        alarm = self.room().alarm_log.bring_back(self._known(id_), self.now_ms(), by)
        self.changed()
        return str(alarm.state)

    def take_out_of_service(self, by: str, subject: str, for_ms: int, because: str) -> None:
        """A nest, a probe or a hub is worked on for a while."""
        room, now_ms = self.room(), self.now_ms()
        checked_subject(subject, known_subjects(room.registry, [hub.name for hub in self._config.hubs]))
        room.alarm_log.take_out_of_service(Taken(subject, now_ms, now_ms + for_ms, because, by))
        self.changed()

    def bring_back_into_service(self, subject: str) -> None:
        """The work is done."""
        self.room().alarm_log.bring_back_into_service(subject, self.now_ms())
        self.changed()

    def check_probe(self, by: str, probe: str, at_ms: int, note: str) -> int:
        """A probe was held against something trusted, and was right; the number of that check."""
        room = self.room()
        if not room.registry.placements(probe=probe) and room.store.span(probe) is None:
            raise NotThereError(f"probe {probe[:80]}: nobody ever heard of it")
        found = room.hand_checks.add(probe, at_ms, note, by)
        self.changed()
        return found.id

    def withdraw_check(self, by: str, id_: int) -> None:
        """It was not."""
        self.room().hand_checks.withdraw(id_, by, self.now_ms())
        self.changed()

    def zone(self) -> tzinfo:
        """Of the room."""
        return self._config.zone

    def _known(self, id_: str) -> str:
        """The id, if it is one in full: a page never means an alarm by the beginning of its id."""
        if self.room().alarm_log.get(id_).id != id_:
            raise NotThereError(f"alarm {id_[:60]!r}: there is no such alarm")
        return id_


def entry_words(entry: Entry) -> str:
    """``A-01: top up 4 mL``."""
    amount = "" if entry.amount is None else f" {entry.amount:g} {entry.unit}".rstrip()
    return f"{entry.nest}: {entry.kind.replace('_', ' ')}{amount}"
