"""The command line's tables: exact columns, every bad row by its line, all or nothing, repeatable, and out again."""

from __future__ import annotations

import csv
import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pyarrow import parquet

from sensord import cli
from sensord.clock import iso
from sensord.db import open_db
from sensord.keeping.registry import Registry
from sensord.model import Reading
from sensord.store import readings_csv
from sensord.store.sqlite import SqliteStore

NESTS = "nest,kind,room,rack,species,colony,stage,since,bore_mm,chamber_mm,reservoir_ml,plug\n"
PLACEMENTS = "probe,nest,room,place,distance_mm,since,until\n"
JOURNAL = "at,nest,kind,amount,unit,note\n"
READINGS = "at,probe,temp_c,rh_pct\n"
FAR_MS = 32_503_680_000_000  # the year 3000


class Keeper:
    """Somebody at the command line, with a configuration of [station] alone."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        (folder / "station.toml").write_text("[station]\n")

    def file(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    def run(self, *arguments: str) -> tuple[int, str, list[str]]:
        """Exit status, standard output, lines of standard error."""
        status = cli.main(["--config", str(self.folder), *arguments])
        out, err = self._capsys.readouterr()
        return status, out, err.splitlines()

    def summary(self, *arguments: str) -> dict[str, int]:
        status, out, _ = self.run(*arguments, "--json")
        assert status == 0
        return json.loads(out)

    def registry(self) -> Registry:
        return Registry(open_db(self.folder / "data" / "station.db"))

    def store(self) -> SqliteStore:
        return SqliteStore(self.folder / "data" / "station.db")


@pytest.fixture
def keeper(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Keeper:
    return Keeper(tmp_path, capsys)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("T!,tube,ants,,,,,,,,,", "nest 'T!'"),
        ("T1,jar,ants,,,,,,,,,", "kind = 'jar': allowed is tube, formicarium"),
        ("T1,tube,ants,,,,old,,,,,", "stage = 'old': allowed is founding, nanitic"),
        ("T1,tube,ants,,,,,2026-01-01T00:00:00,,,,", "has no offset"),
        ("T1,tube,ants,,,,,,-1,,,", "bore_mm = '-1': allowed is a number from 0.5"),
        ("T1,tube,ants,,,,,,nan,,,", "bore_mm = 'nan'"),
        ("T1,tube,ants,,,,,,,,,cork", "plug = 'cork': allowed is cotton, foam, open, lid"),
        ("T1,tube,ants", "has 3 fields; allowed are 12"),
    ],
)
def test_bad_nests(keeper: Keeper, row: str, told: str):
    """Each mistake: its line, the field, what is allowed; status 2; nothing imported."""
    file = keeper.file("n.csv", f"{NESTS}T0,tube,ants,,,,,,,,,\n{row}\n")
    status, out, problems = keeper.run("import", "nests", file)
    assert (status, out) == (2, "")
    assert problems[0].startswith(f"nestclimate: {file}: line 3: ")
    assert told in problems[0]
    assert "nothing was imported" in problems[1]
    assert len(problems) == 2
    assert keeper.registry().nests() == []


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("A/p,T1,ants,wet_end,,2026-01-01T00:00Z,", "probe 'A/p'"),
        ("a/p,T1,ants,wet end,,2026-01-01T00:00Z,", "place = 'wet end': allowed is wet_end, dry_end, outworld, room"),
        ("a/p,T1,ants,room,,2026-01-01T00:00Z,", "a room probe has no nest"),
        ("a/p,,ants,wet_end,,2026-01-01T00:00Z,", "every other probe has one"),
        ("a/p,T1,ants,wet_end,,,", "since: is missing"),
        ("a/p,T1,ants,wet_end,,2026-01-02T00:00Z,2026-01-02T00:00Z", "allowed is an instant after"),
        ("a/x,T2,ants,wet_end,,2026-03-01T00:00Z,", "a/x: cannot be at T2 wet_end"),
    ],
)
def test_bad_placements(keeper: Keeper, row: str, told: str):
    """Each mistake by its line; a probe cannot come to a second place while its stay stands."""
    file = keeper.file("p.csv", f"{PLACEMENTS}a/x,T1,ants,wet_end,5,2026-01-01T00:00Z,\n{row}\n")
    status, _, problems = keeper.run("import", "placements", file)
    assert status == 2
    assert problems[0].startswith(f"nestclimate: {file}: line 3: ")
    assert told in problems[0]
    assert keeper.registry().placements() == []


def test_placements_clash_with_known_ones_by_line(keeper: Keeper):
    """What is known already counts too, and the line is that of the new file."""
    keeper.run("import", "placements", keeper.file("a.csv", f"{PLACEMENTS}a/x,T1,ants,wet_end,5,2026-01-01T00:00Z,\n"))
    file = keeper.file(
        "b.csv", f"{PLACEMENTS}a/y,,ants,room,,2026-01-01T00:00Z,\na/x,T2,,outworld,,2026-02-01T00:00Z,\n"
    )
    status, _, problems = keeper.run("import", "placements", file)
    assert status == 2
    assert problems[0].startswith(f"nestclimate: {file}: line 3: probe a/x: cannot be at T2 outworld")
    assert keeper.summary("import", "placements", file, "--skip-bad")["new"] == 1


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("2026-01-01T00:00Z,T1,fil,,,", "kind = 'fil': allowed is fill, top_up, level"),
        ("2026-01-01T00:00Z,T1,level,,,", "amount: is missing; level needs one"),
        ("2026-01-01T00:00Z,T1,fill,10001,,", "amount = '10001': allowed for fill is a number from 0 to 10000"),
        ("2026-01-01T00:00Z,T1,top_up,-2,,", "amount = '-2': allowed for top_up"),
        ("2026-01-01T00:00Z,T1,fill,inf,,", "amount = 'inf'"),
        ("2026-01-01T00:00Z,T1,fill,1,l,", "unit = 'l': allowed for fill is mL"),
        ("2026-01-01T00:00Z,T1,count,2.5,,", "allowed for count is a whole number"),
        ("2026-01-01 00:00,T1,note,,,x", "has no offset"),
        ("tomorrow,T1,note,,,x", "is not ISO 8601"),
        ("2990-01-01T00:00Z,T1,note,,,x", "lies in the future"),
    ],
)
def test_bad_journal(keeper: Keeper, row: str, told: str):
    """Each mistake by its line, also after a note of several lines."""
    text = f'{JOURNAL}2026-01-01T00:00Z,T1,note,,,"one\ntwo"\n\n{row}\n'
    file = keeper.file("j.csv", text)
    status, _, problems = keeper.run("import", "journal", file)
    assert status == 2
    assert problems[0].startswith(f"nestclimate: {file}: line 5: ")
    assert told in problems[0]
    assert keeper.registry().entries() == []


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("2026-01-01T00:00:00,a/b,1,1", "has no offset"),
        (",a/b,1,1", "is not ISO 8601"),
        ("2990-01-01T00:00Z,a/b,1,1", "lies in the future"),
        ("2026-01-01T00:00Z,a/b/c,1,1", "probe 'a/b/c'"),
        ("2026-01-01T00:00Z,a/b,,", "neither temp_c nor rh_pct"),
        ("2026-01-01T00:00Z,a/b,warm,1", "temp_c = 'warm'"),
        ("2026-01-01T00:00Z,a/b,nan,1", "temp_c = 'nan'"),
        ("2026-01-01T00:00Z,a/b,1,101", "rh_pct = '101': allowed is a number from 0 to 100"),
        ("2026-01-01T00:00Z,a/b,1", "has 3 fields"),
        ("2026-01-01T00:00Z,a/b,1,1,1", "has 5 fields"),
    ],
)
def test_bad_readings(keeper: Keeper, row: str, told: str):
    """Each mistake by its line; nothing of the file is stored, or all but it where asked for."""
    good = "2026-01-01T00:00:00Z,a/b,20.5,\n2026-01-01T01:00:00+01:00, a/c ,,50\n"
    file = keeper.file("r.csv", f"{READINGS}{good}\n{row}\n{good}")
    status, _, problems = keeper.run("import", "readings", file)
    assert status == 2
    assert problems[0].startswith(f"nestclimate: {file}: line 5: ")
    assert told in problems[0]
    assert len(problems) == 2
    assert keeper.store().count() == 0
    summary = keeper.summary("import", "readings", file, "--skip-bad")
    assert {name: summary[name] for name in ("rows", "new", "known", "bad")} == {
        "rows": 5,
        "new": 2,
        "known": 2,
        "bad": 1,
    }
    assert set(keeper.store().probes()) == {"a/b", "a/c"}


@pytest.mark.parametrize("table", ["nests", "placements", "journal", "readings"])
@pytest.mark.parametrize("header", ["", "\n", "at,probe,temp_c\n", "at,probe,temp_c,rh_pct,x\n", "a,a,a,a\n"])
def test_wrong_header(keeper: Keeper, table: str, header: str):
    """A header that lacks a column or has another: one line that says what is allowed."""
    status, _, problems = keeper.run("import", table, keeper.file("x.csv", header + "1,2,3,4\n"))
    assert status == 2
    assert len(problems) == 1
    assert "line 1: columns are" in problems[0]


def test_files_that_are_none(keeper: Keeper):
    """Missing, a folder, or no text at all: one line each."""
    (keeper.folder / "wide.csv").write_bytes(READINGS.encode("utf-16"))
    (keeper.folder / "zeros.csv").write_bytes(bytes(200_000))
    (keeper.folder / "line.csv").write_bytes(b"x" * 200_000)
    for name, told in (
        ("none.csv", "cannot be read"),
        (".", "cannot be read"),
        ("wide.csv", "line 1: is no UTF-8 text"),
        ("zeros.csv", "line 1: is no CSV"),
        ("line.csv", "line 1: is no CSV"),
    ):
        status, _, problems = keeper.run("import", "readings", str(keeper.folder / name))
        assert (status, len(problems)) == (2, 1)
        assert told in problems[0]


def test_any_order_of_columns_and_files_twice(keeper: Keeper):
    """Journal and placements before their nests, columns shuffled, a byte order mark: all well, and again harmless."""
    files = {
        "journal": f"{JOURNAL}2026-01-01T08:00:00+02:00,T1,fill,10,ml,first\n",
        "placements": f"{PLACEMENTS}a/p,T1,ants,wet_end,5,2026-01-01T00:00Z,2026-02-01T00:00Z\n",
        "nests": "\ufeffkind,nest,room,rack,species,colony,stage,since,bore_mm,chamber_mm,reservoir_ml,plug\n"
        "tube,T1,ants,A,lasius-niger,Ada,founding,2026-01-01T00:00Z,16,60,10,cotton\n",
        "readings": f"rh_pct,temp_c,probe,at\n55.5,21.5,a/p,{iso(1_767_225_600_123)}\n",
    }
    for times, new in ((1, 1), (2, 0)):
        for table, text in files.items():
            summary = keeper.summary("import", table, keeper.file(f"{table}{times}.csv", text))
            assert (summary["rows"], summary["new"], summary["known"]) == (1, new, 1 - new)
    assert keeper.store().latest()["a/p"].at_ms == 1_767_225_600_123
    assert keeper.registry().entries()[0].unit == "mL"


def test_out_and_in_again(keeper: Keeper, tmp_path: Path):
    """Everything exported and imported elsewhere is the same there, and exports to the same bytes."""
    keeper.run(
        "import",
        "nests",
        keeper.file("n.csv", f"{NESTS}T1,tube,ants,,,Ada,,,16,,,\nT1,tube,ants,B,,,,2026-01-01T00:00Z,,,,\n"),
    )
    keeper.run("import", "placements", keeper.file("p.csv", f"{PLACEMENTS}a/p,,ants,room,,2026-01-01T00:00Z,\n"))
    keeper.run("import", "journal", keeper.file("j.csv", f'{JOURNAL}2026-01-01T00:00Z,T1,note,,,"a, ""b""\nc"\n'))
    keeper.run("import", "readings", keeper.file("r.csv", f"{READINGS}2026-01-01T00:00Z,a/p,20.125,\n"))
    (tmp_path / "other").mkdir()
    other = Keeper(tmp_path / "other", keeper._capsys)
    for table in ("nests", "placements", "journal", "readings"):
        out, again = tmp_path / f"out-{table}.csv", tmp_path / f"again-{table}.csv"
        assert keeper.summary("export", table, "--out", str(out))["rows"] >= 1
        assert other.summary("import", table, str(out))["known"] == 0
        assert other.run("export", table, "--out", str(again))[0] == 0
        assert out.read_bytes() == again.read_bytes()
    assert [p.name for p in tmp_path.iterdir() if "part" in p.name] == []


def test_parquet(keeper: Keeper, tmp_path: Path):
    """Readings as Parquet: UTC instants, numbers, missing where missing, in order of time; read with Apache Arrow."""
    start = datetime(2025, 3, 1, tzinfo=UTC)
    chance = random.Random(1)
    rows = [(start + timedelta(minutes=i), f"a/p{i % 3}", chance.randint(0, 30000) / 1000) for i in range(30_000)]
    shuffled = chance.sample(rows, len(rows))
    text = READINGS + "".join(f"{at.isoformat()},{probe},{temp},\n" for at, probe, temp in shuffled)
    assert keeper.summary("import", "readings", keeper.file("r.csv", text))["new"] == 30_000
    keeper.run("export", "readings", "--out", str(tmp_path / "r.parquet"))
    table = parquet.read_table(tmp_path / "r.parquet").to_pydict()
    assert list(zip(table["at"], table["probe"], table["temp_c"], strict=True)) == rows
    assert set(table["rh_pct"]) == {None}


def test_blanks_are_null_in_parquet(keeper: Keeper, tmp_path: Path):
    """What is blank in CSV, text, number or instant, is null in Parquet, not an empty text."""
    keeper.run("import", "nests", keeper.file("n.csv", f"{NESTS}T1,tube,ants,,,,,,,,,\n"))
    keeper.run("import", "placements", keeper.file("p.csv", f"{PLACEMENTS}a/p,T1,,wet_end,,2026-01-01T00:00Z,\n"))
    keeper.run("import", "journal", keeper.file("j.csv", f"{JOURNAL}2026-01-01T00:00Z,T1,died,,,\n"))
    for table, filled in (
        ("nests", {"nest", "kind", "room"}),
        ("placements", {"probe", "nest", "place", "since"}),
        ("journal", {"at", "nest", "kind"}),
    ):
        keeper.run("export", table, "--out", str(tmp_path / "x.parquet"))
        (row,) = parquet.read_table(tmp_path / "x.parquet").to_pylist()
        assert {name for name, value in row.items() if value is not None} == filled


def test_what_a_wrong_clock_dated_far_ahead_is_exported_too(keeper: Keeper, tmp_path: Path):
    """A reading stored with a time of years ahead is stored data like any other: an export leaves nothing out."""
    keeper.run("import", "readings", keeper.file("r.csv", f"{READINGS}2026-01-01T00:00Z,a/p,20,\n"))
    keeper.store().write([Reading("a/p", FAR_MS, 20.0, None)])
    assert keeper.summary("export", "readings", "--out", str(tmp_path / "x.csv"))["rows"] == 2
    assert (tmp_path / "x.csv").read_text().endswith("3000-01-01T00:00:00Z,a/p,20.0,\n")


def test_alarms_without_any(keeper: Keeper, tmp_path: Path):
    """A room that never had an alarm: the header alone, in CSV and in Parquet."""
    for suffix in ("csv", "parquet"):
        assert keeper.summary("export", "alarms", "--out", str(tmp_path / f"a.{suffix}"))["rows"] == 0
    assert (tmp_path / "a.csv").read_text().startswith("id,nest,probe,place,kind,priority,state,raised_at,")
    assert parquet.read_table(tmp_path / "a.parquet").num_rows == 0


def test_export_refuses_what_it_cannot(keeper: Keeper, tmp_path: Path):
    """Another suffix, or a folder that is not there: one line, and an older file stays as it was."""
    for out in ("r.xlsx", "none/r.csv"):
        status, _, problems = keeper.run("export", "readings", "--out", str(tmp_path / out))
        assert (status, len(problems)) == (2, 1)


def test_a_long_file_with_bad_rows_anywhere(keeper: Keeper, tmp_path: Path):
    """More rows than a chunk: line numbers stay exact, good rows are all there."""
    size, bad = readings_csv.CHUNK_ROWS + 1_000, {5, readings_csv.CHUNK_ROWS, readings_csv.CHUNK_ROWS + 7}
    with (tmp_path / "r.csv").open("w") as file:
        file.write(READINGS)
        for line in range(2, size + 2):
            file.write(f"{iso(1_700_000_000_000 + line * 60_000)},p,{'x' if line in bad else 20.5},50\n")
    status, _, problems = keeper.run("import", "readings", str(tmp_path / "r.csv"))
    assert status == 2
    assert [int(problem.split("line ")[1].split(":")[0]) for problem in problems[:-1]] == sorted(bad)
    assert keeper.summary("import", "readings", str(tmp_path / "r.csv"), "--skip-bad")["new"] == size - len(bad)


def test_journal_add(keeper: Keeper):
    """One entry; again it changes nothing; a nest that is not there is named with what is near."""
    keeper.run("import", "nests", keeper.file("n.csv", f"{NESTS}Tube 1,tube,ants,,,,,,,,,\n"))
    words = ("journal", "add", "Tube 1", "level", "--amount", "3.5", "--at", "2026-01-01T10:00:00+01:00")
    assert keeper.run(*words)[:2] == (0, "2026-01-01T09:00:00Z Tube 1: level 3.5 mL, entry 1\n")
    assert keeper.run(*words)[1].endswith("entry 1 (was written before)\n")
    assert len(keeper.registry().entries(from_ms=1_767_258_000_000, until_ms=1_767_258_000_001)) == 1
    for wrong, told in (
        (("Tube 2", "fill"), "did you mean Tube 1"),
        (("Tube 1", "sing"), "kind = 'sing'"),
        (("Tube 1", "weigh"), "needs one (g on the scale)"),
        (("Tube 1", "note", "--at", "2026-01-01T10:00:00"), "has no offset"),
        (("Tube 1", "note", "--at", iso(FAR_MS)), "lies in the future"),
    ):
        status, _, problems = keeper.run("journal", "add", *wrong)
        assert (status, len(problems)) == (2, 1)
        assert told in problems[0]


def test_csv_of_readings_reads_with_the_plain_reader(keeper: Keeper, tmp_path: Path):
    """The exported header is the contract's; instants carry Z."""
    keeper.run("import", "readings", keeper.file("r.csv", f"{READINGS}2026-01-01T01:00:00+01:00,p,20.5,\n"))
    keeper.run("export", "readings", "--out", str(tmp_path / "x.csv"))
    with (tmp_path / "x.csv").open(newline="") as file:
        assert list(csv.reader(file)) == [
            ["at", "probe", "temp_c", "rh_pct"],
            ["2026-01-01T00:00:00Z", "p", "20.5", ""],
        ]


def test_readings_that_look_like_fahrenheit_are_told_and_stored(keeper: Keeper) -> None:
    """75.2 °F is 24 °C. A nest that was once below 45 °C is taken at its word; so is one without any temperature."""
    hours = [f"2026-04-01T{hour:02}:00:00Z" for hour in range(4)]
    rows = [f"{at},us/a1,{75.2 + number},81" for number, at in enumerate(hours)]
    rows += [f"{at},hot/b1,{temp},30" for at, temp in zip(hours, (24.0, 46.0, 50.0, 47.0), strict=True)]
    rows += [f"{at},rh/c1,,60" for at in hours]
    status, out, err = keeper.run("import", "readings", keeper.file("logger.csv", READINGS + "\n".join(rows)))
    assert status == 0
    assert "12 readings rows new" in out
    assert len(err) == 1
    assert "us/a1" in err[0]
    assert "75.2" in err[0]
    assert "°F" in err[0]
    assert keeper.store().count() == 12


@pytest.mark.parametrize("sign", [";", "\t"])
def test_a_file_of_another_separator_is_told_as_such(keeper: Keeper, sign: str) -> None:
    file = keeper.file("logger.csv", READINGS.replace(",", sign))
    assert keeper.run("import", "readings", file)[::2] == (
        2,
        [
            (
                f"nestclimate: {file}: line 1: {'semicolons' if sign == ';' else 'tabs'} part the fields; save the file with commas"
                " between fields and a point in numbers"
            )
        ],
    )


def test_a_number_with_a_comma_is_told_to_have_a_point(keeper: Keeper) -> None:
    file = keeper.file("logger.csv", READINGS + '2026-04-01T00:00:00Z,a1,"21,5",70\n')
    _, _, err = keeper.run("import", "readings", file)
    assert "temp_c = '21,5': allowed is a number from -100 to 150 with a point, or blank" in err[0]
    assert "1 bad row, nothing was imported; mend it" in err[1]
