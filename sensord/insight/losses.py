"""Losses over a season: who lives how long by rack, species, stage or room, and whether those with more harsh air die more. Pure.

Time runs from when a colony came, or from the first day asked about, whichever is later; a group is what it was then, so
that nobody is put into a group by what happened afterwards. Exposure is asked at every death anew: the hours beyond the
limits in the fortnight before, of the one that died and of all that lived then, over the same days. Summing hours over a
whole life instead would make those that live long look worst.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sensord.clock import DAY_MS, iso
from sensord.insight.balance import Floats
from sensord.insight.chances import RARE, holm, p_is
from sensord.insight.survival import (
    Death,
    Life,
    LogRank,
    Step,
    exact_p,
    expected,
    kaplan_meier,
    log_rank,
    median_days,
    risk_sets,
    survival_at,
)
from sensord.keeping.colony import Colony
from sensord.model import Entry, EntryKind, Nest

BY = ("rack", "species", "stage", "room")
FACTORS = ("dry", "wet", "hot", "cold")
FORTNIGHT = 14
SHARES = ("no hours", "fewer hours", "more hours")
"""Of those at risk at a death: nothing beyond the limits, up to the middle of those with any, above it."""
_LEAST_MEASURED = 0.5
UNKNOWN = "not given"


@dataclass(frozen=True, slots=True)
class Watched:
    """A colony while it was watched: from when it came, or the first day asked about, to its death or the last day."""

    colony: str
    nest: str
    from_ms: int
    until_ms: int
    died: bool
    room: str
    rack: str
    species: str
    stage: str

    @property
    def life(self) -> Life:
        """Days watched."""
        return Life((self.until_ms - self.from_ms) / DAY_MS, self.died)


@dataclass(frozen=True, slots=True)
class Harsh:
    """Hours of a nest beyond its limits, day by day from ``start_ms``: by factor, and how many were measured at all."""

    start_ms: int
    hours: Mapping[str, Floats]
    measured: Floats

    def share(self, factor: str, at_ms: int) -> float | None:
        """Share of the measured hours of the fortnight before an instant; None where too few were."""
        last = (at_ms - self.start_ms) // DAY_MS
        days = slice(max(0, last - FORTNIGHT), max(0, last))
        measured = float(self.measured[days].sum())
        if measured < _LEAST_MEASURED * FORTNIGHT * 24:
            return None
        return float(self.hours[factor][days].sum()) / measured


@dataclass(frozen=True, slots=True)
class Group:
    """The losses of one group. ``chance``: of differing so from the others by chance; ``chance_holm``: all looks allowed for."""

    name: str
    colonies: int
    died: int
    steps: tuple[Step, ...]
    at_risk: tuple[int, ...]
    median_days: float | None
    survival: tuple[float, float, float]
    chance: float | None = None
    chance_holm: float | None = None


@dataclass(frozen=True, slots=True)
class Against:
    """Deaths by how harsh the air was before: as they were, and as they would be were it all the same."""

    factor: str
    deaths: tuple[int, ...]
    expected: tuple[float, ...]
    chance: float
    chance_holm: float

    @property
    def worse_for_harsh(self) -> bool:
        """Whether deaths lie more with the harsher thirds than they would, were it all the same."""
        return (
            sum(third * (died - due) for third, (died, due) in enumerate(zip(self.deaths, self.expected, strict=True)))
            > 0
        )


@dataclass(frozen=True, slots=True)
class Losses:
    """Survival of all and of each group, and losses against exposure. ``days`` are those of the numbers at risk."""

    by: str
    from_ms: int
    until_ms: int
    days: tuple[int, ...]
    everybody: Group
    groups: tuple[Group, ...]
    between: LogRank | None
    against: tuple[Against, ...] = ()
    measured: int = 0
    watched: tuple[Watched, ...] = ()


def lives_of(
    colonies: Sequence[Colony], history: Sequence[Nest], entries: Sequence[Entry], from_ms: int, until_ms: int
) -> list[Watched]:
    """Every colony watched between two instants; a nest settled anew after a death is another colony.

    Args:
        colonies, history, entries: as the registry knows them at ``until_ms``. A colony that came nobody knows when
            counts from ``from_ms`` on.
    """
    died = [one for one in entries if one.kind is EntryKind.DIED and one.at_ms <= until_ms]
    states: dict[str, list[Nest]] = {}
    for row in history:
        states.setdefault(row.name, []).append(row)
    found = []
    for colony in colonies:
        for begin_ms, end_ms in _stretches(colony, died, states):
            begin = max(from_ms, begin_ms if begin_ms is not None else from_ms)
            end = until_ms if end_ms is None else end_ms
            if begin < end:
                found.append(_watched(colony, states, (begin, end), died=end_ms is not None))
    return found


def _stretches(
    colony: Colony, died: Iterable[Entry], states: Mapping[str, list[Nest]]
) -> list[tuple[int | None, int | None]]:
    """(came, died) of the colonies that went by this name: more than one only where a nest gives it its name."""
    begin: int | None = colony.stays[0].from_ms
    found: list[tuple[int | None, int | None]] = []
    for at_ms in sorted(one.at_ms for one in died if any(stay.covers(one) for stay in colony.stays)):
        if begin is not None and at_ms < begin:
            continue
        found.append((begin, at_ms))
        again = [
            row.since_ms
            for stay in colony.stays
            for row in states.get(stay.nest, ())
            if row.since_ms is not None and row.since_ms > at_ms and not row.colony
        ]
        if not again:
            return found
        begin = min(again)
    return [*found, (begin, None)]


def _watched(colony: Colony, states: Mapping[str, list[Nest]], span: tuple[int, int], *, died: bool) -> Watched:
    stay = next((one for one in colony.stays if one.until_ms is None or one.until_ms > span[0]), colony.stays[-1])
    rows = [row for row in states[stay.nest] if row.since_ms is None or row.since_ms <= span[0]]
    row = rows[-1] if rows else states[stay.nest][0]
    rack = f"{row.rack} ({row.room})" if row.rack else UNKNOWN
    return Watched(
        colony.name, stay.nest, *span, died, row.room or UNKNOWN, rack, row.species or UNKNOWN, str(row.stage or UNKNOWN)
    )  # fmt: skip


def losses_of(watched: Sequence[Watched], by: str, span: tuple[int, int], harsh: Mapping[str, Harsh]) -> Losses:
    """Survival by group, and losses against exposure.

    Args:
        by: one of ``BY``. harsh: by nest, where it was measured.
    """
    days = _ticks(max((one.life.days for one in watched), default=0.0))
    names: dict[str, list[Life]] = {}
    for one in watched:
        names.setdefault(getattr(one, by), []).append(one.life)
    lives = [one.life for one in watched]
    groups = [_group(name, names[name], days) for name in sorted(names)]
    return Losses(
        by, *span, days, _group("all", lives, days), tuple(_compared(groups, names)),
        log_rank(names) if len(names) > 1 else None, tuple(against(watched, harsh)),
        len({one.nest for one in watched} & set(harsh)), tuple(watched),
    )  # fmt: skip


def _ticks(most: float) -> tuple[int, ...]:
    step = next((step for step in (1, 2, 7, 14, 30, 60, 90, 180, 365) if most / step <= 5), 730)
    return tuple(range(0, int(most) + 1, step))


def _group(name: str, lives: Sequence[Life], days: Sequence[int]) -> Group:
    steps = kaplan_meier(lives) if lives else []
    at_risk = tuple(sum(life.days >= day for life in lives) for day in days)
    last = max((life.days for life in lives), default=0.0)
    died = sum(life.died for life in lives)
    return Group(name, len(lives), died, tuple(steps), at_risk, median_days(steps), survival_at(steps, last))


def _compared(groups: Sequence[Group], names: Mapping[str, Sequence[Life]]) -> list[Group]:
    """Each group with the chance that it differs so from all others together."""
    if len(groups) < 2:
        return list(groups)
    chances = []
    for one in groups:
        others = [life for name, lives in names.items() if name != one.name for life in lives]
        chances.append(exact_p(risk_sets({"it": names[one.name], "others": others}), (1, 0)))
    return [
        Group(one.name, one.colonies, one.died, one.steps, one.at_risk, one.median_days, one.survival, chance, allowed)
        for one, chance, allowed in zip(groups, chances, holm(chances), strict=True)
    ]


def against(watched: Sequence[Watched], harsh: Mapping[str, Harsh]) -> list[Against]:
    """Deaths against the hours beyond each limit in the fortnight before, among all that lived then."""
    found = [(factor, _risk_sets(watched, harsh, factor)) for factor in FACTORS]
    found = [(factor, deaths) for factor, deaths in found if deaths]
    chances = [exact_p(deaths, (0, 1, 2)) for _, deaths in found]
    return [
        Against(factor, _summed(deaths), tuple(expected(deaths)), chance, allowed)
        for (factor, deaths), chance, allowed in zip(found, chances, holm(chances), strict=True)
    ]


def _summed(deaths: Sequence[Death]) -> tuple[int, ...]:
    return tuple(sum(one.died[group] for one in deaths) for group in range(len(SHARES)))


def _risk_sets(watched: Sequence[Watched], harsh: Mapping[str, Harsh], factor: str) -> list[Death]:
    """At every death, who lived then by share of harsh hours; nobody where the one that died was not measured."""
    found = []
    for at_ms in sorted({one.until_ms for one in watched if one.died}):
        here = [
            (share, one.died and one.until_ms == at_ms)
            for one in watched
            if one.from_ms < at_ms <= one.until_ms and one.nest in harsh
            if (share := harsh[one.nest].share(factor, at_ms)) is not None
        ]
        if any(died for _, died in here) and len(here) > 1:
            groups = thirds(np.array([share for share, _ in here]))
            gone = np.array([died for _, died in here])
            found.append(Death(_counted(groups), _counted(groups[gone])))
    return found


def thirds(shares: Floats) -> NDArray[np.intp]:
    """0 for no hours, 1 up to the middle of those with any, 2 above it; 2 for all with any where they are all alike."""
    some = shares[shares > 0]
    if not len(some):
        return np.zeros(len(shares), np.intp)
    above = some > np.median(some)
    edge = np.median(some) if above.any() else 0.0
    return np.where(shares <= 0, 0, np.where(shares <= edge, 1, 2)).astype(np.intp)


def _counted(groups: NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(np.bincount(groups, minlength=len(SHARES)).tolist())


def because(found: Losses) -> str:
    """The answer in a few sentences."""
    total = found.everybody
    if not total.colonies:
        return "No colony was watched in this time."
    share, low, high = total.survival
    said = [
        f"{total.died} of {total.colonies} colonies died; {share:.0%} survive to the end ({low:.0%} to {high:.0%})."
        if total.died else f"None of {total.colonies} colonies died."
    ]  # fmt: skip
    if total.died and found.between is not None:
        said.append(_between(found))
    said += [
        f"Those with more hours too {one.factor} in the fortnight before died more often "
        f"({p_is(one.chance_holm)}, {len(found.against)} limits looked at)."
        for one in found.against
        if one.chance_holm < RARE and one.worse_for_harsh
    ]
    return " ".join(said)


def _between(found: Losses) -> str:
    """Only what the exact comparisons bear out is called a difference: the log-rank p alone is none where few died."""
    groups = [(one.name, one.chance_holm) for one in found.groups if one.chance_holm is not None]
    apart = [(name, chance) for name, chance in groups if chance < RARE]
    what = f"{len(found.groups)} groups compared, Holm over them"
    if not apart:
        return f"By {found.by} nothing clear: such differences come by chance ({what})."
    names = ", ".join(f"{name} ({p_is(chance)})" for name, chance in apart)
    return f"By {found.by} they differ from all others: {names} ({what})."


def csv_rows(found: Losses) -> list[tuple[str, ...]]:
    """The curves as a table, the heading first."""
    rows: list[tuple[str, ...]] = [("by", "group", "days", "at_risk", "died", "survival", "low", "high")]
    for one in (found.everybody, *found.groups):
        rows += [
            (found.by, one.name, f"{step.days:.2f}", str(step.at_risk), str(step.died), f"{step.survival:.4f}",
             f"{step.low:.4f}", f"{step.high:.4f}")
            for step in one.steps
        ]  # fmt: skip
    return rows


def as_json(found: Losses) -> dict[str, Any]:
    """The document that ``losses --json`` prints."""
    between = found.between
    return {
        "from": iso(found.from_ms), "to": iso(found.until_ms), "by": found.by, "because": because(found),
        "days": list(found.days), "all": _group_json(found.everybody), "groups": [_group_json(one) for one in found.groups],
        "log_rank": None if between is None else {"chi2": between.chi2, "degrees": between.degrees, "p": between.p},
        "measured_nests": found.measured,
        "exposure": [
            {"factor": one.factor, "died": dict(zip(SHARES, one.deaths, strict=True)),
             "expected": dict(zip(SHARES, one.expected, strict=True)), "p": one.chance, "p_holm": one.chance_holm}
            for one in found.against
        ],
    }  # fmt: skip


def _group_json(one: Group) -> dict[str, Any]:
    share, low, high = one.survival
    return {
        "name": one.name, "colonies": one.colonies, "died": one.died, "at_risk": list(one.at_risk),
        "median_days": one.median_days, "survival": {"at_end": share, "low": low, "high": high},
        "p_against_others": one.chance, "p_holm": one.chance_holm,
        "steps": [
            {"days": step.days, "at_risk": step.at_risk, "died": step.died, "survival": step.survival,
             "low": step.low, "high": step.high}
            for step in one.steps
        ],
    }  # fmt: skip
