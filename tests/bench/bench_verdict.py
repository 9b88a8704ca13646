"""Scores the verdict of the review on simulated deaths of known cause: how often each cause is named, and who is blamed wrongly.

python tests/bench/bench_verdict.py [--first N] [--rooms N] [--smoke]

Three simulators of different make, ``tests/insight/die_off_room.py``, ``varied_rooms.py`` and ``species_rooms.py``; each row
is what happened, each column what was said. A plain rule of thumb stands beside: the factor with most hours beyond its limits is the cause.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "insight"))

import die_off_room
import species_rooms
import varied_rooms

from sensord.db import open_db
from sensord.insight.history import History
from sensord.insight.review import Review
from sensord.insight.verdict import CAUSE
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.reviewing import Reviewing

LIBRARY = load_species(None)
UNBLAMED = ("not_climate", "cannot_tell")


def review_of(room: Any, store: Any, at_ms: int) -> Review:
    """What the product says of a room."""
    registry = Registry(open_db(":memory:"))
    registry.put_nests(room.nests)
    registry.put_placements(room.placements)
    registry.add_entries(room.entries)
    return Reviewing(History(store, registry), registry, Keeping(LIBRARY)).review(room.dead, at_ms)


def rule_of_thumb(found: Review) -> str:
    """Most hours beyond a limit."""
    hours: Counter[str] = Counter()
    for one in found.exposures:
        hours[CAUSE[one.factor]] += one.hours
    return max(hours, key=lambda cause: hours[cause]) if hours else "not_climate"


def first_simulator(what: str, seed: int) -> Review:
    room = die_off_room.make_room(what, seed)
    return review_of(room, die_off_room.HourlyRoom(room), room.died_ms)


def second_simulator(what: str, seed: int) -> Review:
    room = varied_rooms.make(what, seed)
    return review_of(room, varied_rooms.SeriesStore(room), room.at_ms)


def third_simulator(what: str, seed: int) -> Review:
    room = species_rooms.make(what, seed)
    return review_of(room, varied_rooms.SeriesStore(room), room.at_ms)


def score(name: str, made: Any, ask: Callable[[str, int], Review], seeds: range) -> None:
    """Print the confusion matrix and the two figures that count."""
    causes, innocent = made.CAUSES, made.INNOCENT
    named: Counter[str] = Counter()
    blamed: Counter[str] = Counter()
    print(f"{name}, rooms {seeds.start} to {seeds.stop - 1}")
    for what in (*causes, *innocent, "too_little"):
        found = [ask(what, seed) for seed in seeds]
        said = Counter(one.verdict.cause for one in found)
        thumb = Counter(rule_of_thumb(one) for one in found)
        print(f"  {what:16} {', '.join(f'{cause} {n}' for cause, n in said.most_common())}", flush=True)
        for who, counts in (("review", said), ("thumb", thumb)):
            if what in innocent:
                blamed[who] += sum(n for cause, n in counts.items() if cause not in UNBLAMED)
            else:
                named[who] += counts["cannot_tell" if what == "too_little" else what]
    of_known, of_innocent = len(seeds) * (len(causes) + 1), len(seeds) * len(innocent)
    for who in ("review", "thumb"):
        print(
            f"  {who}: named {named[who]} of {of_known} ({named[who] / of_known:.1%}), "
            f"blamed wrongly {blamed[who]} of {of_innocent} ({blamed[who] / of_innocent:.1%})"
        )


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--rooms", type=int, default=10)
    parser.add_argument("--smoke", action="store_true")
    args = parser.parse_args()
    seeds = range(args.first, args.first + (1 if args.smoke else args.rooms))
    score("one cellar", die_off_room, first_simulator, seeds)
    score("rooms of many kinds", varied_rooms, second_simulator, seeds)
    score("rooms of several species", species_rooms, third_simulator, seeds)


if __name__ == "__main__":
    main()
