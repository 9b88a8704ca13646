"""Deaths of known cause in rooms of many kinds, by a second simulator: the cause is named, innocent climate is not blamed."""

from __future__ import annotations

from collections import Counter

import pytest
from varied_rooms import CAUSES, INNOCENT, TOO_LITTLE, SeriesStore, VariedRoom, make

from sensord.db import open_db
from sensord.insight.history import History
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.reviewing import Reviewing

LIBRARY = load_species(None)
ROOMS = range(900, 905)


def review_of(room: VariedRoom):
    """What the product says of it."""
    registry = Registry(open_db(":memory:"))
    registry.put_nests(room.nests)
    registry.put_placements(room.placements)
    registry.add_entries(room.entries)
    reviewing = Reviewing(History(SeriesStore(room), registry), registry, Keeping(LIBRARY))
    return reviewing.review(room.dead, room.at_ms)


def verdicts(what: str) -> Counter[str]:
    return Counter(review_of(make(what, seed)).verdict.cause for seed in ROOMS)


@pytest.mark.slow
def test_causes_named_in_rooms_of_many_kinds():
    """At least nine in ten deaths of a known climate cause get that cause, whatever species, season, cadence and probe."""
    found = {cause: verdicts(cause) for cause in CAUSES}
    named = sum(found[cause][cause] for cause in CAUSES)
    assert named >= 0.9 * len(ROOMS) * len(CAUSES), found


@pytest.mark.slow
def test_innocent_climate_not_blamed_in_rooms_of_many_kinds():
    """At most one in twenty innocent deaths is blamed on the climate, decoys included."""
    found = {what: verdicts(what) for what in INNOCENT}
    blamed = sum(n for one in found.values() for cause, n in one.items() if cause not in ("not_climate", "cannot_tell"))
    assert blamed <= 0.05 * len(ROOMS) * len(INNOCENT), found


@pytest.mark.slow
def test_too_little_recorded_in_rooms_of_many_kinds():
    """Silent for a week and more, never there, put in on the last evening, or an hour here and there: nobody can tell."""
    assert verdicts(TOO_LITTLE) == {"cannot_tell": len(ROOMS)}
