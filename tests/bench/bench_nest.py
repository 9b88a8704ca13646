"""A nest's page over a year of minute readings, beside the plain way: every reading drawn raw.

    python tests/bench/bench_nest.py [--smoke]

Server time is from asking the in-process client, as the browser does, to its compressed answer; readings come from a real
embedded store with the nest, its room and eight siblings in it. 'first' is the first question of a process about
a year: nothing is kept yet of siblings and room.
"""

from __future__ import annotations

import argparse
import gzip
import json
import math
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from nest_page import asked_of  # noqa: E402

from dashboard.app import create_app  # noqa: E402
from dashboard.data import Data  # noqa: E402
from sensord.clock import DAY_MS, MINUTE_MS, SystemClock, to_ms  # noqa: E402
from sensord.config import load_config  # noqa: E402
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement  # noqa: E402
from sensord.wiring import Room  # noqa: E402

SIBLINGS = 8


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true", help="a month, few turns: does it run at all")
    smoke = parser.parse_args(arguments).smoke
    days, turns = (30, 2) if smoke else (365, 15)
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "station.toml").write_text('[station]\nname = "bench"\n', encoding="utf-8")
        room = Room(load_config(Path(folder)), SystemClock())
        rows = fill(room, days)
        print(f"a nest with {rows:,} readings, its room, {SIBLINGS} siblings; {days} days")
        print(f"{'way':<44} {'median':>10} {'worst':>10} {'on the wire':>12}")
        measure(room, days, turns)
        room.store.close()
    return 0


def measure(room: Room, days: int, turns: int) -> None:
    """Windows from an hour to the whole, and the plain way."""
    client = create_app(Data(room), room.clock).test_client()

    def anew() -> bytes:
        fresh = create_app(Data(room), room.clock).test_client()
        asked_of(fresh, "N-000", "?hours=1")  # opens the database
        begun = time.perf_counter()
        answer = asked_of(fresh, "N-000", f"?days={days}").data
        first.append((time.perf_counter() - begun) * 1_000)
        return answer

    first: list[float] = []
    size = [len(anew()) for _ in range(max(2, turns // 3))][-1]
    line(f"{days} days, first", first, size)
    show(f"{days} days, again", turns, lambda: asked_of(client, "N-000", f"?days={days}").data)
    show(
        f"{days} days, dew point and deficit as well",
        turns,
        lambda: asked_of(client, "N-000", f"?days={days}&moisture=on").data,
    )
    for label, window in (("an hour", "?hours=1"), ("a day", "?days=1"), ("a week", "?days=7")):
        show(label, turns, lambda window=window: asked_of(client, "N-000", window).data)
    show("plain: every reading raw", max(1, turns // 5), lambda: plain(room, days))


def fill(room: Room, days: int) -> int:
    """Minute readings of the nest and its room; siblings every half hour, whose roll-ups are as many."""
    now_ms = to_ms(room.clock.now()) // MINUTE_MS * MINUTE_MS
    names = [f"N-{number:03d}" for number in range(SIBLINGS + 1)]
    room.registry.put_nests([Nest(name, NestKind.TUBE, "room", "A", "Lasius niger", reservoir_ml=8) for name in names])
    room.registry.put_placements(
        [Placement(f"hub/{name.lower()}", name, "room", Place.WET_END, 0) for name in names]
        + [Placement("hub/room", None, "room", Place.ROOM, 0)]
    )
    room.registry.add_entries(
        [
            Entry(now_ms - day * DAY_MS, names[0], EntryKind.FILL if day % 30 == 0 else EntryKind.FEED_SUGAR)
            for day in range(1, days, 3)
        ]
    )
    for number, name in enumerate([*names, "room"]):
        step_ms = MINUTE_MS if number in (0, len(names)) else 30 * MINUTE_MS
        room.store.write_rows(list(readings(f"hub/{name.lower()}", now_ms - days * DAY_MS, now_ms, step_ms)))
    room.store.maintain(now_ms)
    return days * 24 * 60


def readings(probe: str, from_ms: int, until_ms: int, step_ms: int) -> Iterator[tuple[str, int, float, float]]:
    """A day that swings, a year that swings, and the sensor's noise."""
    chance, level = random.Random(probe), 45.0 if probe == "hub/room" else 70.0
    for at_ms in range(from_ms, until_ms, step_ms):
        turn = at_ms / DAY_MS * 2 * math.pi
        warm = math.sin(turn) + 2 * math.sin(turn / 365)
        yield probe, at_ms, 24 + warm + chance.gauss(0, 0.1), level - 3 * warm + chance.gauss(0, 0.5)


def plain(room: Room, days: int) -> bytes:
    """Every reading as a point of two lines, as JSON, compressed as well."""
    now_ms = to_ms(room.clock.now())
    read = room.store.raw("hub/n-000", now_ms - days * DAY_MS, now_ms)
    at = [f"{at / 1000:.0f}" for at in read.at_ms]
    traces = [
        {"type": "scatter", "x": at, "y": [round(value, 2) for value in values]}
        for values in (read.rh_pct, read.temp_c)
    ]
    return gzip.compress(json.dumps({"data": traces}).encode(), 5)


def show(way: str, turns: int, once: Callable[[], bytes]) -> None:
    """Time it."""
    spent, size = [], 0
    for _ in range(turns):
        begun = time.perf_counter()
        size = len(once())
        spent.append((time.perf_counter() - begun) * 1_000)
    line(way, spent, size)


def line(way: str, spent: list[float], size: int) -> None:
    """One line of the table."""
    print(f"{way:<44} {statistics.median(spent):>7.1f} ms {max(spent):>7.1f} ms {size / 1000:>9.1f} kB", flush=True)


if __name__ == "__main__":
    sys.exit(main())
