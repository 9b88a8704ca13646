"""What several dead nests share, against Fisher's own example and an independent library (a dev dependency only)."""

from __future__ import annotations

from datetime import UTC

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference import reference

from sensord.clock import DAY_MS
from sensord.errors import InputError
from sensord.insight.chances import at_least, holm, in_words, p_of
from sensord.insight.in_common import Marked, as_json, in_common, traits_of
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Stage

NOON_MS = 1_775_044_800_000  # 2026-04-01T12:00Z


def test_lady_tasting_tea():
    """Fisher 1935, The Design of Experiments, ch. 2: eight cups, four each; all right 1 in 70, three or more 17 in 70."""
    assert at_least(4, 4, 4, 8) == pytest.approx(1 / 70)
    assert at_least(3, 4, 4, 8) == pytest.approx(17 / 70)


@settings(deadline=None)
@given(
    st.integers(1, 60).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n), st.integers(0, n), st.integers(0, n)))
)
def test_exact_test_as_library(case):
    """The tail agrees with SciPy's Fisher exact test on any table."""
    stats = reference("scipy.stats")
    everybody, drawn, marked, hits = case
    hits = max(min(hits, drawn, marked), drawn + marked - everybody, 0)
    table = [[hits, marked - hits], [drawn - hits, everybody - marked - drawn + hits]]
    expected = stats.fisher_exact(table, alternative="greater").pvalue
    assert at_least(hits, drawn, marked, everybody) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_impossible_draw():
    """More drawn than there are is refused."""
    with pytest.raises(InputError):
        at_least(1, 9, 1, 8)


def test_holm_worked():
    """Holm 1979 by hand: 0.01, 0.04, 0.03, 0.005 of four looks become 0.03, 0.06, 0.06, 0.02."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.9, 0.8]) == [1.0, 1.0]
    assert holm([]) == []


def test_chances_in_words():
    """Rare chances as 1 in so many, frequent ones as a share of ten."""
    assert [in_words(p) for p in (0.5, 0.04, 1 / 70, 1 / 2034, 0.0)] == [
        "5 in 10", "1 in 25", "1 in 70", "1 in 2,000", "1 in 1,000,000,000"
    ]  # fmt: skip


def test_p_values_as_tables_have_them():
    """Two digits; the very small ones only as such."""
    assert [p_of(p) for p in (1.0, 0.0432, 0.00031, 2.8e-22)] == ["1", "0.043", "0.00031", "< 0.0001"]


def nests(dead_on_b=5, dead_on_a=1, living_on_b=7, living_on_a=41, *more):
    rows = [(dead_on_b, True, "B"), (dead_on_a, True, "A"), (living_on_b, False, "B"), (living_on_a, False, "A")]
    return [
        Marked(f"{rack}{died:d}{number}", died, frozenset({("rack", rack), ("species", "Lasius niger"), *more}))
        for count, died, rack in rows
        for number in range(count)
    ]


def test_a_rack_is_found_and_told():
    """5 of 6 dead on a rack where 12 of 54 stand: the exact chance, in plain words.

    That all six stood on a rack of 42 could be chance, however they fell, and all are of one species: no looks.
    """
    found = in_common(nests())
    assert found.looks == 1
    best = found.shared[0]
    expected = at_least(5, 6, 12, 54)
    assert (best.dead, best.of_dead, best.living, best.of_living) == (5, 6, 7, 48)
    assert best.chance == pytest.approx(expected)
    assert best.chance_holm == best.chance
    assert "5 of 6 dead stood on rack B, and 7 of 48 that live: by chance alone 1 in 760" in found.because
    assert as_json(found)["shared"][0]["p"] == pytest.approx(expected)


def test_many_looks_are_allowed_for():
    """Four racks and a species could each be rare: the chance is allowed for five looks."""
    more = [Marked(f"C{n}", False, frozenset({("rack", "C")})) for n in range(12)]
    more += [Marked(f"D{n}", False, frozenset({("rack", "D")})) for n in range(12)]
    found = in_common(nests(5, 1, 7, 11) + more)
    assert found.looks == 5
    assert found.shared[0].chance_holm == pytest.approx(5 * found.shared[0].chance)
    assert "with all looks allowed for" in found.because


def test_what_marks_the_same_nests_is_one_look():
    """A hub that serves one rack alone cannot be told from it: one line, one look."""
    marked = [
        Marked(one.nest, one.died, one.traits | ({("hub", "hub-b")} if ("rack", "B") in one.traits else frozenset()))
        for one in nests()
    ]
    found = in_common(marked)
    assert found.looks == 1
    assert found.shared[0].what == "stood on rack B and hung on hub hub-b"


def test_nothing_in_common():
    """Deaths spread as the living are: nothing clear is said."""
    found = in_common(nests(2, 6, 10, 36))
    assert not any(one.rare for one in found.shared)
    assert found.because.startswith("Nothing that the dead share sets them clearly apart from the 46 nests that live")


def test_a_small_room_shows_what_is_shared_and_calls_nothing_rare():
    """Of two dead in five nothing could be rare: what they share is listed, and not called more than that."""
    rows = [Marked(str(n), n < 2, frozenset({("rack", "A" if n < 3 else "B")})) for n in range(5)]
    found = in_common(rows)
    assert found.looks == 0
    assert [(one.what, one.chance_holm, one.rare) for one in found.shared] == [("stood on rack A", 1.0, False)]


def test_no_living():
    """Without living nests nothing can be held against them."""
    assert "no living nest" in in_common(nests(3, 3, 0, 0)).because


def test_innocent_rooms_are_seldom_blamed():
    """By chance alone a line is called rare in at most about one room of twenty, whatever is noted (Holm's bound)."""
    import random

    rng = random.Random(4)
    called = 0
    for _ in range(300):
        room = [
            Marked(str(n), n < 6, frozenset({("rack", rng.choice("ABCD")), ("water", rng.choice("123456")),
                   ("sugar", rng.choice("123")), ("species", rng.choice("xyz"))}))
            for n in range(60)
        ]  # fmt: skip
        called += any(one.rare for one in in_common(room).shared)
    assert called <= 25


def test_traits_of_a_nest():
    """Where it stands, what it is, what was done within the span, and who measured it."""
    nest = Nest("T1", NestKind.TUBE, "cellar", "B", "Lasius niger", stage=Stage.FOUNDING)
    entries = [
        Entry(NOON_MS, "T1", EntryKind.FILL, 8.0, "mL", "rain water"),
        Entry(NOON_MS + DAY_MS, "T1", EntryKind.FEED_SUGAR),
        Entry(NOON_MS - 60 * DAY_MS, "T1", EntryKind.FEED_PROTEIN),
        Entry(NOON_MS + 3 * DAY_MS, "T1", EntryKind.MOVE),
    ]
    placements = [
        Placement("hub-b/t1", "T1", "cellar", Place.WET_END, NOON_MS - 90 * DAY_MS),
        Placement("old", "T1", "cellar", Place.DRY_END, 0, NOON_MS - 90 * DAY_MS),
    ]
    span = (NOON_MS - 30 * DAY_MS, NOON_MS + 2 * DAY_MS)
    found = traits_of(nest, NOON_MS - 100 * DAY_MS, entries, placements, span, zone=UTC, above_room_c=3.1)
    assert found == {
        ("room", "cellar"), ("rack", "B (cellar)"), ("species", "Lasius niger"), ("stage", "founding"),
        ("came", "22 Dec 2025"), ("age", "3 to 12 months"), ("water", "1 Apr 2026"), ("water noted", "rain water"),
        ("sugar", "2 Apr 2026"), ("probe", "hub-b/t1"), ("hub", "hub-b"), ("heated", "2 °C warmer"),
    }  # fmt: skip
