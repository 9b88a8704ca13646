"""Scores the outlook on a room it was not made for, against the two rules a keeper has. Run: python tests/bench/bench_outlook.py"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_room import DAY_MS, HOUR_MS, START_MS, make_room  # noqa: E402

from sensord.air.moist_air import vapour_pa  # noqa: E402
from sensord.insight.balance import PowerSeries, drying_power  # noqa: E402
from sensord.insight.ledger import Event, Happening, Ledger  # noqa: E402
from sensord.insight.outlook import Known, outlooks  # noqa: E402
from sensord.model import Nest, NestKind, Plug  # noqa: E402

AHEAD_DAYS = 14


def nest_of(tube):
    return Nest(tube.name, NestKind.TUBE, "bench", f"rack {tube.rack}", bore_mm=tube.bore_mm, chamber_mm=tube.chamber_mm,
                reservoir_ml=tube.reservoir_ml, plug=Plug(tube.plug))  # fmt: skip


def score(room):
    """For each cycle that ran dry: the question 14 days before, what was answered, what was true."""
    room_pa = vapour_pa(room.probe_temp, room.probe_rh)
    series, ledgers, events = {}, {}, {}
    for tube in room.tubes:
        temp = tube.probe_temp if tube.own_probe else room.probe_temp
        series[tube.name] = PowerSeries.bridged(START_MS, drying_power(temp, room_pa))
        events[tube.name] = [
            Event(START_MS + at * HOUR_MS, Happening(kind), amount) for at, kind, amount in tube.entries
        ]
    asked = (
        sorted(
            (dry - AHEAD_DAYS * 24, tube, number)
            for tube in room.tubes
            for number, dry in enumerate(tube.dry_hours)
            if dry - AHEAD_DAYS * 24 > max(f for f in tube.fill_hours if f < dry)
        )
        if False
        else [
            (dry - AHEAD_DAYS * 24, tube.name, number, dry)
            for tube in room.tubes
            for number, dry in enumerate(tube.dry_hours)
            if dry - AHEAD_DAYS * 24 > max(f for f in tube.fill_hours if f < dry)
        ]
    )
    by_name = {tube.name: tube for tube in room.tubes}
    results = []
    for week in range(0, room.hours // 24 + 7, 7):
        due = [one for one in asked if (one[0] // 24) // 7 * 7 == week]
        until = START_MS + week * DAY_MS
        for name in by_name:
            _advance(ledgers, by_name[name], events[name], series[name], until)
        snapshots = [
            Known(
                nest_of(by_name[name]),
                ledgers.get(name),
                _recent(series[name], until),
                "own probe" if by_name[name].own_probe else "room probe",
            )
            for name in by_name
        ]
        for at, name, number, dry in due:
            import copy

            at_ms = START_MS + at * HOUR_MS
            known = list(snapshots)
            place = list(by_name).index(name)
            ledgers_one = {name: copy.deepcopy(ledgers[name])} if name in ledgers else {}
            _advance(ledgers_one, by_name[name], events[name], series[name], at_ms)
            known[place] = Known(
                known[place].nest, ledgers_one.get(name), _recent(series[name], at_ms), known[place].basis
            )
            answer = outlooks(known, at_ms)[place]
            if answer.days_left is None:
                continue
            tube = by_name[name]
            fill = max(f for f in tube.fill_hours if f < dry)
            logged = [h for h, kind, _ in tube.entries if kind == "fill" and h <= at]
            spans = [d - max(f for f in tube.fill_hours if f < d) for d in tube.dry_hours if d < at]
            last = (logged[-1] + spans[-1] - at) / 24 if spans and logged else None
            results.append(
                (
                    tube.own_probe,
                    number,
                    answer.days_left,
                    AHEAD_DAYS,
                    last,
                    tube.heated_c is not None,
                    fill in logged,
                    answer.water_left_ml,
                    tube.water[at],
                    name,
                )
            )
    return results


def _advance(ledgers, tube, events, series, until):
    ledger = ledgers.get(tube.name)
    new = [event for event in events if event.at_ms <= until and (ledger is None or event.at_ms > ledger.upto_ms)]
    if ledger is None:
        if not new:
            return
        ledger = ledgers[tube.name] = Ledger.begin(nest_of(tube), new[0].at_ms)
    ledger.advance(new, series, until)


def _recent(series, until):
    count = max(24, min(len(series.hourly), (until - START_MS) // HOUR_MS))
    return (
        series.hourly[max(0, count - 21 * 24) : count][: (min(count, 21 * 24) // 24) * 24].reshape(-1, 24).mean(axis=1)
    )


def report(results):
    for title, keep in (
        ("first cycles", lambda r: r[1] == 0),
        ("later cycles", lambda r: r[1] > 0),
        ("later, own probe", lambda r: r[1] > 0 and r[0]),
        ("later, room probe", lambda r: r[1] > 0 and not r[0]),
        ("later, heated room probe", lambda r: r[1] > 0 and not r[0] and r[5]),
        ("later, fill forgotten", lambda r: r[1] > 0 and not r[6]),
    ):
        rows = [r for r in results if keep(r)]
        if not rows:
            continue
        error = np.array([r[2].p50 - r[3] for r in rows])
        inside = np.mean([r[2].p10 <= r[3] <= r[2].p90 for r in rows])
        low = np.mean([r[3] < r[2].p10 for r in rows])
        width = np.median([r[2].p90 - r[2].p10 for r in rows])
        last = [abs(r[4] - r[3]) for r in rows if r[4] is not None]
        print(f"{title:26} n {len(rows):4}  median |error| {np.median(abs(error)):5.2f} d  bias {np.median(error):+.2f}  p90 {np.quantile(abs(error), 0.9):.1f}"
              f"  coverage {inside:.3f} (below {low:.3f})  width {width:.1f}  as long as last time {np.median(last) if last else float('nan'):.1f}")  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true")
    parser.add_argument("--tubes", type=int, default=60)
    parser.add_argument("--seed", type=int, default=7)
    args = parser.parse_args()
    begun = time.perf_counter()
    room = make_room(args.tubes, 365, args.seed)
    print(f"room {time.perf_counter() - begun:.1f} s")
    begun = time.perf_counter()
    report(score(room))
    print(f"scored {time.perf_counter() - begun:.1f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
