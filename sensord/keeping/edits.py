"""What a keeper changes in a grid of nests or placements, made into rows that keep the past true. Pure.

A nest that is different from now on gets a new state; a probe that moved ends one placement and begins another. Only a
correction, of what was always so, replaces what stood there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from sensord.clock import SECOND_MS, iso
from sensord.errors import InputError
from sensord.keeping.placements import overlaps
from sensord.keeping.tables import COLUMNS, read_row
from sensord.model import Nest, Placement

Given = tuple[int, Mapping[str, str]]
"""The number of a row as the keeper sees it, and its cells by column."""


class Holds(StrEnum):
    """Since when a change holds."""

    FROM_NOW = "from_now"
    ALWAYS_SO = "always_so"


@dataclass(slots=True)
class Edits:
    """What follows from the given rows.

    Attributes:
        rows: to write, each with the number of the row it comes from. bad: (number, column or empty, one line).
        gone: (name, since) of what was written down with a wrong ``since`` and now stands with the right one.
    """

    rows: list[tuple[int, Any]] = field(default_factory=list)
    gone: list[tuple[str, int | None]] = field(default_factory=list)
    bad: list[tuple[int, str, str]] = field(default_factory=list)

    def refuse(self, number: int, table: str, problem: str) -> None:
        """Name a bad row; the cell is the column that the line begins with."""
        first = problem.replace(":", " ").split(" ", 1)[0]
        self.bad.append((number, first if first in COLUMNS[table] else "", problem))


def edits_of_nests(given: Iterable[Given], history: Sequence[Nest], now_ms: int, holds: Holds) -> Edits:
    """New or replaced states of nests.

    Args:
        history: every state of every nest, by name and then time.

    A blank ``since`` of a nest that is there already means the state shown last.
    """
    known = {(nest.name, nest.since_ms): nest for nest in history}
    shown = {nest.name: nest for nest in history}
    found = Edits()
    for number, cells in given:
        try:
            nest = read_row("nests", _in_order(cells, "nests", now_ms), now_ms)
            assert isinstance(nest, Nest)
            last = shown.get(nest.name)
            if last is not None and nest.since_ms is None and (nest.name, None) not in known:
                nest = replace(nest, since_ms=last.since_ms)
            old = known.get((nest.name, nest.since_ms))
            if old == nest:
                continue
            if _redated(nest, old, last, holds):
                found.gone.append((nest.name, last.since_ms if last else None))
            if old is not None and holds is Holds.FROM_NOW:
                nest = replace(nest, since_ms=_changed_ms(old.since_ms, old == last, now_ms))
            found.rows.append((number, nest))
        except InputError as error:
            found.refuse(number, "nests", "; ".join(error.problems))
    _refuse_repeats(found, "nests", lambda nest: (nest.name, nest.since_ms))
    return found


def edits_of_placements(given: Iterable[Given], standing: Sequence[Placement], now_ms: int, holds: Holds) -> Edits:
    """New, moved or ended placements.

    Args:
        standing: every placement there is, by probe and then time.

    A blank ``since`` means now, or in a correction the placement shown last. A row with a later ``since`` ends the placement
    that stands.
    """
    known = {(one.probe, one.since_ms): one for one in standing}
    last = {one.probe: one for one in standing}
    found, ended = Edits(), Edits()
    for number, cells in given:
        try:
            old = last.get(cells.get("probe", "").strip())
            cells = {**cells, "since": cells.get("since", "").strip() or _since(old, now_ms, holds)}
            new = read_row("placements", _in_order(cells, "placements", now_ms), now_ms)
            assert isinstance(new, Placement)
            same = known.get((new.probe, new.since_ms))
            if old is not None and _redated(new, same, old, holds):
                found.gone.append((old.probe, old.since_ms))
            rows = _moved(new, same, old, now_ms, holds)
            ended.rows += [(number, row) for row in rows[1:]]
            found.rows += [(number, row) for row in rows[:1]]
        except InputError as error:
            found.refuse(number, "placements", "; ".join(error.problems))
    _refuse_repeats(found, "placements", lambda row: (row.probe, row.since_ms))
    told = {(row.probe, row.since_ms) for _, row in found.rows}
    found.rows += [(number, row) for number, row in ended.rows if (row.probe, row.since_ms) not in told]
    _refuse_overlaps(found, standing)
    return found


def _redated(new: Any, same: Any, last: Any, holds: Holds) -> bool:
    """Whether a correction changes nothing but since when the last state or placement held."""
    return (
        holds is Holds.ALWAYS_SO and same is None and last is not None and replace(new, since_ms=last.since_ms) == last
    )


def _in_order(cells: Mapping[str, str], table: str, now_ms: int) -> list[str]:
    """The cells as a file has them; the word ``now`` stands for this second."""
    found = [cells.get(name, "") for name in COLUMNS[table]]
    instants = {COLUMNS[table].index(name) for name in ("since", "until") if name in COLUMNS[table]}
    return [
        iso(_whole_second(now_ms)) if i in instants and cell.strip() == "now" else cell for i, cell in enumerate(found)
    ]


def _moved(new: Placement, old: Placement | None, last: Placement | None, now_ms: int, holds: Holds) -> list[Placement]:
    """The row to write, and behind it the placement that it ends; nothing where nothing changed."""
    if old == new:
        return []
    if old is None:
        stands = last is not None and last.until_ms is None and last.since_ms < new.since_ms
        return [new, replace(last, until_ms=new.since_ms)] if last and stands and holds is Holds.FROM_NOW else [new]
    if holds is Holds.ALWAYS_SO or replace(old, until_ms=new.until_ms) == new:
        return [new]
    if old.until_ms is not None and old.until_ms <= now_ms:
        raise InputError(
            f"until: probe {old.probe} left there at {iso(old.until_ms)}; to correct the past, choose 'it was always so'"
        )
    moved_ms = _changed_ms(old.since_ms, old == last, now_ms)
    until_ms = None if new.until_ms == old.until_ms else new.until_ms
    return [replace(new, since_ms=moved_ms, until_ms=until_ms), replace(old, until_ms=moved_ms)]


def _since(old: Placement | None, now_ms: int, holds: Holds) -> str:
    return iso(old.since_ms) if old is not None and holds is Holds.ALWAYS_SO else iso(_whole_second(now_ms))


def _changed_ms(old_since_ms: int | None, newest: bool, now_ms: int) -> int:
    """The instant from which a change holds that is made now."""
    if not newest:
        raise InputError("since: something later is known already; to correct the past, choose 'it was always so'")
    since_ms = _whole_second(now_ms)
    if old_since_ms is None or old_since_ms < since_ms:
        return since_ms
    if old_since_ms < now_ms:
        return now_ms
    raise InputError(
        f"since = {iso(old_since_ms)}: is still to come; to change what is planned, choose 'it was always so'"
    )


def _whole_second(at_ms: int) -> int:
    return at_ms // SECOND_MS * SECOND_MS


def _refuse_repeats(found: Edits, table: str, key: Any) -> None:
    """The same nest or probe of the same instant twice: only one of them could stay."""
    first: dict[Any, Any] = {}
    for number, row in found.rows:
        if first.setdefault(key(row), row) != row:
            name, since_ms = key(row)
            since = "always" if since_ms is None else iso(since_ms)
            found.refuse(number, table, f"{COLUMNS[table][0]} {name}: stands in two of these rows with since = {since}")


def _refuse_overlaps(found: Edits, standing: Sequence[Placement]) -> None:
    rows = [row for _, row in found.rows]
    keys = {(row.probe, row.since_ms) for row in rows}
    kept = [row for row in standing if (row.probe, row.since_ms) not in keys | {*found.gone}]
    told = {number for number, _, _ in found.bad}
    for index, problem in overlaps(rows, kept):
        number = found.rows[index][0]
        if number not in told:
            found.refuse(number, "placements", problem)
