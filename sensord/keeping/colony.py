"""The ants in the nests, derived from nests and journal: which colony lived where, whether it lives, how many it counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sensord.model import Entry, EntryKind, Nest, Stage

_OF_THE_ANTS = (
    EntryKind.COUNT, EntryKind.BROOD, EntryKind.FEED_SUGAR, EntryKind.FEED_PROTEIN, EntryKind.DIED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stay:
    """A colony in a nest for a while: ``from_ms <= at < until_ms``; None: since always, still there."""

    nest: str
    from_ms: int | None
    until_ms: int | None

    def covers(self, entry: Entry) -> bool:
        """Whether what the journal says of a nest is about the ants of this stay."""
        return (
            entry.nest == self.nest
            and (self.from_ms is None or entry.at_ms >= self.from_ms)
            and (self.until_ms is None or entry.at_ms < self.until_ms)
        )


@dataclass(frozen=True, slots=True)
class Colony:
    """A colony through all its nests.

    Attributes:
        name: as the keeper calls it, else the name of its nest.
        counts: (at_ms, workers) as counted, ascending.
        died_at_ms: None while it lives.
    """

    name: str
    species: str
    stage: Stage | None
    stays: tuple[Stay, ...]
    counts: tuple[tuple[int, int], ...]
    died_at_ms: int | None


def dead_nests(history: Iterable[Nest], died: Iterable[Entry], at_ms: int) -> set[str]:
    """Nests whose colony had died by then.

    A state of the nest that begins after the death brings new ants, unless it names the colony that died.
    """
    states: dict[str, list[Nest]] = {}
    for nest in history:
        if nest.since_ms is None or nest.since_ms <= at_ms:
            states.setdefault(nest.name, []).append(nest)
    dead = set()
    for entry in died:
        if entry.at_ms <= at_ms and not _settled_again(states.get(entry.nest, []), entry.at_ms):
            dead.add(entry.nest)
    return dead


def _settled_again(states: Sequence[Nest], died_at_ms: int) -> bool:
    before = [state.colony for state in states if state.since_ms is None or state.since_ms <= died_at_ms]
    gone = before[-1] if before else ""
    return any(
        state.since_ms is not None and state.since_ms > died_at_ms and (not state.colony or state.colony != gone)
        for state in states
    )


def moved_out_ms(history: Sequence[Nest], moves: Iterable[Entry]) -> dict[str, list[int]]:
    """When colonies left their nests, by nest, ascending.

    Both must be noted: the move in the journal of the old nest, and the colony's name at another nest since later than the
    old one's state. The name alone may also tell of a second nest beside the first, which must not go unwatched.
    """
    found: dict[str, list[int]] = {}
    for entry in moves:
        states = [one for one in history if one.name == entry.nest and (one.since_ms or 0) <= entry.at_ms]
        if not states:
            continue
        old = states[-1]
        came = [
            one.since_ms
            for one in history
            if one.name != old.name
            and one.colony == (old.colony or old.name)
            and one.since_ms is not None
            and one.since_ms > (old.since_ms or 0)
        ]
        if came:
            found.setdefault(old.name, []).append(max(entry.at_ms, min(came)))
    return {name: sorted(out) for name, out in found.items()}


def left_nests(history: Sequence[Nest], moves: Iterable[Entry], at_ms: int) -> set[str]:
    """Nests whose colony had moved out by then, and to which no later state brought ants again."""
    return {
        name
        for name, out in moved_out_ms(history, moves).items()
        for last in [max((one for one in out if one <= at_ms), default=None)]
        if last is not None and not any(one.name == name and last < (one.since_ms or 0) <= at_ms for one in history)
    }


def colonies(history: Sequence[Nest], entries: Sequence[Entry], at_ms: int) -> list[Colony]:
    """Every colony that lived by ``at_ms``, by name: its nests, counts, and death, using nothing later.

    Args:
        history: every state of every nest, by name and then time.
        entries: the journal, ascending.
    """
    states = _states(history, at_ms)
    return [_colony(name, states[name], entries, at_ms) for name in sorted(states)]


def stays(history: Sequence[Nest], at_ms: int) -> dict[str, tuple[Stay, ...]]:
    """Where every colony lived by ``at_ms``, oldest first; a colony without a name goes by its nest's.

    Args:
        history: every state of every nest, by name and then time.
    """
    return {name: _joined([stay for _, stay in states]) for name, states in _states(history, at_ms).items()}


def followed(nest: Nest, where: Sequence[Stay], by_nest: Mapping[str, Sequence[Entry]]) -> list[Entry]:
    """The journal of a nest and of the ants in it: counts and meals follow a colony through its moves, water stays behind.

    Args:
        where: the stays of the colony that lives in ``nest`` now.
        by_nest: the journal by nest, ascending.
    """
    ants = [
        entry
        for stay in where
        for entry in by_nest.get(stay.nest, ())
        if entry.kind in _OF_THE_ANTS and stay.covers(entry)
    ]
    died_ms = max((entry.at_ms for entry in ants if entry.kind is EntryKind.DIED), default=None)
    ants = [entry for entry in ants if died_ms is None or entry.at_ms > died_ms]
    rest = [entry for entry in by_nest.get(nest.name, ()) if entry.kind not in _OF_THE_ANTS]
    return sorted([*ants, *rest], key=lambda entry: entry.at_ms)


def _states(history: Sequence[Nest], at_ms: int) -> dict[str, list[tuple[Nest, Stay]]]:
    """The states of nests in which each colony lived, oldest first."""
    known = [nest for nest in history if nest.since_ms is None or nest.since_ms <= at_ms]
    found: dict[str, list[tuple[Nest, Stay]]] = {}
    for nest, following in zip(known, [*known[1:], None], strict=False):  # nothing follows the last
        until = following.since_ms if following is not None and following.name == nest.name else None
        found.setdefault(nest.colony or nest.name, []).append((nest, Stay(nest.name, nest.since_ms, until)))
    for states in found.values():
        states.sort(key=lambda state: (state[1].from_ms is not None, state[1].from_ms or 0))
    return found


def _colony(name: str, states: list[tuple[Nest, Stay]], entries: Sequence[Entry], at_ms: int) -> Colony:
    newest = states[-1][0]
    where = _joined([stay for _, stay in states])
    own = [entry for entry in entries if entry.at_ms <= at_ms and any(stay.covers(entry) for stay in where)]
    counts = tuple((e.at_ms, int(e.amount)) for e in own if e.kind is EntryKind.COUNT and e.amount is not None)
    died = [e.at_ms for e in own if e.kind is EntryKind.DIED]
    return Colony(name, newest.species, newest.stage, where, counts, died[-1] if died else None)


def _joined(stays: list[Stay]) -> tuple[Stay, ...]:
    """Stays in the same nest that follow one another, as when only the stage changed, are one. A move ends a stay."""
    joined: list[Stay] = []
    for stay in stays:
        last = joined[-1] if joined else None
        if last and last.nest == stay.nest and last.until_ms == stay.from_ms:
            joined[-1] = Stay(last.nest, last.from_ms, stay.until_ms)
            continue
        if last and last.until_ms is None:
            joined[-1] = Stay(last.nest, last.from_ms, stay.from_ms)
        joined.append(stay)
    return tuple(joined)
