"""Calibration of a probe: made from saturated salts or beside another probe, dated, applied on reading back.

Stored readings stay raw. A calibration holds from its instant until the next one of that probe; the first also mends
what was read before it. Pure: readings come in as lists, nothing is stored here (keeping/calibrations.py does).
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median, stdev
from typing import Literal

from sensord.air._numbers import Value, clip
from sensord.clock import MINUTE_MS
from sensord.errors import InputError

# Greenspan 1977, J. Res. NBS 81A:89-96: %RH over the saturated solution, at 15, 20, 25, 30 °C; its uncertainty is from
# memory, and far below a probe's.
SALT_TEMPS_C = (15.0, 20.0, 25.0, 30.0)
SALTS: dict[str, tuple[tuple[float, float], ...]] = {
    "licl": ((11.30, 0.35), (11.31, 0.31), (11.30, 0.27), (11.28, 0.24)),
    "mgcl2": ((33.30, 0.21), (33.07, 0.18), (32.78, 0.16), (32.44, 0.14)),
    "k2co3": ((43.15, 0.33), (43.16, 0.33), (43.16, 0.39), (43.17, 0.50)),
    "nabr": ((60.68, 0.51), (59.14, 0.44), (57.57, 0.40), (56.03, 0.38)),
    "nacl": ((75.61, 0.18), (75.47, 0.14), (75.29, 0.12), (75.09, 0.11)),
    "kcl": ((85.92, 0.33), (85.11, 0.29), (84.34, 0.26), (83.62, 0.25)),
    "k2so4": ((97.89, 0.63), (97.59, 0.53), (97.30, 0.45), (97.00, 0.40)),
}
_CAUTIONS: dict[str, tuple[str, ...]] = {
    "Lithium chloride (licl) is toxic if swallowed: gloves, away from children, animals and food.": ("licl",),
    "Magnesium and lithium chloride draw water from the air and overflow: fill the dish a third at most, on a tray.": (
        "licl",
        "mgcl2",
    ),
    "Salt creeps up walls and corrodes electronics: salt must never touch the sensor, a board or a cable.": tuple(
        SALTS
    ),
    "Never let salt or its solution near ants, nests or feeding dishes; wash your hands after it.": tuple(SALTS),
}
SALT_CAUTIONS = tuple(_CAUTIONS)

LEAST_READINGS, LEAST_MINUTES = 10, 20
SETTLED_RH_PCT, SETTLED_TEMP_C = 0.2, 0.3  # first half of the window against its second
FARTHEST_RH_PCT, FARTHEST_TEMP_C = 10.0, 2.0  # a probe that is off by more is faulty, or it is not that salt
DOUBTFUL_RH_PCT = 4.0  # twice the SHT31's tolerance (Sensirion data sheet): beyond it the jar may hold another salt
HYSTERESIS_SD_PCT = 0.4  # SHT31: 0.8 %RH from one direction to the other (Sensirion data sheet)
_CONDENSED_PCT = 99.5

Method = Literal["salt", "together"]


@dataclass(frozen=True, slots=True)
class Calibration:
    """true = offset + gain * raw, for one probe from one instant on.

    Attributes:
        at_ms: from when it holds. method: ``salt`` or ``together``. *_sd: what stays uncertain after it.
    """

    probe: str
    at_ms: int
    method: Method
    temp_offset_c: float = 0.0
    temp_sd_c: float = 0.2
    rh_gain: float = 1.0
    rh_offset_pct: float = 0.0
    rh_sd_pct: float = 2.0
    note: str = ""

    def correct(self, temp_c: Value, rh_pct: Value) -> tuple[Value, Value]:
        """Raw to calibrated, floats or arrays; humidity is held within 0 to 100 %; NaN stays NaN."""
        return temp_c + self.temp_offset_c, clip(self.rh_offset_pct + self.rh_gain * rh_pct, 0.0, 100.0)


@dataclass(frozen=True, slots=True)
class Window:
    """Readings of one probe over a stretch of time: ``(at_ms, temp_c, rh_pct)``, ascending; missing ones left out."""

    probe: str
    readings: Sequence[tuple[int, float, float]]


@dataclass(frozen=True, slots=True)
class SaltPoint:
    """A settled probe over one salt."""

    salt: str
    at_ms: int
    temp_c: float
    read_pct: float
    true_pct: float
    sd_pct: float


def holding(calibrations: Sequence[Calibration], at_ms: int) -> Calibration | None:
    """Which of one probe's calibrations (ascending) holds at an instant: the last before it, else the first."""
    if not calibrations:
        return None
    return calibrations[max(0, bisect.bisect_right([each.at_ms for each in calibrations], at_ms) - 1)]


def pieces(
    calibrations: Sequence[Calibration], from_ms: int, until_ms: int
) -> list[tuple[int, int, Calibration | None]]:
    """The stretches of ``from_ms <= at < until_ms`` with the calibration that holds in each, in order."""
    cuts = [each.at_ms for each in calibrations[1:] if from_ms < each.at_ms < until_ms]
    bounds = [from_ms, *cuts, until_ms]
    return [(start, end, holding(calibrations, start)) for start, end in pairwise(bounds) if end > start]


def salt_rh_pct(salt: str, temp_c: float) -> tuple[float, float]:
    """%RH over a saturated salt solution and its uncertainty, interpolated in Greenspan's table.

    Raises:
        InputError: a salt not in the table, or a temperature outside 15 to 30 °C.
    """
    if salt not in SALTS:
        raise InputError(f"salt {salt!r}: allowed is {', '.join(SALTS)}")
    if not SALT_TEMPS_C[0] <= temp_c <= SALT_TEMPS_C[-1]:
        raise InputError(f"salt {salt}: at {temp_c:.1f} °C; allowed is 15 to 30 °C, so move it to a room that warm")
    column = SALTS[salt]
    low = min(len(column) - 2, bisect.bisect_right(SALT_TEMPS_C, temp_c) - 1)
    share = (temp_c - SALT_TEMPS_C[low]) / (SALT_TEMPS_C[low + 1] - SALT_TEMPS_C[low])
    value, sd = (column[low][k] + share * (column[low + 1][k] - column[low][k]) for k in (0, 1))
    return value, sd


def cautions(salts: Iterable[str]) -> list[str]:
    """What to beware of with these salts."""
    given = set(salts)
    return [caution for caution, of in _CAUTIONS.items() if given & set(of)]


def _nearer(salt: str, read_pct: float, temp_c: float) -> str:
    """The salt whose humidity is nearest to a reading, where that is not the one given; else empty."""
    nearest = min(SALTS, key=lambda each: abs(salt_rh_pct(each, temp_c)[0] - read_pct))
    return nearest if nearest != salt else ""


def salt_point(salt: str, window: Window) -> SaltPoint:
    """What a probe read over a salt, once it had settled.

    Raises:
        InputError: one line a reason: too few readings, not settled, temperature drifting, impossible humidity.
    """
    problems = _unsettled(window)
    if problems:
        raise InputError(*(f"probe {window.probe} over {salt}: {problem}" for problem in problems))
    settled = window.readings[len(window.readings) // 2 :]  # the second half is nearer to the end of settling
    temp_c = fmean(row[1] for row in settled)
    read = [row[2] for row in settled]
    true_pct, salt_sd = salt_rh_pct(salt, temp_c)
    if abs(fmean(read) - true_pct) > FARTHEST_RH_PCT:
        raise InputError(
            f"probe {window.probe} over {salt}: reads {fmean(read):.1f} % where {true_pct:.1f} % is due; allowed is within "
            f"{FARTHEST_RH_PCT:g} %: another salt, a leaking jar, or a faulty probe"
        )
    other = _nearer(salt, fmean(read), temp_c)
    if other and abs(fmean(read) - true_pct) > DOUBTFUL_RH_PCT:
        raise InputError(
            f"probe {window.probe} over {salt}: reads {fmean(read):.1f} %, nearer to {other} "
            f"({salt_rh_pct(other, temp_c)[0]:.1f} %) than to {salt} ({true_pct:.1f} %): is it the right jar? "
            "A probe that is so far off over a salt that is the right one wants replacing"
        )
    noise = stdev(read) / math.sqrt(len(read))
    return SaltPoint(
        salt, window.readings[-1][0], temp_c, fmean(read), true_pct, math.hypot(salt_sd, noise, HYSTERESIS_SD_PCT)
    )


def from_salts(probe: str, points: Sequence[SaltPoint]) -> Calibration:
    """One salt gives an offset; two, at least 20 %RH apart, offset and gain.

    Raises:
        InputError: no point or more than two, points too close, or a gain outside 0.8 to 1.2.
    """
    note = " and ".join(
        f"{point.salt} at {point.temp_c:.1f} °C (read {point.read_pct:.1f}, due {point.true_pct:.1f} %)"
        for point in points
    )
    if len(points) == 1:
        only = points[0]
        away_sd = math.hypot(only.sd_pct, 1.0)  # the gain stays unknown: typical 2 % over the range, half of it here
        return Calibration(
            probe, only.at_ms, "salt", rh_offset_pct=only.true_pct - only.read_pct, rh_sd_pct=away_sd, note=note
        )
    if len(points) != 2:
        raise InputError(f"probe {probe}: {len(points)} salt points; allowed is one or two")
    low, high = sorted(points, key=lambda point: point.true_pct)
    if high.true_pct - low.true_pct < 20:
        raise InputError(
            f"probe {probe}: {low.salt} and {high.salt} are less than 20 %RH apart; take for example mgcl2 and nacl"
        )
    gain = (high.true_pct - low.true_pct) / (high.read_pct - low.read_pct) if high.read_pct > low.read_pct else 0.0
    if not 0.8 <= gain <= 1.2:
        raise InputError(
            f"probe {probe}: {low.salt} and {high.salt} give a gain of {gain:.2f}; allowed is 0.8 to 1.2: are the salts swapped?"
        )
    return Calibration(
        probe,
        max(low.at_ms, high.at_ms),
        "salt",
        rh_gain=gain,
        rh_offset_pct=low.true_pct - gain * low.read_pct,
        rh_sd_pct=max(low.sd_pct, high.sd_pct),
        note=note,
    )


def from_together(window: Window, against: Window, reference: Calibration | None = None) -> Calibration:
    """Two probes in the same air: the offset that makes the first read as the second does, calibrated.

    Args:
        reference: the calibration of the other probe, applied first and its uncertainty passed on.

    Raises:
        InputError: one line a reason: too few common readings, differences that drift, or too large.
    """
    pairs = _pairs(window, against, reference or Calibration(against.probe, 0, "together"))
    who = f"probe {window.probe} against {against.probe}"
    if len(pairs) < LEAST_READINGS or pairs[-1][0] - pairs[0][0] < LEAST_MINUTES * MINUTE_MS:
        raise InputError(
            f"{who}: {len(pairs)} readings within a minute of each other; needed are {LEAST_READINGS} over {LEAST_MINUTES} minutes"
        )
    temp, rh = median(pair[1] for pair in pairs), median(pair[2] for pair in pairs)
    problems = []
    if abs(rh) > FARTHEST_RH_PCT or abs(temp) > FARTHEST_TEMP_C:
        problems.append(
            f"{who}: differ by {-rh:+.1f} %RH and {-temp:+.2f} °C; allowed is {FARTHEST_RH_PCT:g} %RH and "
            f"{FARTHEST_TEMP_C:g} °C: not in the same air, or one is faulty"
        )
    for column, unit, most in ((1, "°C", SETTLED_TEMP_C), (2, "%RH", 1.0)):
        shift = _shift([pair[column] for pair in pairs])
        if abs(shift) > most:
            problems.append(
                f"{who}: the difference drifts by {shift:+.2f} {unit}; allowed is {most:g} {unit}: wait longer"
            )
    if problems:
        raise InputError(*problems)
    known_temp_sd, known_rh_sd = (reference.temp_sd_c, reference.rh_sd_pct) if reference else (0.2, 2.0)
    spread_temp, spread_rh = (stdev(pair[k] for pair in pairs) / math.sqrt(len(pairs)) for k in (1, 2))
    return Calibration(
        window.probe,
        pairs[-1][0],
        "together",
        temp_offset_c=temp,
        temp_sd_c=math.hypot(known_temp_sd, spread_temp, 0.05),
        rh_offset_pct=rh,
        rh_sd_pct=math.hypot(known_rh_sd, spread_rh, HYSTERESIS_SD_PCT),
        note=f"against {against.probe}, {len(pairs)} pairs",
    )


def _unsettled(window: Window) -> list[str]:
    rows = window.readings
    minutes = (rows[-1][0] - rows[0][0]) / MINUTE_MS if rows else 0.0
    if len(rows) < LEAST_READINGS or minutes < LEAST_MINUTES:
        return [
            f"{len(rows)} readings over {minutes:.0f} minutes; needed are {LEAST_READINGS} over {LEAST_MINUTES} minutes"
        ]
    problems = []
    if any(not 0.5 < row[2] < _CONDENSED_PCT for row in rows):
        problems.append("humidity at an end of the scale: the sensor is wet or broken; let it dry for a day")
    shift = _shift([row[2] for row in rows])
    if abs(shift) > SETTLED_RH_PCT:
        problems.append(f"not settled, {shift:+.2f} %RH within the window; allowed is {SETTLED_RH_PCT:g}: wait longer")
    temps = [row[1] for row in rows]
    if abs(_shift(temps)) > SETTLED_TEMP_C or max(temps) - min(temps) > 3 * SETTLED_TEMP_C:
        problems.append(
            f"temperature drifting, {_shift(temps):+.2f} °C within the window; allowed is {SETTLED_TEMP_C:g}: "
            "keep the jar out of sun and draught"
        )
    return problems


def _shift(values: Sequence[float]) -> float:
    """Mean of the second half minus mean of the first."""
    half = len(values) // 2
    return fmean(values[half:]) - fmean(values[:half])


def _pairs(window: Window, against: Window, reference: Calibration) -> list[tuple[int, float, float]]:
    """(at_ms, temperature lacking, humidity lacking) of each reading with the other probe's nearest within a minute."""
    times = [row[0] for row in against.readings]
    pairs = []
    for at_ms, temp_c, rh_pct in window.readings:
        k = bisect.bisect_left(times, at_ms)
        near = min((j for j in (k - 1, k) if 0 <= j < len(times)), key=lambda j: abs(times[j] - at_ms), default=None)
        if (
            near is None
            or abs(times[near] - at_ms) > MINUTE_MS
            or max(rh_pct, against.readings[near][2]) >= _CONDENSED_PCT
        ):
            continue
        true_temp_c, true_pct = reference.correct(*against.readings[near][1:])
        pairs.append((at_ms, true_temp_c - temp_c, true_pct - rh_pct))
    return pairs
