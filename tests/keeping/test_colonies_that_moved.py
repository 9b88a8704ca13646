"""When a colony has left its nest: both the move and the new home must be noted, and nothing is guessed."""

from __future__ import annotations

from sensord.clock import DAY_MS
from sensord.keeping.colony import Stay, colonies, dead_nests, followed, left_nests, moved_out_ms, stays
from sensord.model import Entry, EntryKind, Nest, NestKind


def nest(name: str, colony: str = "", since_day: int | None = None) -> Nest:
    since_ms = None if since_day is None else since_day * DAY_MS
    return Nest(name, NestKind.TUBE, "ants", colony=colony, since_ms=since_ms)


def entry(name: str, day: int, kind: EntryKind = EntryKind.MOVE, amount: float | None = None) -> Entry:
    return Entry(day * DAY_MS, name, kind, amount)


OLD, NEW = nest("T-1", "Ada"), nest("N-1", "Ada", 20)
BESIDE = nest("T-0", "Bea"), nest("Z-9", "Zoe", 1)


def test_move_and_new_home_together_tell_that_a_nest_was_left() -> None:
    """The later of the two counts, whichever way round the keeper noted them."""
    history = [*BESIDE, OLD, NEW]
    assert moved_out_ms(history, [entry("T-1", 18)]) == {"T-1": [20 * DAY_MS]}
    assert moved_out_ms(history, [entry("T-1", 25)]) == {"T-1": [25 * DAY_MS]}
    assert moved_out_ms(history, [entry("T-1", 25), entry("T-1", 18)]) == {"T-1": [20 * DAY_MS, 25 * DAY_MS]}


def test_either_alone_tells_nothing() -> None:
    """The name at a second nest may be a second nest; a move without a new home may be a move within the room."""
    assert moved_out_ms([*BESIDE, OLD, NEW], []) == {}
    assert moved_out_ms([*BESIDE, OLD], [entry("T-1", 18)]) == {}
    assert moved_out_ms([*BESIDE, OLD, NEW], [entry("Z-9", 18)]) == {}
    assert moved_out_ms([OLD, NEW], [entry("T-7", 18)]) == {}, "a nest nobody knows"


def test_a_home_that_stood_before_the_old_one_is_no_new_one() -> None:
    assert moved_out_ms([nest("T-1", "Ada", 30), NEW], [entry("T-1", 40)]) == {}
    assert moved_out_ms([nest("T-1", "Ada", 20), NEW], [entry("T-1", 40)]) == {}, "nor one of the same instant"
    assert moved_out_ms([OLD, nest("N-1", "Ada")], [entry("T-1", 40)]) == {}, "nor one that stood always"


def test_a_colony_without_a_name_goes_by_its_nest() -> None:
    assert moved_out_ms([nest("T-1"), nest("N-1", "T-1", 20)], [entry("T-1", 21)]) == {"T-1": [21 * DAY_MS]}


def test_a_move_is_of_the_colony_that_lived_there_then() -> None:
    """Ada's tube is Bea's from day 30 on: a move of day 40 is Bea's, and Bea's name stands nowhere else."""
    history = [OLD, nest("T-1", "Bea", 30), NEW]
    assert moved_out_ms(history, [entry("T-1", 40)]) == {}
    assert moved_out_ms(history, [entry("T-1", 29)]) == {"T-1": [29 * DAY_MS]}


def test_a_nest_is_left_from_that_instant_until_ants_come_again() -> None:
    history = [*BESIDE, OLD, NEW]
    moves = [entry("T-1", 22)]
    assert left_nests(history, moves, 22 * DAY_MS - 1) == set()
    assert left_nests(history, moves, 22 * DAY_MS) == {"T-1"}
    again = [*BESIDE, OLD, nest("T-1", "Cleo", 30), NEW]
    assert left_nests(again, moves, 30 * DAY_MS - 1) == {"T-1"}
    assert left_nests(again, moves, 30 * DAY_MS) == set()


def test_counts_and_meals_follow_the_ants_and_water_stays_with_the_nest() -> None:
    by_nest = {
        "T-1": [entry("T-1", 1, EntryKind.COUNT, 8), entry("T-1", 2, EntryKind.FILL, 11.0), entry("T-1", 25, EntryKind.COUNT, 1)],
        "N-1": [entry("N-1", 19, EntryKind.FEED_SUGAR), entry("N-1", 21, EntryKind.FEED_SUGAR), entry("N-1", 22, EntryKind.LEVEL, 3.0)],
    }  # fmt: skip
    stays = [Stay("T-1", None, 20 * DAY_MS), Stay("N-1", 20 * DAY_MS, None)]
    found = [(one.nest, one.at_ms // DAY_MS, one.kind) for one in followed(NEW, stays, by_nest)]
    assert found == [("T-1", 1, EntryKind.COUNT), ("N-1", 21, EntryKind.FEED_SUGAR), ("N-1", 22, EntryKind.LEVEL)]


def test_what_was_noted_of_ants_that_died_is_not_of_those_that_came_after() -> None:
    """Up to the very instant of the death."""
    rows = [
        entry("T-1", 1, EntryKind.COUNT, 8), entry("T-1", 5, EntryKind.COUNT, 2), entry("T-1", 5, EntryKind.DIED),
        entry("T-1", 9, EntryKind.COUNT, 1),
    ]  # fmt: skip
    found = followed(OLD, [Stay("T-1", None, None)], {"T-1": rows})
    assert [one.at_ms // DAY_MS for one in found] == [9]


def test_a_nest_is_dead_until_other_ants_are_noted_in_it() -> None:
    """The same colony's name again after its death is a correction of the nest, no new life."""
    died = [entry("T-1", 10, EntryKind.DIED)]
    assert dead_nests([OLD], died, 10 * DAY_MS - 1) == set()
    assert dead_nests([OLD], died, 10 * DAY_MS) == {"T-1"}
    assert dead_nests([OLD, nest("T-1", "Ada", 12)], died, 20 * DAY_MS) == {"T-1"}
    assert dead_nests([OLD, nest("T-1", "Bea", 12)], died, 20 * DAY_MS) == set()
    assert dead_nests([OLD, nest("T-1", "", 12)], died, 20 * DAY_MS) == set()
    assert dead_nests([OLD, nest("T-1", "Bea", 12)], died, 11 * DAY_MS) == {"T-1"}
    assert dead_nests([OLD, nest("T-1", "Bea", 10)], died, 20 * DAY_MS) == {"T-1"}, "noted with the death"


def test_only_counts_with_a_number_are_counts() -> None:
    """Not the mL of a fill, nor a count that was noted without a number."""
    rows = [
        entry("T-1", 1, EntryKind.COUNT, 8.0), entry("T-1", 2, EntryKind.FILL, 11.0), entry("T-1", 3, EntryKind.COUNT),
        entry("T-1", 4, EntryKind.COUNT, 12.0), entry("T-0", 5, EntryKind.COUNT, 99.0),
    ]  # fmt: skip
    (ada,) = [one for one in colonies([*BESIDE, OLD], rows, 9 * DAY_MS) if one.name == "Ada"]
    assert ada.counts == ((DAY_MS, 8), (4 * DAY_MS, 12))


def test_a_nest_noted_and_left_in_one_instant_was_left() -> None:
    """The move of day 20 is of the state that begins on day 20; the new home is of later."""
    history = [nest("T-1", "Ada", 20), nest("N-1", "Ada", 21)]
    assert moved_out_ms(history, [entry("T-1", 20)]) == {"T-1": [21 * DAY_MS]}


def test_stays_join_where_only_the_nests_state_changed_and_a_move_ends_one() -> None:
    """A tube noted anew on day 5 is one stay; the nest of day 20 ends it; a stay is of the oldest first."""
    history = [NEW, nest("T-1", "Ada"), nest("T-1", "Ada", 5)]
    assert stays(history, 30 * DAY_MS)["Ada"] == (Stay("T-1", None, 20 * DAY_MS), Stay("N-1", 20 * DAY_MS, None))
    assert stays(history, 10 * DAY_MS)["Ada"] == (Stay("T-1", None, None),)
