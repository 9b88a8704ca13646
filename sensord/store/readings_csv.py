"""Readings from a CSV file, fast: a million rows in seconds, each checked, each bad one with its line number.

The file is read once. Good rows wait in a temporary file until the last row was checked, so that a file with a bad row
changes nothing, however long it is, and memory stays bounded.
"""

from __future__ import annotations

import csv
import marshal
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import IO, Any, BinaryIO, TextIO

from sensord.cells import not_utf8, number_of
from sensord.clock import DAY_MS, EPOCH, iso, parse_instant, to_ms
from sensord.errors import InputError
from sensord.keeping.tables import NO_UTF8, check_when, open_rows
from sensord.model import check_probe
from sensord.store.base import Row

CHUNK_ROWS = 50_000
TEMP_C = (-100.0, 150.0)
RH_PCT = (0.0, 100.0)
_MOST_NUMBERS, _LONGEST_KEPT = 30_000, 7
LIKE_FAHRENHEIT_C = 45.0
"""A nest that was never cooler is no nest (common practice: most ants die in hours at that); 45 °F is a cool room."""


def spool(
    file: TextIO, out: BinaryIO, now_ms: int, progress: Callable[[int], None]
) -> tuple[int, list[tuple[int, str]]]:
    """Check every row of ``file`` and keep the good ones in ``out``, in chunks.

    Args:
        now_ms: readings more than a day after this are errors.
        progress: told how many rows have been read so far.

    Returns:
        how many rows are good, and (line, text) of each bad one.

    Raises:
        InputError: the header is wrong.
    """
    reader, order = open_rows(file, "readings")
    bad: list[tuple[int, str]] = []
    good = 0
    checker = _Checker(order, now_ms)
    while True:
        rows, ended = checker.chunk(reader, bad)
        kept = marshal.dumps(rows)
        out.write(len(kept).to_bytes(8, "big") + kept)  # with its length, as marshal reads memory 10 times faster
        good += len(rows)
        progress(good + len(bad))
        if ended:
            return good, bad


def chunks(spooled: IO[bytes]) -> Iterator[list[Row]]:
    """What ``spool`` kept."""
    while size := spooled.read(8):
        yield marshal.loads(spooled.read(int.from_bytes(size, "big")))  # noqa: S302 - our own nameless temporary file


def lowest_of(rows: list[Row], lowest: dict[str, float]) -> None:
    """Keep in ``lowest`` each probe's lowest temperature, °C, over all rows seen so far."""
    for probe, _, temp_c, _ in rows:
        if temp_c is not None and temp_c < lowest.get(probe, 1_000.0):
            lowest[probe] = temp_c


def doubts(lowest: dict[str, float]) -> list[str]:
    """A line for each probe whose every temperature is hotter than ants live at: its file was probably in °F."""
    return [
        f"probe {probe}: no temperature below {temp_c:g} °C, so this file may be in °F, and it was taken as °C. If it is: turn it into °C,"
        " (°F - 32) x 5/9, under a new name of the probe, and place that one; what is stored stays as it is"
        for probe, temp_c in sorted(lowest.items())
        if temp_c > LIKE_FAHRENHEIT_C
    ]


class Numbers(dict[str, float | None]):
    """Cell to number, None of a blank one. Remembered, as a probe says the same few thousand values again and again."""

    def __init__(self, low: float, high: float) -> None:
        super().__init__({"": None})
        self._low, self._high = low, high

    def __missing__(self, text: str) -> float:
        """Read a number that was not met before; ValueError where it is none or out of range."""
        # As cells.plain_number, which takes twice as long: what passes here and not there lies out of range.
        if not text.isascii() or "_" in text or not text.isprintable():
            raise ValueError(text)
        value = float(text)
        if not self._low <= value <= self._high:
            raise ValueError(text)
        if len(text) <= _LONGEST_KEPT:  # longer ones hardly come twice
            if len(self) > _MOST_NUMBERS:
                self.clear()
                self[""] = None
            self[text] = value
        return value


class _Checker:
    """Turns cells into a row; remembers probes already checked and the last instant, as rows repeat both."""

    def __init__(self, order: list[int], now_ms: int) -> None:
        self._at, self._probe, self._temp, self._rh = order
        self._latest_ms = now_ms + DAY_MS
        self._now_ms = now_ms
        self._probes: dict[str, str] = {}
        self._temps, self._rhs = Numbers(*TEMP_C), Numbers(*RH_PCT)

    def chunk(self, reader: Any, bad: list[tuple[int, str]]) -> tuple[list[Row], bool]:
        """Up to CHUNK_ROWS good rows of a csv.reader; whether the file has ended. One loop with all in it, for speed."""
        rows: list[Row] = []
        at_i, probe_i, temp_i, rh_i = self._at, self._probe, self._temp, self._rh
        probes, temps, rhs = self._probes, self._temps, self._rhs
        epoch, latest_ms, parse = EPOCH, self._latest_ms, datetime.fromisoformat
        append, last_text, last_ms = rows.append, "\0", 0
        while True:
            cells: list[str] = []
            before = reader.line_num - len(rows)  # each good row is one line
            try:
                for cells in reader:
                    text, temp, rh = cells[at_i], temps[cells[temp_i]], rhs[cells[rh_i]]
                    if text != last_text:
                        delta = parse(text) - epoch
                        last_ms = delta.days * 86_400_000 + delta.seconds * 1_000 + (delta.microseconds + 500) // 1_000
                        last_text = text
                    if (temp is None and rh is None) or not 0 <= last_ms <= latest_ms or len(cells) != 4:
                        raise ValueError  # noqa: TRY301 - slow() says what is wrong
                    append((probes[cells[probe_i]], last_ms, temp, rh))
                    if len(rows) >= CHUNK_ROWS:
                        return rows, False
                return rows, True
            except (ValueError, TypeError, KeyError, IndexError, OverflowError, csv.Error) as error:
                last_text = "\0"  # no cell is that, a blank one must not pass for the last instant
                lines = before + len(rows) + 1, reader.line_num
                if lines[1] > lines[0]:
                    bad.append(
                        (lines[0], f'a quote (") is not closed: lines {lines[0]} to {lines[1]} were read as one row')
                    )
                elif isinstance(error, csv.Error):
                    bad.append((lines[0], f"is no CSV ({error})"))
                elif any(map(str.strip, cells)):  # else a blank line, with or without its commas
                    self._slow(cells, rows, bad, lines[0])

    def _slow(self, cells: list[str], rows: list[Row], bad: list[tuple[int, str]], line: int) -> None:
        """A row that the fast loop could not take: a new probe, spaces round a cell, or a mistake, which is named."""
        try:
            rows.append(self._row(cells))
        except InputError as problem:
            bad.append((line, str(problem)))

    def _row(self, cells: list[str]) -> Row:
        if any(map(not_utf8, cells)):
            raise InputError(NO_UTF8)
        if len(cells) != 4:
            raise InputError(f"has {len(cells)} fields; allowed are 4")
        at_text, probe = cells[self._at].strip(), self._check_probe(cells[self._probe].strip())
        at_ms = to_ms(parse_instant(at_text))
        check_when("at", at_ms, self._now_ms)
        temp = _number("temp_c", cells[self._temp].strip(), *TEMP_C)
        rh = _number("rh_pct", cells[self._rh].strip(), *RH_PCT)
        if temp is None and rh is None:
            raise InputError(f"probe {probe} at {iso(at_ms)}: has neither temp_c nor rh_pct")
        return probe, at_ms, temp, rh

    def _check_probe(self, name: str) -> str:
        self._probes[check_probe(name)] = name
        return name


def _number(name: str, text: str, low: float, high: float) -> float | None:
    return number_of(name, text, low, high, "missing")
