"""The CSV tables that people bring and take away: exact columns, one line for every bad row. Pure but for reading lines."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

from sensord.cells import not_utf8, number_of
from sensord.clock import DAY_MS, iso, parse_instant, to_ms
from sensord.errors import InputError
from sensord.keeping.journal import make_entry
from sensord.keeping.placements import overlaps
from sensord.model import Entry, Nest, NestKind, Place, Placement, Plug, Stage, check_nest, check_probe

if TYPE_CHECKING:
    from sensord.keeping.registry import Registry

COLUMNS: dict[str, tuple[str, ...]] = {
    "nests": (
        "nest", "kind", "room", "rack", "species", "colony", "stage", "since", "bore_mm", "chamber_mm", "reservoir_ml",
        "plug",
    ),
    "placements": ("probe", "nest", "room", "place", "distance_mm", "since", "until"),
    "journal": ("at", "nest", "kind", "amount", "unit", "note"),
    "readings": ("at", "probe", "temp_c", "rh_pct"),
}  # fmt: skip
NO_UTF8 = "is no UTF-8 text; save the file as CSV in UTF-8"
_LONGEST_TEXT = 200
_YEAR_3000_MS = 32_503_680_000_000
_Choice = TypeVar("_Choice", NestKind, Place, Plug, Stage)


@dataclass(slots=True)
class Table:
    """What a file held: good rows with their line numbers, and one line of text for every bad one."""

    rows: list[tuple[int, Any]] = field(default_factory=list)
    bad: list[tuple[int, str]] = field(default_factory=list)


def open_rows(lines: Iterable[str], table: str) -> tuple[Iterator[list[str]], list[int]]:
    """Rows of a CSV file in the order of the contract's columns, whatever order its header has.

    Returns:
        a reader positioned after the header, and for each column where it stands in a row.

    Raises:
        InputError: the header lacks a column, has one twice or an unknown one.
    """
    reader = csv.reader(lines)
    allowed = COLUMNS[table]
    try:
        header = [name.strip().removeprefix("\ufeff") for name in next(reader, [])]
    except csv.Error as error:
        raise InputError(f"line 1: is no CSV ({error})") from None
    if any(not_utf8(name) or "\0" in name for name in header):
        raise InputError(f"line 1: {NO_UTF8}")
    for sign, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and sign in header[0]:
            raise InputError(
                f"line 1: {name} part the fields; save the file with commas between fields and a point in numbers"
            )
    if sorted(header) != sorted(allowed):
        raise InputError(f"line 1: columns are {','.join(header)[:200] or 'missing'}; allowed are {','.join(allowed)}")
    return reader, [header.index(name) for name in allowed]


def read_table(file: TextIO, table: str, now_ms: int) -> Table:
    """Read nests, placements or journal.

    Args:
        now_ms: journal entries more than a day after this are errors.

    Raises:
        InputError: the header is wrong.
    """
    found = Table()
    reader, order = open_rows(file, table)
    line = 1
    while True:
        try:
            row = next(reader, None)
        except csv.Error as error:
            row, text = [], f"is no CSV ({error})"
            found.bad.append((line + 1, text))
        if row is None:
            break
        started, line = line + 1, reader.line_num  # type: ignore[attr-defined]
        known = len(found.bad)
        if any(map(str.strip, row)):  # else a blank line, with or without its commas
            _take(found, started, row, order, table, now_ms)
        if len(found.bad) > known and line > started:
            hint = f'lines {started} to {line} were read as one row, is a quote (") not closed?'
            found.bad[-1] = started, f"{found.bad[-1][1]} ({hint})"
    if table == "placements":
        _refuse_overlaps(found)
    elif table == "nests":
        _refuse_contradictions(found)
    return found


def _take(found: Table, line: int, row: list[str], order: list[int], table: str, now_ms: int) -> None:
    if any(map(not_utf8, row)):
        found.bad.append((line, NO_UTF8))
        return
    if len(row) != len(order):
        found.bad.append((line, f"has {len(row)} fields; allowed are {len(order)}"))
        return
    try:
        found.rows.append((line, read_row(table, [row[index] for index in order], now_ms)))
    except InputError as error:
        found.bad.append((line, "; ".join(error.problems)))


def read_row(table: str, cells: Sequence[str], now_ms: int) -> Nest | Placement | Entry:
    """One row of nests, placements or journal from its cells, in the order of the contract's columns.

    Raises:
        InputError: a cell is not what is allowed; the line begins with the cell's name.
    """
    makers: dict[str, Callable[[Sequence[str], int], Nest | Placement | Entry]] = {
        "nests": _nest, "placements": _placement, "journal": _journal,
    }  # fmt: skip
    return makers[table]([cell.strip() for cell in cells], now_ms)


def _refuse_overlaps(found: Table) -> None:
    unique: dict[Placement, int] = {}
    for line, placement in found.rows:
        unique.setdefault(placement, line)  # a row given twice is harmless
    rows = list(unique.items())
    clashes = dict(overlaps([row for row, _ in rows]))
    found.bad.extend((rows[index][1], text) for index, text in clashes.items())
    found.bad.sort()
    found.rows = [(line, row) for index, (row, line) in enumerate(rows) if index not in clashes]


def _refuse_contradictions(found: Table) -> None:
    """Two rows that tell the same nest since the same instant otherwise: nobody knows which is right."""
    first: dict[tuple[str, int | None], tuple[int, Nest]] = {}
    rows = []
    for line, nest in found.rows:
        told, known = first.setdefault((nest.name, nest.since_ms), (line, nest))
        if known == nest:
            rows.append((line, nest))
        else:
            text = f"nest {nest.name}: is told otherwise in line {told}, since the same instant; keep one of the two"
            found.bad.append((line, text))
    found.bad.sort()
    found.rows = rows


def _nest(cells: Sequence[str], _now_ms: int) -> Nest:
    name, kind, room, rack, species, colony, stage, since, bore, chamber, reservoir, plug = cells
    return Nest(
        name=check_nest(name),
        kind=_choice("kind", kind, NestKind),
        room=_text("room", room),
        rack=_text("rack", rack),
        species=_text("species", species),
        colony=_text("colony", colony),
        stage=_choice("stage", stage, Stage) if stage else None,
        since_ms=_instant("since", since) if since else None,
        bore_mm=_number("bore_mm", bore, 0.5, 500),
        chamber_mm=_number("chamber_mm", chamber, 0, 2_000),
        reservoir_ml=_number("reservoir_ml", reservoir, 0, 10_000),
        plug=_choice("plug", plug, Plug) if plug else None,
    )


def _placement(cells: Sequence[str], _now_ms: int) -> Placement:
    probe, nest, room, place_text, distance, since, until = cells
    place = _choice("place", place_text, Place)
    if (place is Place.ROOM) == bool(nest):
        raise InputError(f"nest = {nest!r} with place = {place}: a room probe has no nest, every other probe has one")
    if place is Place.ROOM and not room:
        raise InputError("room: is missing; a room probe stands in a room")
    since_ms = _instant("since", since)
    until_ms = _instant("until", until) if until else None
    if until_ms is not None and until_ms <= since_ms:
        raise InputError(f"until = {until}: allowed is an instant after since = {since}, or blank while it stands")
    return Placement(
        probe=check_probe(probe),
        nest=check_nest(nest) if nest else None,
        room=_text("room", room),
        place=place,
        since_ms=since_ms,
        until_ms=until_ms,
        distance_mm=_number("distance_mm", distance, 0, 2_000),
    )


def _journal(cells: Sequence[str], now_ms: int) -> Entry:
    at, nest, kind, amount, unit, note = cells
    at_ms = _instant("at", at)
    check_when("at", at_ms, now_ms)
    return make_entry(at_ms, nest, kind, amount, unit=unit, note=note)


def check_when(name: str, at_ms: int, now_ms: int) -> None:
    """Raise InputError for an instant before 1970 or more than a day ahead: a wrong clock or a slip of the pen."""
    if at_ms > now_ms + DAY_MS:
        raise InputError(f"{name} = {iso(at_ms)}: lies in the future; allowed is up to {iso(now_ms + DAY_MS)}")
    if at_ms < 0:
        raise InputError(f"{name} = {iso(at_ms)}: lies before 1970; allowed is from then on")


def _instant(name: str, text: str) -> int:
    if not text:
        raise InputError(f"{name}: is missing")
    try:
        at_ms = to_ms(parse_instant(text))
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    if not 0 <= at_ms < _YEAR_3000_MS:
        raise InputError(f"{name} = {iso(at_ms)}: allowed are the years 1970 to 2999")
    return at_ms


def _choice(name: str, text: str, kind: type[_Choice]) -> _Choice:
    try:
        return kind(text)
    except ValueError:
        raise InputError(f"{name} = {text[:60]!r}: allowed is {', '.join(kind)}") from None


def _number(name: str, text: str, low: float, high: float) -> float | None:
    return number_of(name, text, low, high, "unknown")


def _text(name: str, text: str) -> str:
    if len(text) > _LONGEST_TEXT or not (text.isprintable() or not text):
        raise InputError(f"{name} = {text[:60]!r}: allowed are up to {_LONGEST_TEXT} printable characters")
    return text


def table_rows(table: str, registry: Registry) -> list[tuple[Any, ...]]:
    """All of nests, placements or journal in the contract's columns, nests with their history."""
    if table == "nests":
        return [nest_row(nest) for nest in registry.history()]
    if table == "placements":
        return [placement_row(placement) for placement in registry.placements()]
    return [entry_row(entry) for entry in registry.entries()]


def nest_row(nest: Nest) -> tuple[Any, ...]:
    """A nest in the contract's columns."""
    since = None if nest.since_ms is None else iso(nest.since_ms)
    return (nest.name, str(nest.kind), nest.room, nest.rack, nest.species, nest.colony, _or_none(nest.stage), since,
            nest.bore_mm, nest.chamber_mm, nest.reservoir_ml, _or_none(nest.plug))  # fmt: skip


def placement_row(row: Placement) -> tuple[Any, ...]:
    """A placement in the contract's columns."""
    until = None if row.until_ms is None else iso(row.until_ms)
    return (row.probe, row.nest, row.room, str(row.place), row.distance_mm, iso(row.since_ms), until)


def entry_row(entry: Entry) -> tuple[Any, ...]:
    """A journal entry in the contract's columns."""
    return (iso(entry.at_ms), entry.nest, str(entry.kind), entry.amount, entry.unit, entry.note)


def _or_none(value: Any) -> str | None:
    return None if value is None else str(value)
