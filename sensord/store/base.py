"""The port of every reading store. One contract suite (tests/store/) runs over all adapters.

Readings are raw; calibration is applied on reading back (insight/history.py). Times are integer milliseconds, UTC.
Every method may raise StoreError. An adapter belongs to one thread; open another for another thread.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from sensord.model import Reading


@dataclass(frozen=True, slots=True)
class Written:
    """What a write did: ``stored`` new readings, ``repeated`` ones already there (the first write wins)."""

    stored: int
    repeated: int


@dataclass(slots=True)
class Columns:
    """Readings of one probe, ascending in time. Missing values are NaN. ``numpy.frombuffer`` reads them in place.

    Attributes:
        at_ms: array('q'); temp_c, rh_pct: array('d') of the same length.
    """

    at_ms: array[int] = field(default_factory=lambda: array("q"))
    temp_c: array[float] = field(default_factory=lambda: array("d"))
    rh_pct: array[float] = field(default_factory=lambda: array("d"))

    def __len__(self) -> int:
        return len(self.at_ms)


@dataclass(slots=True)
class Hours:
    """Hourly roll-up of one probe, ascending. An hour without any reading is absent; a quantity without any is NaN.

    Attributes:
        at_ms: start of the hour; n_temp, n_rh: readings that carry the quantity; means, least and greatest in °C and %.
    """

    at_ms: array[int] = field(default_factory=lambda: array("q"))
    n_temp: array[int] = field(default_factory=lambda: array("q"))
    n_rh: array[int] = field(default_factory=lambda: array("q"))
    temp_mean_c: array[float] = field(default_factory=lambda: array("d"))
    temp_min_c: array[float] = field(default_factory=lambda: array("d"))
    temp_max_c: array[float] = field(default_factory=lambda: array("d"))
    rh_mean_pct: array[float] = field(default_factory=lambda: array("d"))
    rh_min_pct: array[float] = field(default_factory=lambda: array("d"))
    rh_max_pct: array[float] = field(default_factory=lambda: array("d"))

    def __len__(self) -> int:
        return len(self.at_ms)


Row = tuple[str, int, float | None, float | None]  # probe, at_ms, temp_c, rh_pct: a Reading in bulk


class ReadingStore(Protocol):
    """Where readings are kept, once each, for good."""

    def write(self, readings: Sequence[Reading]) -> Written:
        """Store readings in any order, late ones too. Durable on return. A known (probe, at_ms) changes nothing."""

    def write_rows(self, rows: Sequence[Row]) -> Written:
        """The same from plain tuples, for bulk."""

    def latest(self) -> dict[str, Reading]:
        """The newest reading of every probe."""

    def probes(self) -> list[str]:
        """Every probe that ever had a reading, sorted."""

    def span(self, probe: str) -> tuple[int, int] | None:
        """First and last ``at_ms`` of a probe, or None."""

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``."""

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        """The roll-up of every hour that starts in ``from_ms <= start < until_ms``; right under late data."""

    def steps(self, probe: str, from_ms: int, until_ms: int, step_h: int) -> Hours:
        """The roll-up of every ``step_h`` hours, counted from 1970, of the hours that ``hours`` would give: for long windows."""

    def stream(self, from_ms: int, until_ms: int) -> Iterator[list[Reading]]:
        """All probes' readings in order of time (then probe), in batches; no transaction stays open between batches."""

    def count(self) -> int:
        """How many readings there are."""

    def maintain(self, now_ms: int) -> None:
        """Regular upkeep (close hours, move the hot rows); safe to call at any time, cheap when nothing is due."""

    def close(self) -> None:
        """Release what is held; may be called twice."""
