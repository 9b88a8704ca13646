"""The store with a server: SQLite is the record, and a copy of all of it goes on to the server.

Readings are durable, and receipts given, when station.db has them; reads are answered from there. So a server that is
down, slow, full, or forgets its last seconds costs no reading: upkeep sends what waits, and a stretch waits until the server
has given it back, reading for reading, a while after it was sent.
"""

from __future__ import annotations

import logging
import math
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sensord.clock import Clock, iso
from sensord.model import Reading
from sensord.store.backlog import Backlog, Stretch
from sensord.store.base import Columns, Hours, ReadingStore, Row, Written
from sensord.store.server import Server, ServerError

SETTLE_S = 45.0  # VictoriaMetrics has it on disk after about ten seconds; less than from one upkeep to the next
MOST_STRETCHES, MOST_READINGS = 500, 100_000  # in one turn, since the recorder waits meanwhile

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Sent:
    """When, on the monotonic clock, and how many."""

    at_s: float
    readings: int


class MirroredStore:
    """Obeys the port in store/base.py.

    Args:
        record: the embedded store. connection: to the same file. server: where the copy goes.
    """

    def __init__(self, record: ReadingStore, connection: sqlite3.Connection, server: Server, clock: Clock) -> None:
        self._record, self._server, self._clock = record, server, clock
        self._connection: sqlite3.Connection | None = connection
        self._backlog = Backlog(connection)
        self._sent: dict[Stretch, _Sent] = {}
        self._begun = False
        self._trouble = ""

    def write(self, readings: Sequence[Reading]) -> Written:
        """Store readings in the record and note that the server lacks them. Durable in the record on return."""
        return self.write_rows([(r.probe, r.at_ms, r.temp_c, r.rh_pct) for r in readings])

    def write_rows(self, rows: Sequence[Row]) -> Written:
        """The same from plain tuples."""
        if rows:
            self._backlog.mark(rows)
        return self._record.write_rows(rows)

    def latest(self) -> dict[str, Reading]:
        """The newest reading of every probe."""
        return self._record.latest()

    def probes(self) -> list[str]:
        """Every probe that ever had a reading, sorted."""
        return self._record.probes()

    def span(self, probe: str) -> tuple[int, int] | None:
        """First and last ``at_ms`` of a probe, or None."""
        return self._record.span(probe)

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``."""
        return self._record.raw(probe, from_ms, until_ms)

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        """The roll-up of every hour that starts in ``from_ms <= start < until_ms``."""
        return self._record.hours(probe, from_ms, until_ms)

    def steps(self, probe: str, from_ms: int, until_ms: int, step_h: int) -> Hours:
        """The roll-up of every ``step_h`` hours."""
        return self._record.steps(probe, from_ms, until_ms, step_h)

    def stream(self, from_ms: int, until_ms: int) -> Iterator[list[Reading]]:
        """All probes' readings in order of time (then probe), in batches."""
        return self._record.stream(from_ms, until_ms)

    def count(self) -> int:
        """How many readings there are in the record."""
        return self._record.count()

    def maintain(self, now_ms: int) -> None:
        """Upkeep of the record, then one turn of sending. A server in trouble is told in the log, never raised."""
        self._record.maintain(now_ms)
        if not self._begun:
            spans = {probe: span for probe in self._record.probes() if (span := self._record.span(probe))}
            self._backlog.aim_at(self._server.name, spans)
            self._begun = True
        try:
            self._look_back()
            self._send()
        except ServerError as error:
            self._tell(f"{error}; readings are safe in station.db and go there later")
        else:
            self._tell("")

    def waiting(self) -> tuple[int, int]:
        """How many stretches the server has not yet shown to hold, and how many of them were given up until restart."""
        return self._backlog.counts()

    def close(self) -> None:
        """Release what is held; may be called twice."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        self._record.close()
        self._server.close()

    def _look_back(self) -> None:
        """Compare what was sent a while ago with what the server gives back."""
        now_s = self._clock.monotonic()
        for stretch, sent in [each for each in self._sent.items() if now_s - each[1].at_s >= SETTLE_S]:
            ours = self._columns(stretch)
            theirs = self._server.raw(stretch.probe, stretch.from_ms, stretch.until_ms)
            held = agreeing(ours, theirs)
            del self._sent[stretch]
            if held == len(ours):
                self._backlog.done([stretch])
            elif sent.readings == len(ours):  # else more came in between: it is sent again, and nobody is at fault
                _log.warning(
                    "%s: gave back %d of %d readings of probe %s from %s; they are sent again: is it set up to keep them?",
                    *(self._server.name, held, len(ours), stretch.probe, iso(stretch.from_ms)),
                )
                self._backlog.failed([stretch])

    def _send(self) -> None:
        """Send what waits, as much as fits into one turn."""
        self._backlog.close_lot()
        left = MOST_READINGS
        for stretch in self._backlog.closed(MOST_STRETCHES):
            if stretch not in self._sent and left > 0:
                columns = self._columns(stretch)
                left -= len(columns)
                self._send_one(stretch, columns)

    def _send_one(self, stretch: Stretch, columns: Columns) -> None:
        if not columns:
            self._backlog.done([stretch])
            return
        try:
            self._server.send(stretch.probe, columns)
        except ServerError as error:
            if not error.refused:
                raise
            _log.warning("probe %s from %s: %s", stretch.probe, iso(stretch.from_ms), error)
            self._backlog.failed([stretch])
        else:
            self._sent[stretch] = _Sent(self._clock.monotonic(), len(columns))

    def _columns(self, stretch: Stretch) -> Columns:
        return self._record.raw(stretch.probe, max(stretch.from_ms, self._server.earliest_ms), stretch.until_ms)

    def _tell(self, trouble: str) -> None:
        """Log a change for the worse or the better, once."""
        if trouble and not self._trouble:
            _log.warning("%s", trouble)
        elif self._trouble and not trouble:
            _log.info("store %s: answers again", self._server.name)
        self._trouble = trouble


def agreeing(ours: Columns, theirs: Columns) -> int:
    """How many of our readings are among theirs with the same values, to a millionth."""
    known = {at_ms: (temp_c, rh_pct) for at_ms, temp_c, rh_pct in _rows(theirs)}
    nothing = (math.inf, math.inf)
    return sum(all(map(_equal, row[1:], known.get(row[0], nothing))) for row in _rows(ours))


def _rows(columns: Columns) -> Iterator[tuple[int, float, float]]:
    return zip(columns.at_ms, columns.temp_c, columns.rh_pct, strict=True)


def _equal(ours: float, theirs: float) -> bool:
    return (math.isnan(ours) and math.isnan(theirs)) or abs(ours - theirs) < 1e-6
