"""What several dead nests have in common that those that live have not: place, kind, water, food, hands, probes. Pure.

Each thing that two or more dead share is held against the living by Fisher's exact test. Things that mark the very same
nests are one look, not several. Things that could not have been rare by chance however they fell are no look at all:
whether they could depends on how many carry them, not on who died, so leaving them out favours nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from sensord.clock import DAY_MS, from_ms
from sensord.insight.chances import RARE, at_least, holm, in_words
from sensord.model import Entry, EntryKind, Nest, Placement

DAYS_BACK = 30
"""What was done longer than that before the first death is not asked about."""
WARMER_C = 2.0
"""So far above its room a nest is taken for heated (common practice)."""

Trait = tuple[str, str]
"""What kind of thing, and which: ``("rack", "cellar, B")``."""

PHRASES = {
    "room": "stood in {}",
    "rack": "stood on rack {}",
    "species": "are {}",
    "stage": "were {}",
    "age": "stood here for {}",
    "came": "came on {}",
    "water": "were given water on {}",
    "water noted": "were given water noted as '{}'",
    "sugar": "were fed sugar on {}",
    "protein": "were fed protein on {}",
    "leftovers": "had leftovers taken out on {}",
    "move": "were moved on {}",
    "disturbed": "were disturbed on {}",
    "probe": "were measured by probe {}",
    "hub": "hung on hub {}",
    "heated": "ran {} than their room or more, as over a mat or cable",
}
_DONE = {
    EntryKind.FILL: "water", EntryKind.TOP_UP: "water", EntryKind.FEED_SUGAR: "sugar", EntryKind.FEED_PROTEIN: "protein",
    EntryKind.LEFTOVERS_OUT: "leftovers", EntryKind.MOVE: "move", EntryKind.DISTURBED: "disturbed",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Marked:
    """A nest, whether its colony died, and all that could be shared with others."""

    nest: str
    died: bool
    traits: frozenset[Trait]


@dataclass(frozen=True, slots=True)
class Shared:
    """Something that two or more of the dead share.

    Attributes:
        traits: what marks these very nests; several where they cannot be told apart.
        chance: that so many or more of the dead carry it by chance alone; chance_holm: with all looks allowed for.
    """

    traits: tuple[Trait, ...]
    dead: int
    of_dead: int
    living: int
    of_living: int
    chance: float
    chance_holm: float

    @property
    def what(self) -> str:
        """In words, as ``stood on rack B``."""
        return " and ".join(PHRASES[kind].format(value) for kind, value in self.traits)

    @property
    def rare(self) -> bool:
        """Whether chance alone, all looks allowed for, would seldom do it."""
        return self.chance_holm < RARE


@dataclass(frozen=True, slots=True)
class InCommon:
    """What the dead have in common, the most improbable first. ``looks``: how many things could have been rare."""

    dead: tuple[str, ...]
    living: int
    looks: int
    shared: tuple[Shared, ...]

    @property
    def because(self) -> str:
        """The answer in a sentence or two."""
        if not self.living:
            return "There is no living nest to hold the dead against, so what they share may be shared by all."
        rare = [one for one in self.shared if one.rare]
        if rare:
            return " ".join(sentence(one) for one in rare[:3])
        best = f" The least usual: {sentence(self.shared[0])}" if self.shared else ""
        return f"Nothing that the dead share sets them clearly apart from the {self.living} nests that live.{best}"


def sentence(one: Shared) -> str:
    """A shared thing in plain words, with its chance."""
    told = (
        f"{one.dead} of {one.of_dead} dead {one.what}, and {one.living} of {one.of_living} that live: "
        f"by chance alone {in_words(one.chance)}"
    )
    return (
        f"{told}."
        if one.chance_holm == one.chance
        else f"{told}, {in_words(one.chance_holm)} with all looks allowed for."
    )


def in_common(nests: Sequence[Marked]) -> InCommon:
    """Hold what the dead share against the living."""
    dead = frozenset(one.nest for one in nests if one.died)
    everybody = len({one.nest for one in nests})
    carriers = {who: traits for who, traits in _carriers(nests).items() if len(who) < everybody}
    chances = {who: at_least(len(who & dead), len(dead), len(who), everybody) for who in carriers}
    looks = [who for who in carriers if at_least(min(len(who), len(dead)), len(dead), len(who), everybody) <= RARE]
    allowed = dict(zip(looks, holm([chances[who] for who in looks]), strict=True))
    shared = [
        Shared(tuple(traits), len(who & dead), len(dead), len(who - dead), everybody - len(dead), chances[who],
               allowed.get(who, 1.0))
        for who, traits in carriers.items()
        if len(who & dead) >= 2
    ]  # fmt: skip
    shared.sort(key=lambda one: (one.chance, -one.dead, one.traits))
    return InCommon(tuple(sorted(dead)), everybody - len(dead), len(looks), tuple(shared))


def _carriers(nests: Iterable[Marked]) -> dict[frozenset[str], list[Trait]]:
    """Who carries what; things carried by the very same nests together."""
    by_trait: dict[Trait, set[str]] = defaultdict(set)
    for one in nests:
        for trait in one.traits:
            by_trait[trait].add(one.nest)
    found: dict[frozenset[str], list[Trait]] = defaultdict(list)
    for trait in sorted(by_trait, key=lambda each: (list(PHRASES).index(each[0]), each[1])):
        if len(by_trait[trait]) >= 2:
            found[frozenset(by_trait[trait])].append(trait)
    return found


def traits_of(
    nest: Nest,
    came_ms: int | None,
    entries: Sequence[Entry],
    placements: Sequence[Placement],
    span: tuple[int, int],
    *,
    zone: tzinfo,
    above_room_c: float | None = None,
) -> frozenset[Trait]:
    """All that a nest could share with others.

    Args:
        nest: as it stood at the end of the span. came_ms: when it first stood here.
        entries, placements: of this nest. span: from and until, in which something done counts.
        above_room_c: how much warmer than its room it ran, where known.
    """
    from_ms_, until_ms = span
    found = [("room", nest.room), ("species", nest.species), ("stage", str(nest.stage or ""))]
    found.append(("rack", f"{nest.rack} ({nest.room})" if nest.rack else ""))
    if came_ms is not None:
        found += [("came", _day(came_ms, zone)), ("age", _age(until_ms - came_ms))]
    found += _done(entries, span, zone)
    for one in placements:
        if one.since_ms < until_ms and (one.until_ms is None or one.until_ms > from_ms_):
            found.append(("probe", one.probe))
            if "/" in one.probe:
                found.append(("hub", one.probe.partition("/")[0]))
    if above_room_c is not None and above_room_c >= WARMER_C:
        found.append(("heated", f"{WARMER_C:.0f} °C warmer"))
    return frozenset(trait for trait in found if trait[1])


def _done(entries: Iterable[Entry], span: tuple[int, int], zone: tzinfo) -> Iterator[Trait]:
    for entry in entries:
        if span[0] <= entry.at_ms < span[1] and entry.kind in _DONE:
            yield _DONE[entry.kind], _day(entry.at_ms, zone)
            if _DONE[entry.kind] == "water" and entry.note:
                yield "water noted", entry.note[:60]


def _age(ms: int) -> str:
    days = ms / DAY_MS
    return "less than 3 months" if days < 91 else "3 to 12 months" if days < 365 else "more than a year"


def _day(at_ms: int, zone: tzinfo) -> str:
    return f"{from_ms(at_ms).astimezone(zone):%-d %b %Y}"


def as_json(found: InCommon) -> Mapping[str, Any]:
    """The part ``in_common`` of the document that ``review --json`` prints for several nests."""
    return {
        "dead": list(found.dead),
        "living": found.living,
        "looks": found.looks,
        "because": found.because,
        "shared": [
            {
                "traits": [{"kind": kind, "value": value} for kind, value in one.traits],
                "dead": one.dead, "of_dead": one.of_dead, "living": one.living, "of_living": one.of_living,
                "p": one.chance, "p_holm": one.chance_holm, "because": sentence(one),
            }
            for one in found.shared
        ],
    }  # fmt: skip
