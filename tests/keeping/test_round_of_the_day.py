"""The day's round: worked examples. Intervals are the species files' or common practice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from sensord.clock import DAY_MS, HOUR_MS, to_ms
from sensord.keeping.rest import Rest
from sensord.keeping.round import Checked, Line, Situation, Task, Urgency, names_probe, round_of, stage_of
from sensord.keeping.seasons import season_at
from sensord.keeping.species import Species, find_species, load_species
from sensord.model import Entry, EntryKind, Nest, NestKind, Season, Stage

LIBRARY = load_species(None)
NIGER = find_species(LIBRARY, "Lasius niger")  # claustral, needs a winter rest
BARBARUS = find_species(LIBRARY, "Messor barbarus")
JUNE = to_ms(datetime(2026, 6, 10, 9, tzinfo=UTC))


def entry(kind: EntryKind, days_ago: float, amount: float | None = None, at_ms: int = JUNE) -> Entry:
    """A journal entry of so many days ago."""
    return Entry(round(at_ms - days_ago * DAY_MS), "T-01", kind, amount)


def situation(species: Species = NIGER, at_ms: int = JUNE, **changes: object) -> Situation:
    """A tube that needs nothing: filled yesterday, counted, fed today."""
    fresh = [entry(EntryKind.FILL, 1, 11.0, at_ms), entry(EntryKind.COUNT, 1, 5.0, at_ms)]
    fresh += [entry(kind, 0.1, None, at_ms) for kind in (EntryKind.FEED_SUGAR, EntryKind.FEED_PROTEIN)]
    nest = Nest("T-01", NestKind.TUBE, "loft", "A", species.name, stage=Stage.NANITIC)
    one = Situation(nest, species, Stage.NANITIC, season_at(species, at_ms), tuple(fresh), (40.0, 50.0))
    return replace(one, **changes)


def tasks(one: Situation, at_ms: int = JUNE) -> dict[Task, Line]:
    """The lines of one nest, by task."""
    return {line.task: line for line in round_of([one], [], at_ms)}


def test_a_nest_that_has_all_gives_no_line() -> None:
    assert tasks(situation()) == {}


@pytest.mark.parametrize(
    ("days_left", "urgency"),
    [
        ((0.2, 0.4), Urgency.NOW),
        ((0.5, 1.0), Urgency.NOW),
        ((0.5, 1.01), Urgency.TODAY),
        ((1.0, 2.5), Urgency.TODAY),
        ((3.0, 9.0), Urgency.TODAY),
    ],
)
def test_a_reservoir_is_topped_up_before_it_runs_dry(days_left: tuple[float, float], urgency: Urgency) -> None:
    line = tasks(situation(days_left=days_left))[Task.TOP_UP]
    assert (line.urgency, line.done_kind) == (urgency, EntryKind.TOP_UP)
    assert "dry" in line.why


def test_a_reservoir_that_lasts_is_no_line() -> None:
    assert tasks(situation(days_left=(3.1, 4.0))) == {}


def test_a_claustral_queen_without_workers_is_left_alone() -> None:
    """Common practice: no feeding, no counting; water only when it is nearly gone."""
    queen = situation(stage=Stage.FOUNDING, entries=(entry(EntryKind.FILL, 5, 11.0),), days_left=(2.5, 4.0))
    assert tasks(queen) == {}
    line = tasks(replace(queen, days_left=(1.5, 2.0)))[Task.TOP_UP]
    assert "disturb the queen as little" in line.why


def test_leftovers_are_cleared_a_day_after_protein() -> None:
    one = situation()
    early = (*one.entries[:-1], entry(EntryKind.FEED_PROTEIN, 0.9))
    late = (*one.entries[:-1], entry(EntryKind.FEED_PROTEIN, 1.0))
    assert Task.LEFTOVERS_OUT not in tasks(replace(one, entries=early))
    assert Task.LEFTOVERS_OUT in tasks(replace(one, entries=late))
    assert Task.LEFTOVERS_OUT not in tasks(replace(one, entries=(*late, entry(EntryKind.LEFTOVERS_OUT, 0.1))))


def test_food_is_due_by_the_rhythm_of_species_and_stage() -> None:
    every = NIGER.feeding_days(Stage.NANITIC, "sugar")
    assert every is not None
    one = situation()
    kept = tuple(each for each in one.entries if each.kind != EntryKind.FEED_SUGAR)
    assert Task.FEED_SUGAR not in tasks(replace(one, entries=(*kept, entry(EntryKind.FEED_SUGAR, every - 0.1))))
    due = tasks(replace(one, entries=(*kept, entry(EntryKind.FEED_SUGAR, every + 0.1))))[Task.FEED_SUGAR]
    late = tasks(replace(one, entries=(*kept, entry(EntryKind.FEED_SUGAR, 2 * every + 0.1))))[Task.FEED_SUGAR]
    assert (due.urgency, late.urgency) == (Urgency.TODAY, Urgency.NOW)


@pytest.mark.parametrize(("workers", "urgency"), [(9, None), (10, Urgency.WHEN_THERE), (20, Urgency.TODAY)])
def test_a_colony_moves_to_a_nest_at_ten_to_twenty_workers(workers: float, urgency: Urgency | None) -> None:
    """Common practice."""
    one = situation(entries=(*situation().entries, entry(EntryKind.COUNT, 0.5, workers)))
    line = tasks(one).get(Task.MOVE)
    assert (line.urgency if line else None) == urgency


def test_a_humid_outworld_halves_the_life_of_a_barrier() -> None:
    every = NIGER.number("escape.renew_every_days")
    assert every is not None
    nest = replace(situation().nest, kind=NestKind.FORMICARIUM)
    entries = (*situation().entries, entry(EntryKind.BARRIER, every * 0.6))
    assert Task.BARRIER not in tasks(situation(nest=nest, entries=entries, outworld_rh_pct=50.0))
    assert "humid" in tasks(situation(nest=nest, entries=entries, outworld_rh_pct=80.0))[Task.BARRIER].why


def test_a_suspected_fill_is_asked_about() -> None:
    line = tasks(situation(asks="was it filled?"))[Task.READ_LEVEL]
    assert line.why == "was it filled?"


def test_winter_rest_begins_is_looked_after_and_ends() -> None:
    """Across year end; the dates are the species file's."""
    zone = ZoneInfo("Europe/Berlin")
    lines = {}
    for name, day in (("begin", (2026, 11, 2)), ("middle", (2027, 1, 1)), ("end", (2027, 3, 2))):
        at_ms = to_ms(datetime(*day, 9, tzinfo=UTC))
        moment = season_at(NIGER, at_ms, zone=zone)
        quiet = (entry(EntryKind.FILL, 20, 11.0, at_ms),)
        one = situation(at_ms=at_ms, moment=moment, entries=quiet, stage=Stage.GROWING)
        lines[name] = tasks(one, at_ms)
    assert "begins" in lines["begin"][Task.REST].why
    assert "last looked after 20 days ago" in lines["middle"][Task.REST].why
    assert "ends" in lines["end"][Task.REST].why
    assert Task.FEED_SUGAR not in lines["middle"]
    assert Task.FEED_SUGAR in lines["end"]


@pytest.mark.parametrize(
    ("at", "why"),
    [
        ("2026-10-02", "winter rest comes near: cooler by and by, 23.5 to 6.5 °C in 31 days; food out"),
        ("2026-03-02", "winter rest ends: warmer by and by, 6.5 to 23.5 °C in 31 days; water first"),
    ],
)
def test_a_ramp_says_from_where_to_where_and_how_long(at: str, why: str) -> None:
    """Ideal middles of Lasius niger, active (20+27)/2 and rest (4+9)/2 °C; October and March have 31 days."""
    at_ms = to_ms(datetime.fromisoformat(f"{at}T12:00:00+00:00"))
    assert why == tasks(situation(at_ms=at_ms), at_ms)[Task.REST].why


def test_a_ramp_without_end_or_temperatures_says_neither() -> None:
    at_ms = to_ms(datetime(2026, 10, 2, tzinfo=UTC))
    endless = replace(season_at(NIGER, at_ms), until_ms=None)
    assert "cooler by and by; food out" in tasks(situation(at_ms=at_ms, moment=endless), at_ms)[Task.REST].why


def test_seasons_of_the_round_follow_hemisphere_and_leap_day() -> None:
    june = season_at(NIGER, JUNE, hemisphere="south").season
    leap = season_at(NIGER, to_ms(datetime(2028, 2, 29, 12, tzinfo=UTC))).season
    assert (june, leap) == (Season.WINTER_REST, Season.WINTER_REST)


def test_the_last_count_tells_the_stage() -> None:
    nest = situation().nest
    counts = [(0, Stage.FOUNDING), (1, Stage.NANITIC), (20, Stage.GROWING), (200, Stage.ESTABLISHED)]
    for workers, stage in counts:
        assert stage_of(NIGER, nest, [entry(EntryKind.COUNT, 1, workers)]) == stage
    assert stage_of(NIGER, replace(nest, stage=None), []) == Stage.FOUNDING


def test_the_order_is_urgency_then_the_way_through_the_room() -> None:
    dry = {name: situation(days_left=(0.1, 0.2), nest=replace(situation().nest, name=name)) for name in ("T-10", "T-9")}
    later = situation(days_left=(2.0, 3.0), nest=replace(situation().nest, name="T-1"))
    lines = round_of(
        [dry["T-10"], later, dry["T-9"]], [Checked("loft/a1", "loft", "", None, JUNE - 366 * DAY_MS)], JUNE
    )
    assert [line.nest for line in lines] == ["T-9", "T-10", "T-1", None]
    assert lines[-1].task == Task.CALIBRATE


def test_summer_time_moves_no_due_date() -> None:
    """The night of 2026-03-29 in Europe has 23 hours; a day after protein is still 24 hours."""
    at_ms = to_ms(datetime(2026, 3, 29, 8, tzinfo=UTC))
    one = situation(species=BARBARUS, at_ms=at_ms)
    fed = Entry(at_ms - 24 * HOUR_MS, "T-01", EntryKind.FEED_PROTEIN)
    assert Task.LEFTOVERS_OUT in tasks(replace(one, entries=(*one.entries[:-1], fed)), at_ms)


def rest(**changes: object) -> Rest:
    """Sixty days of a winter rest, all of it in its band."""
    one = Rest(WINTER - 60 * DAY_MS, 2.0, 8.0, 1_440.0, 1_440.0, 48.0, 48.0, 5.0, 90.0)
    return replace(one, **changes)


WINTER = to_ms(datetime(2027, 1, 10, 9, tzinfo=UTC))
LOST = rest(recent_in_band_h=0.0, recent_mean_c=15.0)
ENOUGH = rest(least_days=30.0)
NOVEMBER = to_ms(datetime(2026, 11, 2, 9, tzinfo=UTC))
MARCH = to_ms(datetime(2027, 3, 2, 9, tzinfo=UTC))
BARE: tuple[Entry, ...] = ()


@pytest.mark.parametrize(
    ("task", "one", "at_ms"),
    [
        (Task.LEFTOVERS_OUT, situation(entries=(entry(EntryKind.FEED_PROTEIN, 1.5),)), JUNE),
        (Task.FEED_SUGAR, situation(entries=BARE), JUNE),
        (Task.FEED_PROTEIN, situation(entries=BARE), JUNE),
        (Task.COUNT, situation(entries=BARE), JUNE),
        (Task.READ_LEVEL, situation(entries=BARE), JUNE),
        (Task.MOVE, situation(entries=(entry(EntryKind.COUNT, 1, 25.0),)), JUNE),
        (Task.BARRIER, situation(nest=Nest("T-01", NestKind.FORMICARIUM, "loft", "A", NIGER.name)), JUNE),
        (Task.REST, situation(at_ms=NOVEMBER, entries=BARE), NOVEMBER),
        (Task.REST, situation(at_ms=WINTER, entries=BARE), WINTER),
        (Task.REST, situation(at_ms=WINTER, entries=BARE, rest=LOST), WINTER),
        (Task.REST, situation(at_ms=WINTER, entries=BARE, rest=ENOUGH), WINTER),
        (Task.REST, situation(at_ms=MARCH, entries=BARE), MARCH),
        (Task.REST, situation(at_ms=MARCH, entries=BARE, rest=rest()), MARCH),
    ],
)
def test_the_entry_that_a_line_asks_for_ends_it(task: Task, one: Situation, at_ms: int) -> None:
    """All but topping up, which ends when the outlook says so: tests/dashboard/test_round_done.py."""
    line = tasks(one, at_ms)[task]
    assert line.done_kind in line.ended_by
    noted = (*one.entries, Entry(at_ms, "T-01", line.done_kind, 25.0))
    assert task not in tasks(replace(one, entries=noted), at_ms)


def test_at_rest_a_look_a_fortnight_is_due_a_fortnight_after_the_last() -> None:
    looked = entry(EntryKind.LEVEL, 15, 8.0, WINTER)
    line = tasks(situation(at_ms=WINTER, entries=(looked,)), WINTER)[Task.REST]
    assert (line.due_ms, line.urgency) == (looked.at_ms + 14 * DAY_MS, Urgency.WHEN_THERE)
    assert "last looked after 15 days ago" in line.why
    seen = situation(at_ms=WINTER, entries=(entry(EntryKind.LEVEL, 13.9, 8.0, WINTER),))
    assert Task.REST not in tasks(seen, WINTER)


@pytest.mark.parametrize(("noted_days_ago", "asked"), [(13.9, False), (14.1, True)])
def test_a_rest_that_is_done_is_told_again_a_fortnight_later(noted_days_ago: float, asked: bool) -> None:
    noted = (entry(EntryKind.NOTE, noted_days_ago, at_ms=WINTER),)
    lines = tasks(situation(at_ms=WINTER, rest=ENOUGH, entries=noted), WINTER)
    assert asked == (Task.REST in lines)
    assert not asked or "rested enough" in lines[Task.REST].why


def test_a_lost_rest_is_quiet_for_a_day_after_a_note() -> None:
    noted = (entry(EntryKind.NOTE, 0.9, at_ms=WINTER),)
    assert Task.REST not in tasks(situation(at_ms=WINTER, rest=LOST, entries=noted), WINTER)


def test_a_barrier_says_how_old_it_is_and_a_look_how_long_ago_the_last_was() -> None:
    nest = Nest("T-01", NestKind.FORMICARIUM, "loft", "A", NIGER.name)
    old = situation(nest=nest, entries=(entry(EntryKind.BARRIER, 90), entry(EntryKind.LEVEL, 20, 8.0)))
    assert tasks(old)[Task.BARRIER].why.startswith("barrier 90 days old; escape risk ")
    assert tasks(old)[Task.READ_LEVEL].why.startswith("last noted 20 days ago: ")
    assert tasks(situation(nest=nest, entries=BARE))[Task.BARRIER].why.startswith("no barrier noted; ")


def test_only_a_note_that_names_the_probe_says_that_it_was_checked() -> None:
    checked = Entry(JUNE, "T-01", EntryKind.NOTE, None, "", "probe hub/a: beside another, 0.3 % apart")
    assert names_probe(checked, "hub/a")
    assert not names_probe(checked, "hub/a1")
    assert not names_probe(replace(checked, note="all is well"), "hub/a")
    assert not names_probe(replace(checked, kind=EntryKind.BROOD), "hub/a")


def test_protein_of_this_morning_may_lie_though_that_of_last_week_was_never_cleared() -> None:
    fed = (entry(EntryKind.FEED_PROTEIN, 7), entry(EntryKind.FEED_PROTEIN, 0.3))
    assert Task.LEFTOVERS_OUT not in tasks(situation(entries=fed))
    assert Task.LEFTOVERS_OUT in tasks(situation(entries=fed[:1]))


@pytest.mark.parametrize(("changes", "told"), [({}, True), ({"recent_in_band_h": 0.0, "recent_mean_c": 15.0}, False)])
def test_in_the_middle_of_waking_up_only_who_is_cold_still_is_left_there(changes: dict[str, float], told: bool) -> None:
    """Sixty of ninety days counted: one that has long left the cold is not put back."""
    at_ms = MARCH + 14 * DAY_MS
    one = situation(at_ms=at_ms, entries=BARE, rest=rest(begun_ms=at_ms - 90 * DAY_MS, **changes))
    found = tasks(one, at_ms).get(Task.REST)
    assert told == (found is not None and "leave it in the cold" in found.why)


def test_a_probe_is_due_on_the_day_of_the_year() -> None:
    """365 days after it was last checked, not before."""
    for passed_ms, due in ((365 * DAY_MS, 1), (365 * DAY_MS - 1, 0)):
        lines = round_of([], [Checked("hub/a", "loft", "A", "T-01", JUNE - passed_ms)], JUNE)
        assert [line.due_ms for line in lines] == [JUNE] * due


def test_a_rest_that_stays_lost_and_a_colony_that_stays_are_asked_about_again() -> None:
    lost = situation(at_ms=WINTER, rest=LOST, entries=(entry(EntryKind.NOTE, 1.1, at_ms=WINTER),))
    assert Urgency.NOW == tasks(lost, WINTER)[Task.REST].urgency
    stayed = situation(entries=(entry(EntryKind.MOVE, 15), entry(EntryKind.COUNT, 1, 25.0)))
    assert Task.MOVE in tasks(stayed)
