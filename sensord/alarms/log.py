"""The alarm log in station.db: every alarm, every transition. What was told of them stands in deliveries.py.

All writes are idempotent: raising an alarm that is there, or ending one that has ended, changes nothing. Several
processes write (watch, the dashboard, the command line); each opens a log on a connection of its own.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace
from typing import Any

from sensord.alarms import lifecycle
from sensord.alarms.aside import Causes, Taken, aside_of, subjects_of
from sensord.alarms.conditions import Event, Raised, Worse
from sensord.alarms.lifecycle import ASIDE, Alarm, AlarmState
from sensord.alarms.service import Service
from sensord.alarms.standing import Standing
from sensord.clock import MINUTE_MS, iso
from sensord.db import migrate, transaction
from sensord.errors import NotThereError
from sensord.model import AlarmKind, Place, Priority

_BY_CAUSE = (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
_COLUMNS = tuple(field.name for field in fields(Alarm))
_STEPS = (
    """CREATE TABLE alarms (
        id TEXT PRIMARY KEY, nest TEXT, probe TEXT, place TEXT, room TEXT NOT NULL, rack TEXT NOT NULL,
        species TEXT NOT NULL, kind TEXT NOT NULL, priority TEXT NOT NULL, raised_ms INTEGER NOT NULL,
        worst REAL NOT NULL, "limit" REAL NOT NULL, returned_ms INTEGER, acknowledged_ms INTEGER,
        acknowledged_by TEXT NOT NULL, aside TEXT, aside_until_ms INTEGER, aside_because TEXT NOT NULL,
        aside_by TEXT NOT NULL
    );
    CREATE INDEX alarms_raised ON alarms (raised_ms);
    CREATE INDEX alarms_standing ON alarms (returned_ms) WHERE returned_ms IS NULL;
    CREATE TABLE transitions (
        number INTEGER PRIMARY KEY, alarm TEXT NOT NULL REFERENCES alarms (id), at_ms INTEGER NOT NULL,
        what TEXT NOT NULL, state TEXT NOT NULL, by TEXT NOT NULL, because TEXT NOT NULL
    );
    CREATE INDEX transitions_alarm ON transitions (alarm);
    CREATE TABLE evaluations (probe TEXT PRIMARY KEY, saved TEXT NOT NULL) WITHOUT ROWID""",
    "ALTER TABLE alarms ADD COLUMN detail TEXT NOT NULL DEFAULT ''",
    """ALTER TABLE alarms ADD COLUMN hub TEXT NOT NULL DEFAULT '';
    CREATE INDEX alarms_hub ON alarms (hub) WHERE hub != '';
    CREATE INDEX alarms_aside ON alarms (aside) WHERE aside IS NOT NULL;
    CREATE INDEX alarms_point ON alarms (kind, probe, nest)""",
)
HUB_BACK_MS = 15 * MINUTE_MS
"""A hub that has come back has so long to bring its probes back: who is silent after that is silent by itself."""


@dataclass(frozen=True, slots=True)
class Transition:
    """One step in the life of an alarm. ``what``: raised, worse, returned, acknowledged, shelved, suppressed, ..."""

    alarm: str
    at_ms: int
    what: str
    state: AlarmState
    by: str
    because: str


@dataclass(frozen=True, slots=True)
class News:
    """What the keeper should hear of: an alarm that was ``raised``, got ``worse``, has ``returned``, or ``still`` stands
    when it is no longer set aside."""

    what: str
    alarm: Alarm


class AlarmLog:
    """The alarms of one station."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "alarms", _STEPS)
        self._service = Service(connection)

    def active(self) -> list[Alarm]:
        """Every alarm that is not back to normal: standing ones, returned ones nobody acknowledged, shelved ones."""
        return self._read("returned_ms IS NULL OR acknowledged_ms IS NULL OR aside IS NOT NULL ORDER BY raised_ms, id")

    def standing(self) -> list[Alarm]:
        """Every alarm whose cause still holds, set aside or not."""
        return self._read("returned_ms IS NULL ORDER BY raised_ms, id")

    def since(self, from_ms: int, until_ms: int = 1 << 62) -> list[Alarm]:
        """Every alarm raised in ``from_ms <= raised < until_ms``, oldest first."""
        return self._read("raised_ms >= ? AND raised_ms < ? ORDER BY raised_ms, id", from_ms, until_ms)

    def get(self, id_: str) -> Alarm:
        """The alarm of that id, or of the only one that begins so.

        Raises:
            NotThereError: there is none, or more than one.
        """
        found = self._read(
            "id LIKE ? ESCAPE '\\' ORDER BY id LIMIT 2", id_.replace("%", "\\%").replace("_", "\\_") + "%"
        )
        exact = [alarm for alarm in found if alarm.id == id_]
        if exact:
            return exact[0]
        if len(found) != 1 or not id_:
            problem = "there is no such alarm" if not found or not id_ else "more than one alarm begins so"
            raise NotThereError(f"alarm {id_[:60]!r}: {problem}; 'nestclimate alarms' lists them")
        return found[0]

    def transitions(self, id_: str) -> list[Transition]:
        """Every step in the life of an alarm, in order."""
        rows = self._connection.execute(
            "SELECT alarm, at_ms, what, state, by, because FROM transitions WHERE alarm = ? ORDER BY number", (id_,)
        ).fetchall()
        return [Transition(row[0], row[1], row[2], AlarmState(row[3]), row[4], row[5]) for row in rows]

    def acknowledge(self, id_: str, at_ms: int, by: str) -> Alarm:
        """Somebody saw it. Acknowledging twice changes nothing.

        Raises:
            NotThereError: there is no such alarm.
        """
        return self._change(id_, "acknowledged", at_ms, by, "", lambda alarm: lifecycle.acknowledge(alarm, at_ms, by))

    def shelve(self, id_: str, until_ms: int, because: str, by: str, at_ms: int) -> Alarm:
        """Set it aside until an instant; the same alarm raised anew before then is born shelved.

        Raises:
            InputError: no such alarm, no reason, or an end that is not ahead.
        """
        return self._change(
            id_, "shelved", at_ms, by, because, lambda alarm: lifecycle.shelve(alarm, at_ms, until_ms, because, by)
        )

    def bring_back(self, id_: str, at_ms: int, by: str) -> Alarm:
        """End its shelving before its time.

        Raises:
            InputError: there is no such alarm, or it is out of service or suppressed.
        """
        return self._change(id_, "brought_back", at_ms, by, "", lifecycle.unshelve)

    def out_of_service(self, at_ms: int) -> list[Taken]:
        """What is out of service at an instant."""
        return list(self._service.taken(at_ms).values())

    def take_out_of_service(self, taken: Taken) -> list[Alarm]:
        """Take a nest, a probe or a hub out of service; its standing alarms, which are now set aside.

        Raises:
            InputError: no reason, or an end that is not ahead.
        """
        with transaction(self._connection):
            self._service.take(taken)
            self.settle(taken.since_ms, release=False)
        return [alarm for alarm in self.standing() if taken.subject in subjects_of(alarm)]

    def bring_back_into_service(self, subject: str, at_ms: int) -> None:
        """Back in service; the watch then tells what still stands.

        Raises:
            InputError: it is not out of service.
        """
        with transaction(self._connection):
            self._service.bring_back(subject, at_ms)

    def settle(self, at_ms: int, *, release: bool = True) -> list[News]:
        """Set aside what has come to be out of service or suppressed, and bring back what no longer is: what then still
        stands unacknowledged is news. Caller's transaction."""
        causes, news = self._causes(at_ms), []
        for alarm in self._read("returned_ms IS NULL OR aside IN (?, ?)", *_BY_CAUSE):
            if alarm.aside == AlarmState.SHELVED:
                continue
            aside = aside_of(alarm, causes)
            if aside is None and alarm.aside is not None and release:
                after = lifecycle.release(alarm, at_ms)
                self._write(after, "brought_back", at_ms)
                news += [News("still", after)] if after.state == AlarmState.UNACKNOWLEDGED else []
            elif aside is not None and aside.state != alarm.aside and alarm.stands:
                after = lifecycle.set_aside(alarm, aside.state, aside.because, aside.by)
                self._write(after, str(aside.state), at_ms, aside.by, aside.because)
        return news

    def _causes(self, at_ms: int) -> Causes:
        hubs = self._connection.execute(
            "SELECT DISTINCT hub FROM alarms WHERE hub != '' AND (returned_ms IS NULL OR returned_ms > ?)",
            (at_ms - HUB_BACK_MS,),
        ).fetchall()
        faulty = self._connection.execute(
            "SELECT DISTINCT probe FROM alarms WHERE kind = ? AND returned_ms IS NULL", (AlarmKind.FAULTY,)
        ).fetchall()
        return Causes(self._service.taken(at_ms), {row[0] for row in hubs}, {row[0] for row in faulty})

    def take(self, event: Event, standing: Standing | None) -> News | None:
        """Enter what the rules found, inside the caller's transaction; what is news of it to the keeper."""
        if isinstance(event, Raised):
            return self._raise(event, standing)
        alarm = self._at_point(lifecycle.point(event.nest, event.probe, event.kind, event.hub))
        if alarm is None:
            return None
        if isinstance(event, Worse):
            after = lifecycle.grow_worse(alarm, event.priority, event.value)
            return self._enter(alarm, after, "worse", event.at_ms)
        after = lifecycle.back_to_normal(alarm, event.at_ms, event.value)
        return self._enter(alarm, after, "returned", event.at_ms)

    def note_worst(self, worst: Iterable[tuple[tuple[str, AlarmKind], float]]) -> None:
        """Keep the worst value of standing alarms up to date, inside the caller's transaction."""
        by_point = dict(worst)
        for alarm in self.standing():
            value = by_point.get(alarm.point)
            if value is not None and value != alarm.worst:
                self._connection.execute("UPDATE alarms SET worst = ? WHERE id = ?", (value, alarm.id))

    def end_shelves(self, at_ms: int) -> list[News]:
        """Bring back what was shelved until now; those that still stand unacknowledged are news. Caller's transaction."""
        news = []
        for alarm in self._read("aside = ? AND aside_until_ms <= ?", AlarmState.SHELVED, at_ms):
            after = lifecycle.bring_back(alarm)
            self._write(after, "shelf_ended", at_ms)
            if after.state == AlarmState.UNACKNOWLEDGED:
                news.append(News("still", after))
        return news

    def saved_evaluations(self) -> dict[str, str]:
        """What the watch saved of each probe's rules, as JSON text."""
        return dict(self._connection.execute("SELECT probe, saved FROM evaluations").fetchall())

    def save_evaluations(self, saved: dict[str, str]) -> None:
        """Save each probe's rules, inside the caller's transaction."""
        self._connection.executemany("INSERT OR REPLACE INTO evaluations VALUES (?, ?)", saved.items())

    def _raise(self, event: Raised, standing: Standing | None) -> News | None:
        born = born_alarm(event, standing)
        while known := self._read("id = ?", born.id):
            if known[0].stands:
                return None
            event = replace(event, at_ms=event.at_ms + 1)  # a clock that went back brought the same instant again
            born = born_alarm(event, standing)
        before = self._at_point(born.point, standing_only=False)
        if before is not None and before.stands:
            return None
        if before is not None:
            born = self._follow_on(before, born)
        aside = aside_of(born, self._causes(event.at_ms)) if born.aside is None else None
        if aside is not None:
            born = lifecycle.set_aside(born, aside.state, aside.because, aside.by)
        self._write(born, "raised", event.at_ms, born.aside_by, born.aside_because)
        return News("raised", born) if born.aside is None else None

    def _follow_on(self, before: Alarm, born: Alarm) -> Alarm:
        """The same point again: the shelf is inherited while it lasts, the earlier alarm has been superseded."""
        if before.aside == AlarmState.SHELVED and not lifecycle.shelf_ends(before, born.raised_ms):
            born = replace(
                born, aside=before.aside, aside_until_ms=before.aside_until_ms, aside_because=before.aside_because,
                aside_by=before.aside_by,
            )  # fmt: skip
        if before.state != AlarmState.NORMAL:
            after = lifecycle.acknowledge(lifecycle.bring_back(before), born.raised_ms, "raised again")
            self._write(after, "raised_again", born.raised_ms)
        return born

    def _enter(self, before: Alarm, after: Alarm, what: str, at_ms: int) -> News | None:
        if after == before:
            return None
        self._write(after, what, at_ms)
        gained = what != "worse" or after.priority != before.priority
        return News(what, after) if gained and after.aside is None else None

    def _at_point(self, point: tuple[str, AlarmKind], *, standing_only: bool = True) -> Alarm | None:
        subject, kind = point
        what, _, name = subject.partition(" ")
        where = {"hub": "hub = ?", "probe": "probe = ?", "nest": "probe IS NULL AND nest = ?"}[what]
        where += " AND returned_ms IS NULL" if standing_only else ""
        found = self._read(f"{where} AND kind = ? ORDER BY raised_ms DESC LIMIT 1", name, kind)
        return found[0] if found else None

    def _change(self, id_: str, what: str, at_ms: int, by: str, because: str, step: Callable[[Alarm], Alarm]) -> Alarm:
        with transaction(self._connection):
            before = self.get(id_)
            after = step(before)
            if after != before:
                self._write(after, what, at_ms, by, because)
        return after

    def _read(self, where: str, *values: Any) -> list[Alarm]:
        names = ", ".join(f'"{name}"' for name in _COLUMNS)
        rows = self._connection.execute(f"SELECT {names} FROM alarms WHERE {where}", values).fetchall()
        return [_alarm(row) for row in rows]

    def _write(self, alarm: Alarm, what: str, at_ms: int, by: str = "", because: str = "") -> None:
        values = [getattr(alarm, name) for name in _COLUMNS]
        marks = ", ".join("?" for _ in _COLUMNS)
        updates = ", ".join(f'"{name}" = excluded."{name}"' for name in _COLUMNS if name != "id")
        self._connection.execute(
            f"INSERT INTO alarms VALUES ({marks}) ON CONFLICT (id) DO UPDATE SET {updates}",
            [str(value) if isinstance(value, str) else value for value in values],
        )
        self._connection.execute(
            "INSERT INTO transitions (alarm, at_ms, what, state, by, because) VALUES (?, ?, ?, ?, ?, ?)",
            (alarm.id, at_ms, what, str(alarm.state), by, because),
        )


def born_alarm(event: Raised, standing: Standing | None) -> Alarm:
    """The alarm that begins with an event, at the place its probe stands."""
    return Alarm(
        id=lifecycle.alarm_id(event.nest, event.probe, event.kind, event.at_ms, event.hub),
        nest=event.nest,
        probe=event.probe,
        place=standing.place if standing and event.probe else None,
        room=standing.room if standing else "",
        rack=standing.rack if standing else "",
        species=standing.species if standing else "",
        kind=event.kind,
        priority=event.priority,
        raised_ms=event.at_ms,
        worst=event.value,
        limit=event.limit,
        detail=event.detail,
        hub=event.hub,
    )


def document(alarm: Alarm, told: list[dict[str, Any]]) -> dict[str, Any]:
    """An alarm as ``alarms --json`` and ``replay --json`` show it; of a whole hub, the hub's name stands as its probe."""
    return {
        "id": alarm.id,
        "nest": alarm.nest,
        "probe": alarm.probe or alarm.hub or None,
        "place": None if alarm.place is None else str(alarm.place),
        "kind": str(alarm.kind),
        "priority": str(alarm.priority),
        "state": str(alarm.state),
        "raised_at": iso(alarm.raised_ms),
        "returned_at": _iso(alarm.returned_ms),
        "acknowledged_at": _iso(alarm.acknowledged_ms),
        "worst": round(alarm.worst, 3),
        "limit": round(alarm.limit, 3),
        "told": told,
    }


def _iso(at_ms: int | None) -> str | None:
    return None if at_ms is None else iso(at_ms)


def _alarm(row: tuple[Any, ...]) -> Alarm:
    values = dict(zip(_COLUMNS, row, strict=True))
    values["place"] = None if values["place"] is None else Place(values["place"])
    values["kind"], values["priority"] = AlarmKind(values["kind"]), Priority(values["priority"])
    values["aside"] = None if values["aside"] is None else AlarmState(values["aside"])
    assert values["aside"] is None or values["aside"] in ASIDE
    return Alarm(**values)
