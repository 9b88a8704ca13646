"""The air at each simulated probe: read from a CSV of readings, or a gentle invented day."""

from __future__ import annotations

import csv
import math
import zlib
from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from sensord.clock import DAY_MS, HOUR_MS, parse_instant, to_ms
from sensord.errors import InputError
from sensord.model import check_probe
from sensord.probes.simulated_chips import Air

COLUMNS = ("at", "probe", "temp_c", "rh_pct")
HOLD_ACROSS_MS = 6 * HOUR_MS

Row = tuple[int, float, float]


def invented_air(probe: str) -> Air:
    """A mild day for one probe: about 24 °C and 75 %RH, each probe a little different, always the same for its name."""
    seed = zlib.crc32(probe.encode())
    mean_c, mean_pct = 23 + seed % 41 / 20, 65 + seed // 41 % 21
    lag = seed // 861 % 100 / 100 * 0.1

    def air(at: datetime) -> tuple[float, float]:
        turn = 2 * math.pi * (to_ms(at) % DAY_MS / DAY_MS - 0.4 - lag)
        return mean_c + 1.5 * math.sin(turn), mean_pct - 4 * math.sin(turn)

    return air


def series_air(rows: Sequence[Row]) -> Air:
    """Air that follows ``(at_ms, temp_c, rh_pct)`` rows: straight lines between rows at most 6 h apart, else held.

    Args:
        rows: at least one, ascending.
    """
    instants = [row[0] for row in rows]

    def air(at: datetime) -> tuple[float, float]:
        at_ms = to_ms(at)
        after = bisect_right(instants, at_ms)
        earlier, later = rows[max(after - 1, 0)], rows[min(after, len(rows) - 1)]
        span_ms = later[0] - earlier[0]
        part = (at_ms - earlier[0]) / span_ms if 0 < span_ms <= HOLD_ACROSS_MS else 0.0
        return earlier[1] + part * (later[1] - earlier[1]), earlier[2] + part * (later[2] - earlier[2])

    return air


def read_air_file(path: Path) -> dict[str, list[Row]]:
    """The rows of a readings CSV by probe, ascending; rows with a blank value are left out.

    Raises:
        InputError: cannot be read, wrong columns, or bad rows, each named by its line.
    """
    rows: dict[str, list[Row]] = {}
    problems: list[str] = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            table = csv.DictReader(file)
            if tuple(table.fieldnames or ()) != COLUMNS:
                raise InputError(f"{path}: line 1: the columns must be {','.join(COLUMNS)}")
            for row in table:
                _take(row, f"{path}: line {table.line_num}", rows, problems)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error})") from error
    if problems:
        raise InputError(*problems)
    for series in rows.values():
        series.sort()
    return rows


def _take(row: dict[str, str | None], where: str, rows: dict[str, list[Row]], problems: list[str]) -> None:
    try:
        at, probe, temp, humidity = (row[name] for name in COLUMNS)
        if at is None or probe is None or temp is None or humidity is None:
            raise InputError(f"there are fewer than {len(COLUMNS)} columns")  # noqa: TRY301
        at_ms, name = to_ms(parse_instant(at)), check_probe(probe)
        if temp.strip() and humidity.strip():
            rows.setdefault(name, []).append((at_ms, _number(temp, "temp_c"), _number(humidity, "rh_pct")))
    except InputError as error:
        problems.append(f"{where}: {error}")


def _number(text: str, column: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{column} = {text!r}: allowed is a number or blank")
    return value
