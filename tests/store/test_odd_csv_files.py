"""CSV files as spreadsheets, loggers and slips of the pen leave them: taken as they were meant, or told by their line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord import cli
from sensord.cells import number_of
from sensord.db import open_db
from sensord.keeping.registry import Registry
from sensord.store import readings_csv
from sensord.store.sqlite import SqliteStore

NESTS = "nest,kind,room,rack,species,colony,stage,since,bore_mm,chamber_mm,reservoir_ml,plug\n"
PLACEMENTS = "probe,nest,room,place,distance_mm,since,until\n"
JOURNAL = "at,nest,kind,amount,unit,note\n"
READINGS = "at,probe,temp_c,rh_pct\n"
GOOD = "2026-01-01T00:0{}:00Z,a/b,20.5,50\n"


class Desk:
    """A keeper with a file to import."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        (folder / "station.toml").write_text("[station]\n")

    def brings(self, table: str, text: str | bytes, *options: str) -> tuple[int, str, list[str]]:
        """Import a file of that content: exit status, standard output, what standard error says of the file."""
        file = self.folder / "x.csv"
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        status = cli.main(["--config", str(self.folder), "import", table, str(file), *options])
        out, err = self._capsys.readouterr()
        return status, out, [line.removeprefix(f"nestclimate: {file}: ") for line in err.splitlines()]

    def count(self) -> int:
        return SqliteStore(self.folder / "data" / "station.db").count()

    def registry(self) -> Registry:
        return Registry(open_db(self.folder / "data" / "station.db"))


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, capsys)


@pytest.mark.parametrize("blank", ["\n", "   \n", ",,,\n", " , ,,\n", "\r\n"])
def test_blank_lines_are_no_rows(desk: Desk, blank: str) -> None:
    """A spreadsheet leaves commas or spaces where there was nothing."""
    status, out, problems = desk.brings("readings", READINGS + blank + GOOD.format(1) + blank * 2, "--json")
    assert (status, problems) == (0, [])
    assert (json.loads(out)["rows"], json.loads(out)["new"]) == (1, 1)
    assert desk.brings("journal", JOURNAL + ",,,,,\n2026-01-01T00:00Z,T1,note,,,x\n,,,,,\n")[0] == 0
    assert len(desk.registry().entries()) == 1


@pytest.mark.parametrize("number", ["1_0", "\u0662\u0660", "nan", "inf", "1e308", "0x10", "20,5", "\u221220"])
def test_what_is_no_plain_number_is_told(desk: Desk, number: str) -> None:
    """Neither Python's own spellings nor digits of other scripts pass for a number, in any table."""
    for table, text in (
        ("readings", f'{READINGS}2026-01-01T00:00Z,a/b,"{number}",50\n'),
        ("nests", f'{NESTS}T1,tube,ants,,,,,,"{number}",,,\n'),
        ("placements", f'{PLACEMENTS}a/b,T1,ants,wet_end,"{number}",2026-01-01T00:00Z,\n'),
        ("journal", f'{JOURNAL}2026-01-01T00:00Z,T1,weigh,"{number}",,\n'),
    ):
        status, out, problems = desk.brings(table, text)
        assert (status, out, len(problems)) == (2, "", 2), table
        assert problems[0].startswith("line 2: ")
        assert f"= {number!r}: allowed " in problems[0]


def test_plain_numbers_of_every_form(desk: Desk) -> None:
    """Signs, exponents, spaces and a bare point are numbers; ends of the range are in it."""
    rows = ["+20", "2e1", " 20 ", "20.", ".5", "-40", "1E-3", "-100", "150"]
    text = READINGS + "".join(f"2026-01-01T00:{i:02}:00Z,a/b,{number},100\n" for i, number in enumerate(rows))
    assert desk.brings("readings", text)[0] == 0
    found = SqliteStore(desk.folder / "data" / "station.db").raw("a/b", 0, 2**60)
    assert list(found.temp_c) == [20.0, 20.0, 20.0, 20.0, 0.5, -40.0, 0.001, -100.0, 150.0]


@given(st.text(alphabet="0123456789+-._eE ,\nnaif\u0662", max_size=8))
def test_numbers_read_fast_are_those_read_with_care(text: str) -> None:
    """The short way through a file takes no cell for a number that the careful one would refuse, and reads it alike."""
    remembered = readings_csv.Numbers(-100.0, 150.0)
    try:
        fast = remembered[text]
    except ValueError:
        return
    assert fast == number_of("temp_c", text.strip(), -100.0, 150.0, "missing")
    assert text in remembered or len(text) == 8
    assert "\n" not in text


def test_rows_that_are_no_utf_8_are_told_one_by_one(desk: Desk) -> None:
    """Their lines, and with --skip-bad the others come in."""
    text = READINGS.encode() + GOOD.format(1).encode() + b"2026-01-01T00:00Z,a/b,20\xb0,50\n" + GOOD.format(2).encode()
    status, _, problems = desk.brings("readings", text + b"\xe9\n")
    assert status == 2
    assert [line[:24] for line in problems[:-1]] == ["line 3: is no UTF-8 text", "line 5: is no UTF-8 text"]
    assert desk.brings("readings", text, "--skip-bad")[0] == 0
    assert desk.count() == 2
    street = b"2026-01-01T00:00Z,T1,note,,,Stra\xdfe\n"
    status, _, problems = desk.brings("journal", JOURNAL.encode() + b"2026-01-01T00:00Z,T1,note,,,x\n" + street)
    assert (status, problems[0][:24]) == (2, "line 3: is no UTF-8 text")


def test_a_quote_that_is_not_closed_is_told_where_it_opens(desk: Desk) -> None:
    """All that it swallowed is named, at the end of the file and before the next quote, however long that is."""
    good = "".join(f"2026-01-01T{i // 60:02}:{i % 60:02}:00Z,a/b,20.5,50\n" for i in range(40))
    status, _, problems = desk.brings("readings", f'{READINGS}{good}2026-01-02T00:00Z,a/b,"20,50\n{good}')
    assert (status, len(problems)) == (2, 2)
    assert problems[0] == 'line 42: a quote (") is not closed: lines 42 to 82 were read as one row'
    status, _, problems = desk.brings("readings", f'{READINGS}{good}x,a/b,"20,50\n{good}y,a/b,"20,50\n{good}')
    assert problems[0] == 'line 42: a quote (") is not closed: lines 42 to 83 were read as one row'
    status, _, problems = desk.brings("readings", f'{READINGS}{good}x,a/b,"20,50\n{good * 200}')
    assert problems[0].startswith('line 42: a quote (") is not closed: lines 42 to ')
    status, _, problems = desk.brings(
        "journal", f'{JOURNAL}2026-01-01T00:00Z,T1,fill,"10,,\n2026-01-02T00:00Z,T1,fill,,,\n'
    )
    assert problems[0].startswith("line 2: has 4 fields; allowed are 6 (lines 2 to 3 were read as one row")


def test_instants_out_of_any_keeping(desk: Desk) -> None:
    """Before 1970, past the year 9999 in UTC, or in a thousand years: one line each, no traceback, in every table."""
    for at, told in (
        ("1969-12-31T23:59:59Z", "1970"),
        ("0206-01-01T00:00:00Z", "1970"),
        ("0001-01-01T00:00:00+14:00", "outside the years 1 to 9999"),
        ("9999-12-31T23:59:59-10:00", "outside the years 1 to 9999"),
        ("9999-12-31T23:59:59.9999Z", "allowed"),
    ):
        for table, text in (
            ("readings", f"{READINGS}{at},a/b,20,50\n"),
            ("nests", f"{NESTS}T1,tube,ants,,,,,{at},,,,\n"),
            ("placements", f"{PLACEMENTS}a/b,T1,ants,wet_end,,{at},\n"),
            ("journal", f"{JOURNAL}{at},T1,note,,,\n"),
        ):
            status, out, problems = desk.brings(table, text)
            assert (status, out, len(problems)) == (2, "", 2), (table, at)
            assert told in problems[0]
    assert desk.brings("readings", f"{READINGS}1970-01-01T00:00:00Z,a/b,20,50\n")[0] == 0


def test_one_nest_told_twice_otherwise(desk: Desk) -> None:
    """Two rows of one file that contradict each other are a mistake, not a race; the same row twice is harmless."""
    text = f"{NESTS}T1,tube,ants,A,,,,,,,,\nT2,tube,ants,,,,,,,,,\nT1,tube,ants,B,,,,,,,,\n"
    status, _, problems = desk.brings("nests", text)
    assert status == 2
    assert problems[0] == "line 4: nest T1: is told otherwise in line 2, since the same instant; keep one of the two"
    assert desk.brings("nests", f"{NESTS}T1,tube,ants,A,,,,,,,,\n" + "T1,tube,ants,A,,,,,,,,\n")[0] == 0
    assert desk.brings("nests", f"{NESTS}T1,tube,ants,B,,,,,,,,\n")[0] == 0
    assert [nest.rack for nest in desk.registry().nests()] == ["B"]
