"""Times a review of one death among many nests with a year of readings, beside a plain loop over every reading.

python tests/bench/bench_review.py [--nests N] [--days N] [--smoke]

The station is real: embedded store, registry, packaged species. Both the usual window and one over all the days are
asked; the plain loop counts hours beyond the limits of every nest from its readings, one at a time, over the same days.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from bench_room import DAY_MS, START_MS, make_room
from bench_station import open_station, write_station

from sensord.insight.history import History
from sensord.keeping.bands import bands_for
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import load_species
from sensord.model import Entry, EntryKind, Place, Season
from sensord.reviewing import Reviewing

LIBRARY = load_species(None)


def plain_loop(store, registry, from_ms: int, until_ms: int) -> tuple[int, int]:
    """Readings of all nests, and how many of them are beyond a limit."""
    bands = bands_for(LIBRARY["Lasius niger"], Season.ACTIVE, Place.WET_END)
    seen = beyond = 0
    for placement in registry.placements():
        if placement.nest is None:
            continue
        read = store.raw(placement.probe, from_ms, until_ms)
        for temp_c, rh_pct in zip(read.temp_c, read.rh_pct, strict=True):
            seen += 1
            if not bands.temp_c.limit_low <= temp_c <= bands.temp_c.limit_high or rh_pct < bands.rh_pct.limit_low:
                beyond += 1
    return seen, beyond


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nests", type=int, default=128)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--smoke", action="store_true")
    args = parser.parse_args()
    nests, days = (8, 40) if args.smoke else (args.nests, args.days)
    room = make_room(nests, days, 5)
    probed = [tube for tube in room.tubes if tube.own_probe]
    for number, tube in enumerate(room.tubes):  # every nest with a probe of its own, or that of one like it
        if not tube.own_probe:
            like = probed[number % len(probed)]
            tube.own_probe, tube.probe_temp, tube.probe_rh = True, like.probe_temp, like.probe_rh
    with tempfile.TemporaryDirectory() as folder:
        write_station(room, Path(folder))
        store, registry, _ = open_station(Path(folder))
        registry.put_nests([dataclasses.replace(nest, species="Lasius niger") for nest in registry.nests()])
        dead, died_ms = room.tubes[0].name, START_MS + days * DAY_MS
        registry.add_entries([Entry(died_ms, dead, EntryKind.DIED)])
        for window in (30, days):
            for which in ("first", "again"):
                reviewing = Reviewing(History(store, registry), registry, Keeping(LIBRARY))
                begun, worked = time.perf_counter(), time.process_time()
                found = reviewing.review(dead, died_ms, window)
                took, busy = time.perf_counter() - begun, time.process_time() - worked
                print(
                    f"review of {dead} among {nests} nests over {window} days, {which}: {took:.2f} s, "
                    f"{busy:.2f} s of them at work ({found.verdict.cause})"
                )
        begun = time.perf_counter()
        seen, beyond = plain_loop(store, registry, START_MS, died_ms)
        print(f"plain loop over {seen} readings of {days} days: {time.perf_counter() - begun:.2f} s ({beyond} beyond)")
        store.close()


if __name__ == "__main__":
    main()
