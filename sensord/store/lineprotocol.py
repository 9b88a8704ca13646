"""Readings as InfluxDB line protocol: one measurement, one tag, floats only, instants in milliseconds.

``nestclimate,probe=HUB/PROBE temp_c=21.3,rh_pct=84.0 1775044800000``. What is missing has no field; a reading without
either quantity carries ``empty=1.0``, since a line without a field is none. Syntax: InfluxData, "Line protocol", InfluxDB v2
reference. Probe names need no escaping: what is not a probe's name is refused.
"""

from __future__ import annotations

from collections.abc import Iterator

from sensord.errors import InputError
from sensord.model import HUB_OR_PROBE
from sensord.store.base import Columns

MEASUREMENT = "nestclimate"
FIELDS = ("temp_c", "rh_pct", "empty")
MOST_LINES = 5_000


def plain_name(probe: str) -> str:
    """The probe's name, safe to stand in a line or a query as it is.

    Raises:
        InputError: it is no name of a probe.
    """
    if not all(HUB_OR_PROBE.fullmatch(part) for part in probe.split("/", 1)):
        raise InputError(f"probe {probe!r}: is no name of a probe; allowed is HUB/PROBE of a-z, 0-9 and -")
    return probe


def bodies(probe: str, columns: Columns) -> Iterator[str]:
    """The readings as texts of at most ``MOST_LINES`` lines. Missing values are NaN in ``columns``."""
    start = f"{MEASUREMENT},probe={plain_name(probe)} "
    lines = [
        f"{start}{_fields(temp_c, rh_pct)} {at_ms}"
        for at_ms, temp_c, rh_pct in zip(columns.at_ms, columns.temp_c, columns.rh_pct, strict=True)
    ]
    for first in range(0, len(lines), MOST_LINES):
        yield "\n".join(lines[first : first + MOST_LINES])


def _fields(temp_c: float, rh_pct: float) -> str:
    given = [f"{name}={value!r}" for name, value in zip(FIELDS, (temp_c, rh_pct), strict=False) if value == value]  # noqa: PLR0124 - NaN is not itself
    return ",".join(given) or "empty=1.0"


def columns_of(fields: dict[str, dict[int, float]]) -> Columns:
    """Values by field and ``at_ms``, as servers give them back, as readings ascending in time."""
    nan = float("nan")
    temps, rhs = fields.get("temp_c", {}), fields.get("rh_pct", {})
    columns = Columns()
    for at_ms in sorted({at for values in fields.values() for at in values}):
        columns.at_ms.append(at_ms)
        columns.temp_c.append(temps.get(at_ms, nan))
        columns.rh_pct.append(rhs.get(at_ms, nan))
    return columns
