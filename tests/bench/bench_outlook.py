"""Scores the outlook on a room whose physics it does not have, against the two rules a keeper has, and times it.

python tests/bench/bench_outlook.py [--room first|second|second-bounds|third|third-bounds] [--tubes N] [--seed N] [--station N] [--smoke]

Every answer comes from the product's own path (history, stories with checkpoints, pooling, look-ahead), asked as of the
day, over an in-memory store of hourly means; ``--station N`` times N nests with a year in the embedded store.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from array import array
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_room import HOUR_MS, START_MS, BenchRoom, Tube, make_room
from bench_second_room import Flaws
from bench_second_room import make_room as make_second_room
from bench_station import entries_of, nest_of, open_counting, open_station, placements_of, write_hours, write_station
from bench_third_room import Habits
from bench_third_room import make_room as make_third_room

from sensord.db import open_db
from sensord.forecast import Forecast
from sensord.insight.history import History
from sensord.insight.lookahead import Quantiles
from sensord.keeping.outlook_cache import OutlookCache
from sensord.keeping.registry import Registry
from sensord.store.base import Hours

AHEAD_DAYS = 14
BAND_LOW_PCT = 75.0  # 'when humidity falls below the band': the keeper's other rule
DRYING_ACTIVITY = 0.75
ROOMS = {
    "first": make_room,
    "second": make_second_room,  # levels off by a standard deviation of 0.35 mL
    "second-bounds": partial(make_second_room, flaws=Flaws(level_uniform=True)),  # by at most 0.35 mL
    "third": make_third_room,
    "third-bounds": partial(make_third_room, habits=Habits(level_uniform=True)),
}


class Answer(NamedTuple):
    """One cycle, asked about a fortnight before it ran dry."""

    tube: Tube
    cycle: int
    left: Quantiles
    truth: float
    last_time: float | None


class HourlyStore:
    """Hourly means straight from the room: the part of the store's port that history uses for the outlook."""

    def __init__(self, room: BenchRoom) -> None:
        self.at = START_MS + np.arange(room.hours) * HOUR_MS
        self.series = {"hub/room": (room.probe_temp, room.probe_rh)}
        for tube in room.tubes:
            if tube.own_probe:
                self.series[f"hub/{tube.name.lower()}"] = (tube.probe_temp, tube.probe_rh)

    def hours(self, probe: str, from_ms: int, until_ms: int) -> Hours:
        """As the port says."""
        first, last = np.searchsorted(self.at, [from_ms, until_ms])
        ones = array("q", np.ones(last - first, np.int64).tobytes())
        temp, rh = (array("d", values[first:last].tobytes()) for values in self.series[probe])
        return Hours(array("q", self.at[first:last].tobytes()), ones, ones, temp, temp, temp, rh, rh, rh)


def forecast_of(room: BenchRoom) -> Forecast:
    """The product over that room."""
    connection = open_db(":memory:")
    registry = Registry(connection)
    registry.put_nests([nest_of(tube) for tube in room.tubes])
    registry.put_placements(placements_of(room))
    registry.add_entries([entry for tube in room.tubes for entry in entries_of(tube)])
    return Forecast(History(HourlyStore(room), registry), registry, OutlookCache(connection))


def last_fill(tube: Tube, before: int) -> int:
    """Hour of the last true fill."""
    return max(hour for hour in tube.fill_hours if hour < before)


def score(room: BenchRoom) -> tuple[list[Answer], dict[str, list[tuple[int, str]]]]:
    """Ask on every day somebody must be asked about, and once a day for the cotton where a probe sits in the tube."""
    forecast, days = forecast_of(room), room.hours // 24
    due: dict[int, list[tuple[Tube, int, int]]] = {}
    for tube in room.tubes:
        for cycle, dry in enumerate(tube.dry_hours):
            if dry - AHEAD_DAYS * 24 > last_fill(tube, dry):
                due.setdefault(dry // 24 - AHEAD_DAYS, []).append((tube, cycle, dry))
    answers: list[Answer] = []
    cotton: dict[str, list[tuple[int, str]]] = {tube.name: [] for tube in room.tubes if tube.own_probe}
    for day in range(5, days + 1):
        found = {one.nest: one for one in forecast.at(START_MS + day * 24 * HOUR_MS)}
        for name, seen in cotton.items():
            seen.append((day * 24, found[name].cotton.state))
        for tube, cycle, dry in due.get(day, []):
            left = found[tube.name].days_left
            if left is not None:
                answers.append(Answer(tube, cycle, left, dry / 24 - day, _as_last_time(tube, day * 24)))
    return answers, cotton


def _as_last_time(tube: Tube, now: int) -> float | None:
    """The keeper's first rule: as many days from the last fill in the journal as the cycle before took."""
    spans = [dry - last_fill(tube, dry) for dry in tube.dry_hours if dry < now]
    logged = [hour for hour, kind, _ in tube.entries if kind == "fill" and hour <= now]
    return (logged[-1] + spans[-1] - now) / 24 if spans and logged else None


def report(answers: list[Answer]) -> None:
    """Medians and coverage, first and later cycles apart."""
    for title, keep in (
        ("first cycles", lambda one: one.cycle == 0),
        ("later cycles", lambda one: one.cycle > 0),
        ("later, own probe", lambda one: one.cycle > 0 and one.tube.own_probe),
        ("later, room probe", lambda one: one.cycle > 0 and not one.tube.own_probe),
        ("later, heated", lambda one: one.cycle > 0 and one.tube.heated_c is not None),
    ):
        rows = [one for one in answers if keep(one)]
        if rows:
            _report_row(title, rows)


def _report_row(title: str, rows: list[Answer]) -> None:
    error = np.array([one.left.p50 - one.truth for one in rows])
    inside = np.mean([one.left.p10 <= one.truth <= one.left.p90 for one in rows])
    last = [abs(one.last_time - one.truth) for one in rows if one.last_time is not None]
    rule = f"{np.median(last):5.1f} d" if last else "    -"
    print(
        f"{title:18} n {len(rows):4}  median error {np.median(abs(error)):5.2f} d (bias {np.median(error):+5.2f})"
        f"  10-90 % holds {inside:.3f}  as long as last time {rule}"
    )


def report_cotton(room: BenchRoom, cotton: dict[str, list[tuple[int, str]]]) -> None:
    """Drying recognised in time, false alarms, and how late 'humidity below the band' is."""
    in_time = total = false = days = 0
    late = []
    for tube in room.tubes:
        for hour, state in cotton.get(tube.name, []):
            if tube.fill_hours and hour > tube.fill_hours[0]:
                days += 1
                false += state in ("drying", "dry") and bool((tube.wet[max(0, hour - 72) : hour] >= 1.0).all())
        for dry in tube.dry_hours if tube.own_probe else []:
            refilled = min([fill for fill in tube.fill_hours if fill > dry], default=room.hours)
            gone = np.flatnonzero(tube.wet[dry:refilled] < DRYING_ACTIVITY)
            if len(gone):
                total += 1
                by = dry + int(gone[0])
                in_time += any(s in ("drying", "dry") for h, s in cotton[tube.name] if dry <= h <= by)
                low = np.flatnonzero(tube.probe_rh[dry:refilled] < BAND_LOW_PCT)
                late.append(low[0] / 24 if len(low) else np.nan)
    print(f"drying recognised before activity {DRYING_ACTIVITY} (asked once a day): {in_time} of {total}")
    print(f"false drying days: {false} in {days} nest-days ({1000 * false / max(1, days):.2f} per 1,000)")
    if late:
        print(
            f"'humidity below {BAND_LOW_PCT:g} %' tells {np.nanmedian(late):.1f} days after running dry, never {np.isnan(late).sum()}"
        )


def time_station(nests: int, days: int) -> None:
    """From nothing, then as of now from the checkpoints, a day on and again, all through the embedded store."""
    room = make_third_room(nests, days, 11, Habits(own_share=0.2))
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        write_station(room, Path(folder), room.hours - 24)
        print(
            f"{sum(tube.own_probe for tube in room.tubes) + 1} probes, {days} days: {time.perf_counter() - begun:.0f} s to write"
        )
        _time_answer(Path(folder), room.hours - 24, "from nothing")
        store, _, _ = open_station(Path(folder))
        write_hours(store, room, room.hours - 24, room.hours)
        store.close()
        _time_answer(Path(folder), room.hours, "a new day, from checkpoints")
        _time_answer(Path(folder), room.hours, "again")


def _time_answer(folder: Path, at_hour: int, what: str) -> None:
    """As a new process would, from opening the file on."""
    begun = time.perf_counter()
    store, _, forecast, counting = open_counting(folder)
    found = forecast.at(START_MS + at_hour * HOUR_MS)
    took = time.perf_counter() - begun
    print(f"{len(found)} nests, {what}: {took:.2f} s, {counting.read:,} hours read")
    store.close()


def main(arguments: list[str] | None = None) -> int:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="a few tubes and weeks, to see that it runs")
    parser.add_argument("--room", choices=ROOMS, default="first", help="rooms of different assumptions")
    parser.add_argument("--tubes", type=int, default=100)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--station", type=int, default=0, help="time that many nests in the embedded store")
    args = parser.parse_args(arguments)
    if args.smoke:
        args.tubes, args.days, args.station = 6, 150, 2
    room = ROOMS[args.room](args.tubes, args.days, args.seed)
    answers, cotton = score(room)
    report(answers)
    report_cotton(room, cotton)
    if args.station:
        time_station(args.station, min(args.days, 30) if args.smoke else args.days)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
