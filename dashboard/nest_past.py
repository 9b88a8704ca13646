"""The history of a nest in lines: how it stood since when, which probes came and left, and who wrote that down. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

from dashboard import text, text_nest
from dashboard.nest_snapshot import PastLine
from sensord.keeping.changes import Change, Key, Row
from sensord.keeping.tables import COLUMNS, nest_row
from sensord.model import Nest, Placement

_KEYS = frozenset({"nest", "probe", "since"})


def past_of(
    name: str, states: Sequence[Nest], placements: Sequence[Placement], changes: Sequence[Change]
) -> tuple[PastLine, ...]:
    """Newest first.

    Args:
        states: of the nest, ascending. placements: in it, ever. changes: of both, as they were made.
    """
    lines = [*_states(states, changes), *_placements(placements, changes), *_corrections(name, changes)]
    return tuple(sorted(lines, key=lambda line: (line.from_ms or 0, line.written_ms or 0), reverse=True))


def _states(states: Sequence[Nest], changes: Sequence[Change]) -> Iterator[PastLine]:
    rows = [dict(zip(COLUMNS["nests"], nest_row(state), strict=True)) for state in states]
    if states:
        first = [
            f"{_named(name)} {_value(name, value)}" for name, value in rows[0].items() if name not in _KEYS and value
        ]
        yield _line(
            states[0].since_ms, ", ".join(first), _writer(changes, ("nests", (states[0].name, states[0].since_ms)))
        )
    for (_, before), (state, row) in pairwise(zip(states, rows, strict=True)):
        words = difference(before, row) or text_nest.PAST_SAME
        yield _line(state.since_ms, words, _writer(changes, ("nests", (state.name, state.since_ms))))


def _placements(placements: Sequence[Placement], changes: Sequence[Change]) -> Iterator[PastLine]:
    for one in placements:
        key = ("placements", (one.probe, one.since_ms))
        words = {"probe": one.probe, "place": text.PLACES[one.place]}
        yield _line(one.since_ms, text_nest.PROBE_CAME.format(**words), _writer(changes, key))
        if one.until_ms is not None:
            yield _line(one.until_ms, text_nest.PROBE_LEFT.format(**words), _writer(changes, key, _told_its_end))


def _corrections(name: str, changes: Sequence[Change]) -> Iterator[PastLine]:
    """What replaced something that had been written down before; a placement that only ended is none."""
    for one in reversed(changes):
        if one.before is None or _ended(one):
            continue
        who = "" if one.table == "nests" else f"{text_nest.PROBE_NAMED.format(probe=one.key[0])}: "
        gone = one.after is None or (one.table == "placements" and one.after["nest"] != name)
        words = text_nest.PAST_GONE if gone else difference(one.before, one.after or {})
        yield _line(one.key[1], f"{text_nest.CORRECTED}: {who}{words}", one)


def difference(before: Row, after: Row) -> str:
    """``rack A → B, species not known → Lasius niger``."""
    changed = [name for name in after if name not in _KEYS and before.get(name) != after[name]]
    return ", ".join(
        text_nest.PAST_CHANGED.format(
            what=_named(name), before=_value(name, before.get(name)), after=_value(name, after[name])
        )
        for name in changed
    )


def _named(column: str) -> str:
    return text_nest.PAST_NAMES.get(column, column)


def _value(column: str, value: object) -> str:
    if value is None or value == "":
        return text_nest.STILL_THERE if column == "until" else text_nest.BY_NOBODY
    return f"{value:g}" if isinstance(value, float) else str(value)


def _began(change: Change) -> bool:
    return change.before is None


def _ended(change: Change) -> bool:
    """Whether it ended a placement and did nothing else."""
    if change.table != "placements" or change.before is None or change.after is None:
        return False
    return change.before["until"] != change.after["until"] and not difference(
        {**change.before, "until": None}, {**change.after, "until": None}
    )


def _told_its_end(change: Change) -> bool:
    return _ended(change) or (_began(change) and change.after is not None and change.after["until"] is not None)


def _writer(changes: Sequence[Change], key: tuple[str, Key], of: Callable[[Change], bool] = _began) -> Change | None:
    """Who did that last."""
    return next((one for one in reversed(changes) if (one.table, one.key) == key and of(one)), None)


def _line(from_ms: int | None, words: str, change: Change | None) -> PastLine:
    return PastLine(from_ms, words, change.by if change else "", change.at_ms if change else None)
