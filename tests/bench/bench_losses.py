"""Times losses over a year of many nests, and a whole report, beside a plain loop over every reading.

python tests/bench/bench_losses.py [--nests N] [--days N] [--smoke]

The station is real: embedded store, registry, packaged species; one nest in ten dies. The plain loop only counts hours
beyond a limit from every reading of every nest, one at a time; losses does so over the days before deaths, and draws the
curves, and a report reads a month of one nest and its siblings, replays its alarms twice, and draws it.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from bench_review import plain_loop
from bench_room import DAY_MS, START_MS, make_room
from bench_station import open_station, write_station

from sensord.clock import ManualClock, from_ms
from sensord.config import load_config
from sensord.insight.losses import because
from sensord.insight.losses_article import article
from sensord.insight.review_report import html_of
from sensord.model import Entry, EntryKind
from sensord.reports import Reports
from sensord.wiring import Room


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nests", type=int, default=128)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--smoke", action="store_true")
    args = parser.parse_args()
    nests, days = (10, 40) if args.smoke else (args.nests, args.days)
    simulated, end_ms = make_room(nests, days, 5), START_MS + days * DAY_MS
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        data.mkdir()
        write_station(simulated, data)
        (Path(folder) / "station.toml").write_text('[station]\nname = "Bench"\ndata = "data"\n')
        store, registry, _ = open_station(data)
        registry.put_nests([
            dataclasses.replace(nest, species="Lasius niger", rack="ABCDEFGH"[number % 8])
            for number, nest in enumerate(registry.nests())
        ])  # fmt: skip
        dead = [tube.name for tube in simulated.tubes[::10]]
        registry.add_entries(
            [
                Entry(end_ms - number * DAY_MS * days // (2 * len(dead)), name, EntryKind.DIED)
                for number, name in enumerate(dead)
            ]
        )
        begun = time.perf_counter()
        seen, _ = plain_loop(store, registry, START_MS, end_ms)
        print(f"plain loop over {seen} readings: {time.perf_counter() - begun:.2f} s")
        store.close()
        room = Room(load_config(Path(folder)), ManualClock(from_ms(end_ms)))
        begun = time.perf_counter()
        losses = Reports(room).lives.losses(None, end_ms)
        drawn = article(losses, room.config.zone)
        print(
            f"losses of {nests} nests over {days} days: {time.perf_counter() - begun:.2f} s, {len(drawn) // 1000} kB. {because(losses)}"
        )
        begun = time.perf_counter()
        found, common = Reports(room).several(dead[:1], end_ms, 30)
        page = html_of(found, common)
        print(f"report of {dead[0]} over 30 days: {time.perf_counter() - begun:.2f} s, {len(page) // 1000} kB")
        room.store.close()


if __name__ == "__main__":
    main()
