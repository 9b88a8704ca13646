"""Simulated deaths of known cause, with decoys: the cause is named, and innocent deaths are not blamed on the climate."""

from __future__ import annotations

import json
from collections import Counter

import pytest
from die_off_room import CAUSES, INNOCENT, HourlyRoom, SimulatedRoom, make_room

from sensord.db import open_db
from sensord.insight.history import History
from sensord.insight.review import as_json
from sensord.keeping.keeping import Keeping
from sensord.keeping.registry import Registry
from sensord.keeping.species import load_species
from sensord.reviewing import Reviewing

LIBRARY = load_species(None)
ROOMS = 4


def review_of(room: SimulatedRoom, at_ms: int | None = None):
    """What the product says of it."""
    registry = Registry(open_db(":memory:"))
    registry.put_nests(room.nests)
    registry.put_placements(room.placements)
    registry.add_entries(room.entries)
    reviewing = Reviewing(History(HourlyRoom(room), registry), registry, Keeping(LIBRARY))
    return reviewing.review(room.dead, at_ms or room.died_ms)


def verdicts(what: str) -> Counter[str]:
    return Counter(review_of(make_room(what, seed)).verdict.cause for seed in range(ROOMS))


@pytest.mark.slow
def test_causes_named():
    """At least nine in ten deaths of a known climate cause get that cause."""
    found = {cause: verdicts(cause) for cause in CAUSES}
    named = sum(found[cause][cause] for cause in CAUSES)
    assert named >= 0.9 * ROOMS * len(CAUSES), found


@pytest.mark.slow
def test_innocent_climate_not_blamed():
    """At most one in twenty deaths of something else is blamed on the climate, whatever decoy goes with it."""
    found = {what: verdicts(what) for what in INNOCENT}
    blamed = sum(n for one in found.values() for cause, n in one.items() if cause not in ("not_climate", "cannot_tell"))
    assert blamed <= 0.05 * ROOMS * len(INNOCENT), found


def test_too_little():
    """A probe silent through the last week or longer: nobody can tell, and the review says so."""
    assert verdicts("too_little") == {"cannot_tell": ROOMS}


def test_document():
    """The JSON document has the fields of the contract, and what it says of a heat mat holds together."""
    document = json.loads(json.dumps(as_json(review_of(make_room("heat", 1)))))
    assert list(document) == ["nest", "at", "window", "coverage", "exposures", "siblings", "findings", "verdict"]
    assert document["siblings"] == {"nests": 11, "died": 0}
    assert document["coverage"] == pytest.approx(1.0, abs=0.01)
    hot = [one for one in document["exposures"] if one["factor"] == "hot"]
    assert list(hot[0]) == ["factor", "from", "to", "hours", "worst", "limit", "dose", "sibling_percentile"]
    assert all(one["worst"] > one["limit"] and one["dose"] is None for one in hot)
    assert hot[0]["sibling_percentile"] == 100.0
    assert document["verdict"]["cause"] == "heat" == document["findings"][0]["cause"]
    assert "consistent with heat. " in document["verdict"]["because"]
    assert "too hot, worst" in document["verdict"]["because"]
