"""A probe sits at one place at a time. Pure: what is wrong with a set of placements."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sensord.clock import iso
from sensord.model import Placement


def overlaps(given: Sequence[Placement], kept: Sequence[Placement] = ()) -> list[tuple[int, str]]:
    """Where a probe would be at two places at once.

    Args:
        given: placements to be added; kept: those that stand already.

    Returns:
        (index in ``given``, one line) for each of ``given`` that reaches into another.
    """
    rows = [(row, index) for index, row in enumerate(given)] + [(row, -1) for row in kept]
    rows.sort(key=lambda pair: (pair[0].probe, pair[0].since_ms, pair[1]))
    problems: list[tuple[int, str]] = []
    longest: tuple[Placement, int] | None = None  # of the same probe so far, the one that reaches furthest
    for row, index in rows:
        if longest is None or longest[0].probe != row.probe or _end(longest[0]) <= row.since_ms:
            longest = (row, index)
            continue
        if max(index, longest[1]) >= 0:
            problems.append((max(index, longest[1]), _overlap(longest[0], row)))
        if _end(row) > _end(longest[0]):
            longest = (row, index)
    return sorted(problems)


def _end(placement: Placement) -> float:
    return math.inf if placement.until_ms is None else placement.until_ms


def _overlap(one: Placement, two: Placement) -> str:
    until = "is still there" if one.until_ms is None else f"stays until {iso(one.until_ms)}"
    return (
        f"probe {one.probe}: cannot be at {_where(two)} from {iso(two.since_ms)}, "
        f"it came to {_where(one)} at {iso(one.since_ms)} and {until}; give the earlier placement its 'until'"
    )


def _where(placement: Placement) -> str:
    return f"{placement.nest or 'room ' + placement.room} {placement.place}"
