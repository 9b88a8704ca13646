"""Deaths in rooms of several species, made by a third simulator: causes named, innocents not blamed, too little told."""

from __future__ import annotations

from collections import Counter

import pytest
from species_rooms import CAUSES, INNOCENT, LIBRARY, TOO_LITTLE, make
from varied_rooms import SeriesStore

from sensord.db import open_db
from sensord.insight.history import History
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.reviewing import Reviewing

ROOMS = 6


def verdicts(what: str) -> Counter[tuple[str, bool]]:
    """What is said of each room, and whether that is accepted of it."""
    found: Counter[tuple[str, bool]] = Counter()
    for seed in range(ROOMS):
        room = make(what, seed)
        registry = Registry(open_db(":memory:"))
        registry.put_nests(room.nests)
        registry.put_placements(room.placements)
        registry.add_entries(room.entries)
        said = Reviewing(History(SeriesStore(room), registry), registry, Keeping(LIBRARY)).review(room.dead, room.at_ms)
        found[said.verdict.cause, said.verdict.cause in room.accepted] += 1
    return found


def right(found: dict[str, Counter[tuple[str, bool]]]) -> int:
    return sum(n for one in found.values() for (_, accepted), n in one.items() if accepted)


@pytest.mark.slow
def test_causes_named():
    """At least nine in ten: sudden and slow, one nest or several of a rack, in the season or in winter rest."""
    found = {what: verdicts(what) for what in CAUSES}
    assert right(found) >= 0.9 * ROOMS * len(CAUSES), found


@pytest.mark.slow
def test_innocent_climate_not_blamed():
    """At most one in twenty: what all felt, what was long ago or came after, a stuck probe, one that reads at its bounds."""
    found = {what: verdicts(what) for what in INNOCENT}
    blamed = sum(n for one in found.values() for (said, _), n in one.items() if said in CAUSES)
    assert blamed <= 0.05 * ROOMS * len(INNOCENT), found
    assert right(found) >= 0.9 * ROOMS * len(INNOCENT), found


def test_too_little():
    """Silent for the last days or weeks, or heard of two hours a day: nobody can tell."""
    found = verdicts(TOO_LITTLE)
    assert right({TOO_LITTLE: found}) == ROOMS, found
