"""A refresh of the wall, beside the plain way: every reading of the last day drawn raw and the whole page rebuilt.

    python tests/bench/bench_wall.py [--smoke]

Server time is from asking the in-process client to its compressed answer, data from a real embedded store; the snapshot
is rebuilt for each refresh, but for 'nothing new', which shares it for a second as several walls do.
"""

from __future__ import annotations

import argparse
import gzip
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from dashboard.app import create_app  # noqa: E402
from dashboard.data import Data  # noqa: E402
from sensord.clock import DAY_MS, MINUTE_MS, SystemClock, to_ms  # noqa: E402
from sensord.config import load_config  # noqa: E402
from sensord.model import Nest, NestKind, Place, Placement, Reading  # noqa: E402
from sensord.wiring import Room  # noqa: E402

ZIPPED = {"Accept-Encoding": "gzip"}


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true", help="few nests, few turns: does it run at all")
    smoke = parser.parse_args(arguments).smoke
    print(f"{'nests':>6} {'way':<28} {'median':>10} {'worst':>10} {'on the wire':>12}")
    for nests in (16,) if smoke else (128, 1_000):
        with tempfile.TemporaryDirectory() as folder:
            measure(Path(folder), nests, 3 if smoke else 25)
    return 0


def measure(folder: Path, nests: int, turns: int) -> None:
    """One room: refresh, nothing new, first page, and the plain way."""
    (folder / "station.toml").write_text('[station]\nname = "bench"\n', encoding="utf-8")
    room = Room(load_config(folder), SystemClock())
    names = fill(room, nests)
    data = Data(room)
    client = create_app(data, room.clock).test_client()

    def fresh(path: str) -> bytes:
        data.forget()
        return client.get(path, headers=ZIPPED).data

    seen = client.get("/wall.json").get_json()["mark"]
    show(nests, "refresh, all of it", turns, lambda: fresh("/wall.json"))
    show(nests, "refresh, nothing new", turns, lambda: client.get(f"/wall.json?seen={seen}", headers=ZIPPED).data)
    show(nests, "first page", turns, lambda: fresh("/"))
    show(nests, "a nest's day, series only", turns, lambda: repr(day(data, names[0])).encode())
    show(nests, "plain: all raw, whole page", max(2, turns // 10), lambda: plain(room, names))
    room.store.close()


def fill(room: Room, nests: int) -> list[str]:
    """A day at one reading in five minutes, up to now."""
    now_ms, chance = to_ms(room.clock.now()), random.Random(1)
    names = [f"N-{number:04d}" for number in range(nests)]
    room.registry.put_nests(
        [Nest(name, NestKind.TUBE, "room", f"Rack {i * 8 // nests}", "Lasius niger") for i, name in enumerate(names)]
    )
    room.registry.put_placements([Placement(f"hub/{name.lower()}", name, "room", Place.WET_END, 0) for name in names])
    for start_ms in range(now_ms - DAY_MS, now_ms, 5 * MINUTE_MS):
        room.store.write(
            [Reading(f"hub/{name.lower()}", start_ms, chance.gauss(24.5, 1.5), chance.gauss(70, 8)) for name in names]
        )
    return names


def day(data: Data, name: str) -> object:
    """A nest's last day."""
    now_ms = to_ms(SystemClock().now())
    return data.history(name, now_ms - DAY_MS, now_ms)


def plain(room: Room, names: list[str]) -> bytes:
    """Every reading of a day of every nest as an SVG line, the whole page anew, compressed as well."""
    now_ms, parts = to_ms(room.clock.now()), []
    for name in names:
        read = room.store.raw(f"hub/{name.lower()}", now_ms - DAY_MS, now_ms)
        points = " ".join(
            f"{(at - now_ms) / 1000:.0f},{rh:.2f}" for at, rh in zip(read.at_ms, read.rh_pct, strict=True)
        )
        parts.append(f'<section><h2>{name}</h2><svg><polyline points="{points}"/></svg></section>')
    return gzip.compress("".join(parts).encode(), 5)


def show(nests: int, way: str, turns: int, once) -> None:
    """Time it."""
    spent, size = [], 0
    for _ in range(turns):
        begun = time.perf_counter()
        size = len(once())
        spent.append((time.perf_counter() - begun) * 1_000)
    print(
        f"{nests:>6} {way:<28} {statistics.median(spent):>7.1f} ms {max(spent):>7.1f} ms {size / 1000:>9.1f} kB",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
