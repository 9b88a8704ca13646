"""Readings a second through a replay, beside a plain loop that does the same comparisons the obvious way.

The plain loop makes an object of each reading, looks the bands up for each, and compares; it keeps no delays, deadbands,
silence, swings or faults. Both read the same readings of the same store. Run: python tests/bench/bench_replay.py [--smoke]
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from pathlib import Path

from sensord.alarms.replay import replay
from sensord.alarms.standing import Standings
from sensord.alarms.tuning import Tuning
from sensord.clock import MINUTE_MS, parse_instant, to_ms
from sensord.keeping.bands import State, bands_for, state_of
from sensord.keeping.keeping import Keeping
from sensord.keeping.seasons import season_at
from sensord.keeping.species import find_species, load_species
from sensord.model import Nest, NestKind, Place, Placement, Reading
from sensord.store.sqlite import SqliteStore

START = to_ms(parse_instant("2026-06-01T00:00:00Z"))
AT_LEAST = 50_000


def main(arguments: list[str] | None = None) -> int:
    """0 when the replay is fast enough."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="little data: only whether it runs")
    args = parser.parse_args(arguments)
    probes, each = (4, 500) if args.smoke else (64, 10_000)
    with tempfile.TemporaryDirectory() as folder:
        store, standings = fill(Path(folder) / "station.db", probes, each)
        until_ms = START + each * MINUTE_MS
        ours_s, alarms = timed(lambda: len(replay(store, standings, Tuning(), START, until_ms).alarms))
        plain_s, out = timed(lambda: plain(store, standings, until_ms))
        store.close()
    count = probes * each
    print(f"readings                 {count:>12,}")
    print(f"replay, readings/s       {count / ours_s:>12,.0f}   ({alarms} alarms)")
    print(f"plain loop, readings/s   {count / plain_s:>12,.0f}   ({out} values out of band)")
    print(f"replay / plain           {plain_s / ours_s:>12.2f}")
    return 0 if args.smoke or count / ours_s >= AT_LEAST else 1


def fill(path: Path, probes: int, each: int) -> tuple[SqliteStore, Standings]:
    """A store of readings, one in 500 stretches dry, and where the probes stand."""
    rng = random.Random(1)
    store = SqliteStore(path)
    names = [f"hub/p{number}" for number in range(probes)]
    for name in names:
        dry = rng.randrange(each)
        store.write([
            Reading(name, START + n * MINUTE_MS, rng.gauss(24, 0.3), 40.0 if dry <= n < dry + 60 else rng.gauss(80, 2))
            for n in range(each)
        ])  # fmt: skip
    nests = [Nest(name[4:], NestKind.TUBE, "cellar", "A", "Lasius niger") for name in names]
    placements = [Placement(name, name[4:], "cellar", Place.WET_END, 0) for name in names]
    return store, Standings(placements, nests, Keeping(load_species(None)))


def plain(store: SqliteStore, standings: Standings, until_ms: int) -> int:
    """Values out of band, found the obvious way."""
    by_probe = {placement.probe: placement for placement in standings.placements}
    by_name = {nest.name: nest for nest in standings.nests}
    out = 0
    for batch in store.stream(START, until_ms):
        for reading in batch:
            placement = by_probe[reading.probe]
            species = find_species(standings.keeping.library, by_name[placement.nest or ""].species)
            bands = bands_for(species, season_at(species, reading.at_ms).season, placement.place)
            for value, band in ((reading.temp_c, bands.temp_c), (reading.rh_pct, bands.rh_pct)):
                out += value is not None and state_of(value, band).state == State.OUT
    return out


def timed(work) -> tuple[float, int]:
    """Seconds, and the result."""
    begin = time.perf_counter()
    result = work()
    return time.perf_counter() - begin, result


if __name__ == "__main__":
    raise SystemExit(main())
