"""What is saved from a grid: ``POST /write/nests`` and ``POST /write/placements``. All rows, or none where one is bad."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from flask import Flask
from flask.typing import ResponseReturnValue

from dashboard import forms
from dashboard import text_keeping as text
from dashboard.pages.writes import done, given_of, who
from dashboard.text import count_of
from dashboard.writing import Writing
from sensord.errors import ConflictError, InputError, NotThereError
from sensord.keeping.changes import Signed
from sensord.keeping.colony import colonies, stays
from sensord.keeping.edits import Edits, Given, Holds, edits_of_nests, edits_of_placements
from sensord.keeping.journal import make_entry
from sensord.keeping.registry import Registry
from sensord.keeping.tables import COLUMNS

MOST_ROWS = 2_000
_log = logging.getLogger(__name__)


def register(server: Flask, writing: Writing | None) -> None:
    """Add the writes; none where nobody can sign in."""
    if writing is None:
        return

    @server.post("/write/nests")
    def write_nests() -> ResponseReturnValue:
        return _answer("nests")

    @server.post("/write/placements")
    def write_placements() -> ResponseReturnValue:
        return _answer("placements")

    @server.post("/write/colonies/move")
    def move_colony() -> ResponseReturnValue:
        given = given_of("colony", "nest")
        colony = forms.text(given, "colony", required=True, most=200)
        nest = forms.text(given, "nest", required=True, most=60)
        old = move(writing.room().registry, colony, nest, writing.now_ms(), who())
        writing.changed()
        return done(text=text.MOVED.format(colony=colony, old=old, nest=nest))

    def _answer(table: str) -> ResponseReturnValue:
        given = given_of("rows", "mark", "holds")
        rows, notes = save(
            writing.room().registry, table, rows_of(given.get("rows"), table), Signed(who(), writing.now_ms()),
            holds_of(given.get("holds")), mark_of(given.get("mark")),
        )  # fmt: skip
        if rows:
            _log.info("%s changed %s %s", who(), rows, table)
            writing.changed()
        return done(rows=rows, notes=notes, text=text.SAVED.format(rows=count_of(rows, "row", "rows")))


def save(
    registry: Registry, table: str, given: list[Given], signed: Signed, holds: Holds, mark: str | None
) -> tuple[int, list[str]]:
    """Write what was edited; how many rows of the table changed, and what is odd about them though allowed.

    Who did it and when is kept with every row that changed.

    Raises:
        InputError: the first line says how many rows are bad, then one line each begins with ``row N:``.
        ConflictError: somebody else changed the table since ``mark``.
    """
    mark, now_ms = mark or registry.mark(table), signed.at_ms
    if mark != registry.mark(table):  # before anything else: what looks wrong may only be out of date
        raise ConflictError(f"{table}: somebody else changed them since they were read; nothing was saved")
    if table == "nests":
        found = edits_of_nests(given, registry.history(), now_ms, holds)
    else:
        found = edits_of_placements(given, registry.placements(), now_ms, holds)
    if found.bad:
        raise InputError(*_bad(found))
    rows = [row for _, row in found.rows]
    if table == "placements":
        return registry.put_placements(rows, mark, found.gone, signed), _odd(
            found, {nest.name for nest in registry.nests()}
        )
    notes, over = [*_earlier(found, registry), *_left_behind(found, registry, now_ms)], _over(registry, now_ms)
    changed = registry.put_nests(rows, mark, found.gone, signed)
    again = sorted(over - _over(registry, now_ms))
    return changed, [*notes, *(text.AGAIN.format(nest=nest) for nest in again)]


def _bad(found: Edits) -> list[str]:
    found.bad.sort()
    lines = [text.BAD_ROW.format(number=number, problem=problem) for number, _, problem in found.bad]
    many = len({number for number, _, _ in found.bad})
    return [text.BAD_ROWS.format(rows=count_of(many, "row is", "rows are")), *lines]


def _over(registry: Registry, now_ms: int) -> set[str]:
    """Nests whose colony died or moved out."""
    return {nest.name for nest in registry.nests(now_ms)} - registry.alive(now_ms)


def move(registry: Registry, colony: str, nest: str, now_ms: int, by: str) -> str:
    """A colony lives in another nest from now on; the nest that it left. Its species and stage go with it.

    Raises:
        NotThereError: there is no such colony or nest. InputError: it is dead or there already, or another lives there.
    """
    mark, history = registry.mark("nests"), registry.history()
    found = {one.name: one for one in colonies(history, registry.entries(), now_ms)}
    moving, states = found.get(colony), [state for state in history if state.name == nest]
    if moving is None or not states:
        raise NotThereError(f"there is no {f'nest {nest}' if moving else f'colony {colony}'}")
    old, there = moving.stays[-1].nest, found.get(states[-1].colony)
    if moving.died_at_ms is not None or old == nest:
        raise InputError(
            f"colony {colony}: {'has died' if moving.died_at_ms is not None else f'lives in {nest} already'}"
        )
    if there is not None and there is not moving and there.died_at_ms is None and there.stays[-1].nest == nest:
        raise InputError(f"nest {nest}: {there.name} lives there; move it first")
    since_ms = now_ms // 1_000 * 1_000
    settled = replace(states[-1], colony=colony, species=moving.species, stage=moving.stage, since_ms=since_ms)
    registry.put_nests([settled], mark, signed=Signed(by, now_ms))
    registry.add_entries([make_entry(since_ms, old, "move", note=f"to {nest}", by=by)])
    return old


def _odd(found: Edits, nests: set[str]) -> list[str]:
    """Files may come in any order, so a nest that is not there yet is no mistake; but worth a word."""
    return [
        text.NO_SUCH_NEST.format(number=number, nest=row.nest)
        for number, row in found.rows
        if row.nest is not None and row.nest not in nests and row.until_ms is None
    ]


def _left_behind(found: Edits, registry: Registry, now_ms: int) -> list[str]:
    """A name given to a second nest may be a move, or a second nest beside the first: only the journal's word ends the watch."""
    named = [(number, nest) for number, nest in found.rows if nest.colony]
    where = stays(registry.history(), now_ms) if named else {}
    return [
        text.LEFT_BEHIND.format(number=number, colony=nest.colony, nest=where[nest.colony][-1].nest)
        for number, nest in named
        if nest.colony in where and where[nest.colony][-1].nest != nest.name
    ]


def _earlier(found: Edits, registry: Registry) -> list[str]:
    """What is noted of the past does not show in the row of the present."""
    shown = {nest.name: nest.since_ms for nest in registry.nests()}
    return [
        text.EARLIER.format(number=number, nest=nest.name)
        for number, nest in found.rows
        if nest.since_ms is not None
        and (shown.get(nest.name) or nest.since_ms) > nest.since_ms
        and (nest.name, shown[nest.name]) not in found.gone
    ]


def rows_of(given: Any, table: str) -> list[Given]:
    """Rows with their numbers: as the keeper sees them where ``row`` says so, else counted from 1.

    Raises:
        InputError: no list of rows, or one that is not text by column.
    """
    if not isinstance(given, list) or not given or len(given) > MOST_ROWS:
        raise InputError(f"rows: allowed is a list of 1 to {MOST_ROWS} rows")
    return [_row(one, number, table) for number, one in enumerate(given, 1)]


def _row(given: Any, number: int, table: str) -> Given:
    if not isinstance(given, Mapping):
        raise InputError(f"row {number}: allowed is text by column")
    shown = given.get("row", number)
    if isinstance(shown, bool) or not isinstance(shown, int) or not 0 < shown < 2**31:
        raise InputError(f"row {number}: its number is none")
    cells = {name: value for name, value in given.items() if name != "row"}
    strange = sorted(set(cells) - set(COLUMNS[table]))
    if strange:
        raise InputError(f"row {shown}: {strange[0][:60]!r} is no column; allowed are {', '.join(COLUMNS[table])}")
    bad = next((name for name, value in cells.items() if not isinstance(value, str)), None)
    if bad is not None:
        raise InputError(f"row {shown}: {bad}: allowed is text")
    return shown, cells


def holds_of(given: Any) -> Holds:
    """Since when the changes hold; from now on where nothing is said.

    Raises:
        InputError: another word.
    """
    try:
        return Holds(given or Holds.FROM_NOW)
    except ValueError:
        raise InputError(f"holds = {str(given)[:40]!r}: allowed is {', '.join(Holds)}") from None


def mark_of(given: Any) -> str | None:
    """The mark of the rows as they were read; None where none is given.

    Raises:
        InputError: no text.
    """
    if given is not None and (not isinstance(given, str) or len(given) > 64):
        raise InputError("mark: allowed is the mark that came with the rows")
    return given or None
