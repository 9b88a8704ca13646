"""A store in memory that obeys the port: for tests, and the plainest statement of what a store must do."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence

from sensord.clock import HOUR_MS
from sensord.errors import InputError
from sensord.model import Reading
from sensord.store.base import Columns, Hours, Row, Written

_NAN = float("nan")
_BATCH_ROWS = 1_000


class MemoryStore:
    """Readings in a dictionary."""

    def __init__(self) -> None:
        self._readings: dict[tuple[str, int], Reading] = {}

    def write(self, readings: Sequence[Reading]) -> Written:
        """Store readings; a known (probe, at_ms) changes nothing."""
        for r in readings:
            if any(value is not None and not abs(value) < 1e12 for value in (r.temp_c, r.rh_pct)):
                raise InputError(f"probe {r.probe}: temp_c={r.temp_c}, rh_pct={r.rh_pct} cannot be stored")
        before = len(self._readings)
        for r in readings:
            self._readings.setdefault((r.probe, r.at_ms), r)
        stored = len(self._readings) - before
        return Written(stored, len(readings) - stored)

    def write_rows(self, rows: Sequence[Row]) -> Written:
        """The same from plain tuples."""
        return self.write([Reading(*row) for row in rows])

    def latest(self) -> dict[str, Reading]:
        """The newest reading of every probe."""
        return {r.probe: r for r in sorted(self._readings.values(), key=lambda r: r.at_ms)}

    def probes(self) -> list[str]:
        """Every probe, sorted."""
        return sorted({probe for probe, _ in self._readings})

    def span(self, probe: str) -> tuple[int, int] | None:
        """First and last ``at_ms`` of a probe, or None."""
        times = [at_ms for name, at_ms in self._readings if name == probe]
        return (min(times), max(times)) if times else None

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``."""
        rows = [r for r in self._sorted(from_ms, until_ms) if r.probe == probe]
        return Columns(
            array("q", [r.at_ms for r in rows]),
            array("d", [_NAN if r.temp_c is None else r.temp_c for r in rows]),
            array("d", [_NAN if r.rh_pct is None else r.rh_pct for r in rows]),
        )

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        """The roll-up of every hour that starts in ``from_ms <= start < until_ms``."""
        return self.steps(probe, from_ms, until_ms, 1)

    def steps(self, probe: str, from_ms: int, until_ms: int, step_h: int) -> Hours:
        """The roll-up of every ``step_h`` hours, of the hours that ``hours`` would give."""
        found: dict[int, list[Reading]] = {}
        for (name, at_ms), reading in self._readings.items():
            hour = at_ms // HOUR_MS
            if name == probe and from_ms <= hour * HOUR_MS < until_ms:
                found.setdefault(hour // step_h * step_h * HOUR_MS, []).append(reading)
        hours = Hours()
        for start_ms in sorted(found):
            temps = [r.temp_c for r in found[start_ms] if r.temp_c is not None]
            rhs = [r.rh_pct for r in found[start_ms] if r.rh_pct is not None]
            hours.at_ms.append(start_ms)
            hours.n_temp.append(len(temps))
            hours.n_rh.append(len(rhs))
            _append(temps, hours.temp_mean_c, hours.temp_min_c, hours.temp_max_c)
            _append(rhs, hours.rh_mean_pct, hours.rh_min_pct, hours.rh_max_pct)
        return hours

    def stream(self, from_ms: int, until_ms: int) -> Iterator[list[Reading]]:
        """All probes' readings in order of time (then probe), in batches."""
        rows = self._sorted(from_ms, until_ms)
        for start in range(0, len(rows), _BATCH_ROWS):
            yield rows[start : start + _BATCH_ROWS]

    def count(self) -> int:
        """How many readings there are."""
        return len(self._readings)

    def maintain(self, now_ms: int) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to release."""

    def _sorted(self, from_ms: int, until_ms: int) -> list[Reading]:
        rows = [r for r in self._readings.values() if from_ms <= r.at_ms < until_ms]
        return sorted(rows, key=lambda r: (r.at_ms, r.probe))


def _append(values: list[float], mean: array[float], least: array[float], greatest: array[float]) -> None:
    mean.append(sum(values) / len(values) if values else _NAN)
    least.append(min(values, default=_NAN))
    greatest.append(max(values, default=_NAN))
