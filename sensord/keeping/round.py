"""The day's round: what each nest needs from the keeper, why, and in which order. Pure: the instant is an argument.

Intervals that are not a species' own are common practice: leftovers out a day after protein, a count a month, a look at
the column a fortnight, a look at resting colonies a fortnight, a calibration a year. A colony that was offered its new nest may
take a fortnight to move; a rest that is lost is asked about again the next day. Every line ends with an
entry of the journal: of its ``done_kind``, or of another kind in ``ended_by``; that of a room's own probe with a calibration or a
check that the keeper noted.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from sensord.clock import DAY_MS
from sensord.keeping.rest import Rest
from sensord.keeping.seasons import Moment, target_temp_c
from sensord.keeping.species import Species
from sensord.model import Entry, EntryKind, Nest, NestKind, Season, Stage

LEFTOVERS_AFTER_MS = DAY_MS
COUNT_EVERY_DAYS = 30
LOOK_EVERY_DAYS = 14
REST_LOOK_EVERY_DAYS = 14
REST_LOST_AGAIN_DAYS = 1
MOVE_TAKES_DAYS = 14
CALIBRATE_EVERY_DAYS = 365
DRY_SOON_DAYS = 3.0
DRY_URGENT_DAYS = 1.0
FOUNDING_WAITS_UNTIL_DAYS = 2.0
HUMID_OUTWORLD_PCT = 75.0
SEASON_NEWS_MS = 3 * DAY_MS


class Task(StrEnum):
    """What there is to do."""

    TOP_UP = "top_up"
    READ_LEVEL = "read_level"
    LEFTOVERS_OUT = "leftovers_out"
    FEED_SUGAR = "feed_sugar"
    FEED_PROTEIN = "feed_protein"
    BARRIER = "barrier"
    MOVE = "move"
    COUNT = "count"
    REST = "rest"
    CALIBRATE = "calibrate"


_NEWS = {
    Season.WIND_DOWN: "winter rest comes near: cooler by and by{ramp}; food out",
    Season.WINTER_REST: "winter rest begins: into the cold",
    Season.WAKE_UP: "winter rest ends: warmer by and by{ramp}; water first",
}
WATER_SEEN = (EntryKind.FILL, EntryKind.TOP_UP, EntryKind.LEVEL, EntryKind.WEIGH)
_ENDED_BY = {Task.TOP_UP: (EntryKind.TOP_UP, EntryKind.FILL), Task.READ_LEVEL: WATER_SEEN}


class Urgency(StrEnum):
    """How soon."""

    NOW = "now"
    TODAY = "today"
    WHEN_THERE = "when_there"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the round.

    Attributes:
        nest: None for the calibration of a probe that sits in none. due_ms: since when it is due. why: one sentence.
        done_kind: the journal entry that says it is done, None where a command does. probe: the one to check.
    """

    task: Task
    urgency: Urgency
    room: str
    rack: str
    nest: str | None
    due_ms: int
    why: str
    done_kind: EntryKind | None = None
    probe: str = ""

    @property
    def ended_by(self) -> tuple[EntryKind, ...]:
        """Every kind of entry that ends this line."""
        return _ENDED_BY.get(self.task, () if self.done_kind is None else (self.done_kind,))


@dataclass(frozen=True, slots=True)
class Situation:
    """One nest as the round sees it.

    Attributes:
        entries: its journal up to now, ascending; counts and meals are the colony's, wherever it lived. stage: of the colony now.
        days_left: low tenth and middle of the outlook, None where nothing can be said. asks: a fill nobody noted is suspected.
        outworld_rh_pct: over the last day, None without a probe there.
        rest: the winter rest so far, or the one it wakes from; None at any other time.
    """

    nest: Nest
    species: Species
    stage: Stage
    moment: Moment
    entries: Sequence[Entry]
    days_left: tuple[float, float] | None = None
    asks: str = ""
    outworld_rh_pct: float | None = None
    rest: Rest | None = None


@dataclass(frozen=True, slots=True)
class Checked:
    """A probe, where it sits, and when it was last checked: by a calibration, by hand, by a note, or as new when first placed."""

    probe: str
    room: str
    rack: str
    nest: str | None
    at_ms: int


def round_of(situations: Iterable[Situation], checked: Iterable[Checked], at_ms: int) -> list[Line]:
    """The round at an instant: by urgency, then by the way through the room (room, rack, nest).

    Args:
        situations: nests whose colony lives.
        checked: probes, each with its last check.
        at_ms: milliseconds since 1970, UTC.
    """
    lines = [line for one in situations for line in _lines(one, at_ms)]
    lines += [_calibrate(one, at_ms) for one in checked if at_ms - one.at_ms >= CALIBRATE_EVERY_DAYS * DAY_MS]
    order = list(Urgency)
    return sorted(lines, key=lambda line: (order.index(line.urgency), *_way(line), list(Task).index(line.task)))


def _calibrate(one: Checked, at_ms: int) -> Line:
    """A note of its nest that names the probe says that it was checked (``names_probe``); a calibration or a check says so as well."""
    why = f"probe {one.probe}: last checked {_days(at_ms - one.at_ms)} ago; a sensor drifts, check it once a year"
    due_ms = one.at_ms + CALIBRATE_EVERY_DAYS * DAY_MS
    done = EntryKind.NOTE if one.nest else None
    return Line(Task.CALIBRATE, Urgency.WHEN_THERE, one.room, one.rack, one.nest, due_ms, why, done, one.probe)


def names_probe(entry: Entry, probe: str) -> bool:
    """Whether an entry is the note that a probe was checked: it holds ``probe NAME:``, as the round's own line does."""
    return entry.kind == EntryKind.NOTE and f"probe {probe}:" in entry.note


def stage_of(species: Species, nest: Nest, entries: Sequence[Entry]) -> Stage:
    """The stage that the last count tells, else the one noted with the nest, else founding.

    A count of an ``EntryKind.COUNT`` entry is in workers.
    """
    workers = last_count(entries)
    if workers is None:
        return nest.stage or Stage.FOUNDING
    for stage in (Stage.ESTABLISHED, Stage.GROWING, Stage.NANITIC):
        least = species.number(f"stages.{stage}_from_workers")
        if least is not None and workers >= max(1.0, least):
            return stage
    return Stage.FOUNDING


def last_count(entries: Sequence[Entry]) -> float | None:
    """Workers as last counted."""
    counted = [entry.amount for entry in entries if entry.kind == EntryKind.COUNT and entry.amount is not None]
    return counted[-1] if counted else None


def _lines(one: Situation, at_ms: int) -> Iterator[Line]:
    yield from _water(one, at_ms)
    yield from _rest(one, at_ms)
    if _left_alone(one):
        return
    yield from _leftovers(one, at_ms)
    if one.moment.season in (Season.ACTIVE, Season.WAKE_UP):
        yield from _food(one, at_ms)
        yield from _move(one, at_ms)
        yield from _count(one, at_ms)
    yield from _barrier(one, at_ms)


def _left_alone(one: Situation) -> bool:
    """A queen without workers that needs no food is left alone and undisturbed (common practice)."""
    meals = (one.species.feeding_days(Stage.FOUNDING, food) for food in ("sugar", "protein"))
    return one.stage == Stage.FOUNDING and all(days is None for days in meals)


def _water(one: Situation, at_ms: int) -> Iterator[Line]:
    if one.days_left is None:
        yield from _look(one, at_ms, "nobody knows how much water is left")
        return
    soon, middle = one.days_left
    patience = FOUNDING_WAITS_UNTIL_DAYS if _left_alone(one) else DRY_SOON_DAYS
    if soon <= patience:
        urgency = Urgency.NOW if middle <= DRY_URGENT_DAYS else Urgency.TODAY
        why = "dry now" if middle < 0.5 else f"dry in {soon:.0f} to {max(soon, middle):.0f} days"
        quiet = "; disturb the queen as little as you can" if _left_alone(one) else ""
        yield _line(one, Task.TOP_UP, urgency, at_ms, f"{why}{quiet}", EntryKind.TOP_UP)
    elif one.asks:
        yield _line(one, Task.READ_LEVEL, Urgency.WHEN_THERE, at_ms, one.asks, EntryKind.LEVEL)
    else:
        yield from _look(one, at_ms, "a level read now and then keeps the outlook right")


def _look(one: Situation, at_ms: int, why: str) -> Iterator[Line]:
    seen_ms = _last(one, *WATER_SEEN)
    if seen_ms is None or at_ms - seen_ms >= LOOK_EVERY_DAYS * DAY_MS:
        last = "no fill or level noted" if seen_ms is None else f"last noted {_days(at_ms - seen_ms)} ago"
        due_ms = at_ms if seen_ms is None else seen_ms + LOOK_EVERY_DAYS * DAY_MS
        yield _line(one, Task.READ_LEVEL, Urgency.WHEN_THERE, due_ms, f"{last}: {why}", EntryKind.LEVEL)


def _leftovers(one: Situation, at_ms: int) -> Iterator[Line]:
    here = [entry for entry in one.entries if entry.nest == one.nest.name]
    fed_ms = max((entry.at_ms for entry in here if entry.kind == EntryKind.FEED_PROTEIN), default=None)
    cleared_ms = _last(one, EntryKind.LEFTOVERS_OUT) or 0
    if fed_ms is not None and fed_ms > cleared_ms and at_ms - fed_ms >= LEFTOVERS_AFTER_MS:
        why = f"protein given {_days(at_ms - fed_ms)} ago: what is left of it moulds"
        yield _line(one, Task.LEFTOVERS_OUT, Urgency.TODAY, fed_ms + LEFTOVERS_AFTER_MS, why, EntryKind.LEFTOVERS_OUT)


def _food(one: Situation, at_ms: int) -> Iterator[Line]:
    for task, kind, food in (
        (Task.FEED_SUGAR, EntryKind.FEED_SUGAR, "sugar"),
        (Task.FEED_PROTEIN, EntryKind.FEED_PROTEIN, "protein"),
    ):
        every_days = one.species.feeding_days(one.stage, food)
        if every_days is None:
            continue
        fed_ms = _last(one, kind)
        due_ms = at_ms if fed_ms is None else round(fed_ms + every_days * DAY_MS)
        if due_ms <= at_ms:
            late = fed_ms is not None and at_ms - fed_ms > 2 * every_days * DAY_MS
            last = f"no {food} noted yet" if fed_ms is None else f"last {food} {_days(at_ms - fed_ms)} ago"
            why = f"{last}; {one.stage}, every {every_days:g} days"
            yield _line(one, task, Urgency.NOW if late else Urgency.TODAY, due_ms, why, kind)


def _move(one: Situation, at_ms: int) -> Iterator[Line]:
    workers = last_count(one.entries)
    least, most = one.species.number("move.from_workers"), one.species.number("move.by_workers")
    if one.nest.kind != NestKind.TUBE or workers is None or least is None or workers < least:
        return
    if _noted(one, at_ms - MOVE_TAKES_DAYS * DAY_MS, EntryKind.MOVE):
        return
    crowded = most is not None and workers >= most
    why = f"{workers:.0f} workers: a nest from {least:.0f}" + (f", at {most:.0f} the tube is crowded" if most else "")
    yield _line(one, Task.MOVE, Urgency.TODAY if crowded else Urgency.WHEN_THERE, at_ms, why, EntryKind.MOVE)


def _count(one: Situation, at_ms: int) -> Iterator[Line]:
    counted_ms = _last(one, EntryKind.COUNT)
    if counted_ms is None or at_ms - counted_ms >= COUNT_EVERY_DAYS * DAY_MS:
        last = "never counted" if counted_ms is None else f"last counted {_days(at_ms - counted_ms)} ago"
        due_ms = at_ms if counted_ms is None else counted_ms + COUNT_EVERY_DAYS * DAY_MS
        yield _line(one, Task.COUNT, Urgency.WHEN_THERE, due_ms, f"{last}: its food follows its size", EntryKind.COUNT)


def _barrier(one: Situation, at_ms: int) -> Iterator[Line]:
    every_days = one.species.number("escape.renew_every_days")
    risk = one.species.text("escape.risk")
    if one.nest.kind != NestKind.FORMICARIUM or every_days is None or risk not in ("medium", "high"):
        return
    humid = one.outworld_rh_pct is not None and one.outworld_rh_pct >= HUMID_OUTWORLD_PCT
    every_days = every_days / 2 if humid else every_days
    renewed_ms = _last(one, EntryKind.BARRIER)
    due_ms = at_ms if renewed_ms is None else round(renewed_ms + every_days * DAY_MS)
    if due_ms <= at_ms:
        last = "no barrier noted" if renewed_ms is None else f"barrier {_days(at_ms - renewed_ms)} old"
        why = f"{last}; escape risk {risk}" + (f"; outworld humid ({one.outworld_rh_pct:.0f} %RH)" if humid else "")
        urgency = Urgency.NOW if risk == "high" and humid else Urgency.TODAY
        yield _line(one, Task.BARRIER, urgency, due_ms, why, EntryKind.BARRIER)


def _rest(one: Situation, at_ms: int) -> Iterator[Line]:
    moment = one.moment
    new = moment.since_ms is not None and at_ms - moment.since_ms < SEASON_NEWS_MS
    if new and moment.since_ms is not None and _noted(one, moment.since_ms, EntryKind.NOTE):
        return
    if moment.season == Season.WAKE_UP and one.rest is not None and _wakes_too_early(one.rest, new=new):
        if _noted(one, at_ms - REST_LOOK_EVERY_DAYS * DAY_MS, EntryKind.NOTE):
            return
        why = f"to wake up by its dates, but {one.rest.tally(at_ms)}: leave it in the cold until then"
        yield _line(one, Task.REST, Urgency.TODAY, moment.since_ms or at_ms, why, EntryKind.NOTE)
    elif new and moment.season in _NEWS and moment.since_ms is not None:
        why = _NEWS[moment.season].format(ramp=_ramp(one))
        yield _line(one, Task.REST, Urgency.TODAY, moment.since_ms, why, EntryKind.NOTE)
    elif moment.season == Season.WINTER_REST:
        yield from _at_rest(one, at_ms)


def _ramp(one: Situation) -> str:
    """From what temperature to what, and in how many days; empty where the species' file or its dates do not say."""
    since_ms, until_ms = one.moment.since_ms, one.moment.until_ms
    first_c, last_c = (target_temp_c(one.species, replace(one.moment, progress=share)) for share in (0.0, 1.0))
    if since_ms is None or until_ms is None or first_c is None or last_c is None:
        return ""
    return f", {first_c:g} to {last_c:g} °C in {(until_ms - since_ms) / DAY_MS:.0f} days"


def _wakes_too_early(rest: Rest, *, new: bool) -> bool:
    """Fewer days counted than needed, while it still rests or has hardly left the cold."""
    return rest.known and rest.least_days is not None and not rest.enough and (new or not rest.lost)


def _at_rest(one: Situation, at_ms: int) -> Iterator[Line]:
    """A rest out of its band is urgent; one that is done may end; else a look now and then."""
    rest, begun_ms = one.rest, one.moment.since_ms or 0
    if rest is not None and rest.lost:
        if _noted(one, at_ms - REST_LOST_AGAIN_DAYS * DAY_MS, EntryKind.NOTE):
            return
        yield _line(one, Task.REST, Urgency.NOW, at_ms, f"{rest.complaint()}; {rest.tally(at_ms)}", EntryKind.NOTE)
        return
    if rest is not None and rest.enough:
        if _noted(one, at_ms - REST_LOOK_EVERY_DAYS * DAY_MS, EntryKind.NOTE):
            return
        why = f"rested enough: {rest.tally(at_ms)}; it may wake from now on"
        yield _line(one, Task.REST, Urgency.WHEN_THERE, at_ms, why, EntryKind.NOTE)
        return
    looked_ms = max(_last(one, *EntryKind) or 0, begun_ms)
    if at_ms - looked_ms >= REST_LOOK_EVERY_DAYS * DAY_MS:
        why = f"at rest, last looked after {_days(at_ms - looked_ms)} ago: water, mould, temperature"
        why += f"; {rest.tally(at_ms)}" if rest is not None else ""
        due_ms = looked_ms + REST_LOOK_EVERY_DAYS * DAY_MS
        yield _line(one, Task.REST, Urgency.WHEN_THERE, due_ms, why, EntryKind.NOTE)


def _noted(one: Situation, since_ms: int, *kinds: EntryKind) -> bool:
    """Whether there is such an entry since an instant."""
    last_ms = _last(one, *kinds)
    return last_ms is not None and last_ms >= since_ms


def _last(one: Situation, *kinds: EntryKind) -> int | None:
    return max((entry.at_ms for entry in one.entries if entry.kind in kinds), default=None)


def _line(one: Situation, task: Task, urgency: Urgency, due_ms: int, why: str, done: EntryKind) -> Line:
    return Line(task, urgency, one.nest.room, one.nest.rack, one.nest.name, due_ms, why, done)


def _days(passed_ms: int) -> str:
    days = passed_ms / DAY_MS
    return "1 day" if 0.95 <= days < 1.5 else f"{days:.0f} days" if days >= 1.5 else f"{days * 24:.0f} hours"


def _way(line: Line) -> tuple[object, ...]:
    """Room by room, rack by rack, nest by nest, with T-9 before T-10."""
    return tuple(_natural(text) for text in (line.room, line.rack, line.nest or "~"))


def _natural(text: str) -> tuple[tuple[bool, int, str], ...]:
    parts = re.split(r"(\d+)", text)
    return tuple((part.isdigit(), int(part) if part.isdigit() else 0, part.casefold()) for part in parts)
