"""The journal at the command line: entries with their IDs, one taken back and put back, and what the outlook makes of it."""

from __future__ import annotations

import json

import pytest

from sensord import cli
from sensord.clock import DAY_MS, HOUR_MS, iso
from sensord.db import open_db
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind

DAY_0_MS = 1_767_225_600_000  # 2026-01-01
NESTS = "nest,kind,room,rack,species,colony,stage,since,bore_mm,chamber_mm,reservoir_ml,plug\n"
TUBES = "T-1,tube,ants,A,,,,,16,60,8,cotton\nT-2,tube,ants,A,,,,,16,60,8,cotton\n"


class Keeper:
    """Somebody at the command line of a room with two tubes."""

    def __init__(self, folder, capsys) -> None:
        self.folder, self._capsys = folder, capsys
        folder.mkdir()
        (folder / "station.toml").write_text("[station]\n")
        (folder / "nests.csv").write_text(NESTS + TUBES)
        assert 0 == self.run("import", "nests", str(folder / "nests.csv"))[0]

    def run(self, *words: str) -> tuple[int, str, list[str]]:
        status = cli.main(["--config", str(self.folder), *words])
        out, err = self._capsys.readouterr()
        return status, out, err.splitlines()

    def asked(self, *words: str):
        status, out, problems = self.run(*words, "--json")
        assert (0, []) == (status, problems)
        return json.loads(out)

    def write(self, nest: str, kind: str, day: float, amount: float | None = None) -> int:
        """The ID of a new entry."""
        more = () if amount is None else ("--amount", str(amount))
        at = iso(DAY_0_MS + round(day * DAY_MS))
        return self.asked("journal", "add", nest, kind, "--at", at, "--by", "Mara", *more)["id"]

    def registry(self) -> Registry:
        return Registry(open_db(self.folder / "data" / "station.db"))


@pytest.fixture
def keeper(tmp_path, capsys) -> Keeper:
    return Keeper(tmp_path / "room", capsys)


def test_the_list_shows_the_id_that_withdraws_and_the_entry_is_gone_and_kept_aside(keeper) -> None:
    keeper.write("T-1", "fill", 0, 8)
    slip = keeper.write("T-1", "level", 1, 80)
    assert keeper.run("journal", "list")[1].splitlines() == [
        f"{slip:>6}  2026-01-02T00:00:00Z T-1: level 80 mL (Mara)",
        "     1  2026-01-01T00:00:00Z T-1: fill 8 mL (Mara)",
    ]
    told = f"2026-01-02T00:00:00Z T-1: level 80 mL, entry {slip}"
    assert (0, f"withdrawn: {told}\n", []) == keeper.run("journal", "withdraw", str(slip), "--by", "Tom")
    assert ["fill"] == [one["kind"] for one in keeper.asked("journal", "list")["entries"]]
    (kept,) = keeper.asked("journal", "list", "--withdrawn")["entries"]
    assert (slip, "Mara", "Tom") == (kept["id"], kept["by"], kept["withdrawn_by"])
    assert (0, f"withdrawn: {told} (was withdrawn before)\n", []) == keeper.run("journal", "withdraw", str(slip))
    assert "Tom" == keeper.asked("journal", "list", "--withdrawn")["entries"][0]["withdrawn_by"]
    assert (0, f"put back: {told}\n", []) == keeper.run("journal", "withdraw", str(slip), "--put-back")
    assert ["level", "fill"] == [one["kind"] for one in keeper.asked("journal", "list")["entries"]]


def test_the_export_has_the_columns_of_the_contract_and_nothing_that_was_withdrawn(keeper) -> None:
    keeper.write("T-1", "fill", 0, 8)
    keeper.run("journal", "withdraw", str(keeper.write("T-1", "fill", 2, 9)))
    out = keeper.folder / "journal.csv"
    keeper.run("export", "journal", "--out", str(out))
    assert ["at,nest,kind,amount,unit,note", "2026-01-01T00:00:00Z,T-1,fill,8.0,mL,"] == out.read_text().splitlines()


def test_a_file_read_in_again_brings_nothing_back_that_was_withdrawn_and_says_so(keeper) -> None:
    keeper.write("T-1", "fill", 0, 8)
    slip = keeper.write("T-1", "fill", 2, 9)
    out = str(keeper.folder / "journal.csv")
    keeper.run("export", "journal", "--out", out)
    keeper.run("journal", "withdraw", str(slip))
    status, told, _ = keeper.run("import", "journal", out)
    assert 0 == status
    assert "0 journal rows new or changed, 2 known before, 1 of them withdrawn and left so" in told
    summary = keeper.asked("import", "journal", out)
    assert (0, 2, 1) == (summary["new"], summary["known"], summary["withdrawn"])
    assert [8.0] == [entry.amount for entry in keeper.registry().entries()]
    assert slip < keeper.write("T-1", "fill", 2, 9)  # said anew by hand it is an entry of its own


@pytest.mark.parametrize("id_", ["7", "0", "-1", "1.5", "one", "", "1e3", "9" * 40, "٣"])
def test_an_id_that_is_none_is_one_line_and_changes_nothing(keeper, id_) -> None:
    keeper.write("T-1", "fill", 0, 8)
    words = ("--", id_) if id_.startswith("-") else (id_,)
    status, out, problems = keeper.run("journal", "withdraw", *words)
    assert (2, "", 1) == (status, out, len(problems))
    assert 1 == len(keeper.registry().entries())


def test_the_list_can_be_of_one_nest_of_the_last_days_and_short(keeper) -> None:
    for day in range(3):
        keeper.write("T-1", "feed_sugar", day)
        keeper.write("T-2", "feed_sugar", day)
    assert 6 == len(keeper.asked("journal", "list")["entries"])
    assert {"T-2"} == {one["nest"] for one in keeper.asked("journal", "list", "T-2")["entries"]}
    assert 4 == len(keeper.asked("journal", "list", "--since", iso(DAY_0_MS + DAY_MS))["entries"])
    assert [iso(DAY_0_MS + 2 * DAY_MS)] == [
        one["at"] for one in keeper.asked("journal", "list", "T-1", "--last", "1")["entries"]
    ]
    assert "did you mean T-1" in keeper.run("journal", "list", "T-11")[2][0]
    assert 2 == keeper.run("journal", "list", "--last", "0")[0]


def test_a_note_of_many_lines_is_one_line_of_the_list(keeper) -> None:
    keeper.registry().add_entries([Entry(DAY_0_MS, "T-1", EntryKind.NOTE, None, "", "two\nlines \x1b[2J")])
    assert "     1  2026-01-01T00:00:00Z T-1: note: two lines [2J\n" == keeper.run("journal", "list")[1]


@pytest.mark.parametrize("kind", ["fill", "level", "died"])
def test_the_outlook_after_a_withdrawal_is_as_if_the_entry_never_was(keeper, tmp_path, capsys, kind) -> None:
    """Though a checkpoint was made from it: asked before, withdrawn, asked again, beside a room that never had it."""
    other = Keeper(tmp_path / "other", capsys)
    slips = []
    for room in (keeper, other):
        readings = room.folder / "readings.csv"
        rows = [f"{iso(DAY_0_MS + hour * HOUR_MS)},ants,24,45\n" for hour in range(60 * 24)]
        readings.write_text("at,probe,temp_c,rh_pct\n" + "".join(rows))
        placements = room.folder / "placements.csv"
        placements.write_text(
            f"probe,nest,room,place,distance_mm,since,until\nants,,ants,room,,{iso(DAY_0_MS - DAY_MS)},\n"
        )
        room.run("import", "placements", str(placements))
        room.run("import", "readings", str(readings))
        for day, nest in ((0, "T-1"), (1, "T-2"), (30, "T-1")):
            room.write(nest, "fill", day, 8)
        if room is keeper:
            slips.append(room.write("T-1", kind, 33, None if kind == "died" else 3))
        room.write("T-2", "level", 40, 5)
        room.write("T-1", "level", 45, 4)
    at = iso(DAY_0_MS + 59 * DAY_MS)
    before = keeper.asked("outlook", "--at", at)
    with keeper.registry()._connection as kept:
        (upto_ms,) = kept.execute("SELECT upto_ms FROM outlook_state WHERE nest = 'T-1'").fetchone()
        assert upto_ms > DAY_0_MS + 33 * DAY_MS
    keeper.run("journal", "withdraw", str(slips[0]))
    after, never = keeper.asked("outlook", "--at", at), other.asked("outlook", "--at", at)
    assert never == after
    assert before != after
    keeper.run("journal", "withdraw", str(slips[0]), "--put-back")
    assert before == keeper.asked("outlook", "--at", at)
