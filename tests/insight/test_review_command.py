"""``nestclimate review`` as a keeper runs it, on a real station: document, report, and what it refuses."""

from __future__ import annotations

import base64
import csv
import json
import re
import shutil
from html import unescape
from html.parser import HTMLParser

import pytest
from die_off_room import START_MS, make_room

from sensord.cli import main
from sensord.clock import DAY_MS, from_ms
from sensord.config import load_config
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Reading
from sensord.wiring import Room


@pytest.fixture(scope="module")
def heat_mat(tmp_path_factory):
    """A station in which T01 died over a heat mat: its folder, and the death."""
    folder = tmp_path_factory.mktemp("station")
    (folder / "station.toml").write_text('[station]\nname = "Cellar"\ndata = "data"\ntime_zone = "UTC"\n')
    simulated = make_room("heat", 1, nests=5)
    room = Room(load_config(folder), clock=None)
    registry: Registry = room.registry
    registry.put_nests(simulated.nests)
    registry.put_placements(simulated.placements)
    registry.add_entries(simulated.entries)
    since_ms = simulated.died_ms - 31 * DAY_MS
    room.store.write([Reading(*row) for row in simulated.rows if row[1] >= since_ms])
    room.store.close()
    return folder, simulated.died_ms


class Addresses(HTMLParser):
    """Whatever a page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.found += [f"{tag} {name}" for name, _ in attrs if name in ("src", "href", "srcset", "data", "poster")]


def test_json(heat_mat, capsys):
    """One document on standard output, as of the death."""
    folder, died_ms = heat_mat
    assert (
        main(["--config", str(folder), "review", "T01", "--at", from_ms(died_ms + DAY_MS).isoformat(), "--json"]) == 0
    )
    document = json.loads(capsys.readouterr().out)
    assert document["verdict"]["cause"] == "heat"
    assert document["window"]["to"].startswith(from_ms(died_ms).isoformat()[:16])


def test_report_is_complete(heat_mat, tmp_path, capsys):
    """One file with its figures and words, that asks nothing of anybody, and the hourly data beside it."""
    folder, died_ms = heat_mat
    out = tmp_path / "t01.html"
    at = from_ms(died_ms).isoformat()
    assert main(["--config", str(folder), "review", "T01", "--at", at, "--out", str(out)]) == 0
    page = unescape(out.read_text())
    parser = Addresses()
    parser.feed(page)
    assert parser.found == ["a href"]  # its own data, inside the file
    assert "script" not in parser.tags
    assert "url(" not in page
    assert "@import" not in page
    assert parser.tags.count("svg") == 3  # the wet end, the room, the water
    assert "consistent with" in page
    assert re.search(
        r"bands in use the alarm 'hot' would have come \d+ h before the end: worst \d+\.\d °C \(limit", page
    )
    assert re.search(r"With the ideal range as limit the alarm 'hot' would have come \d+ (h|days) before the end", page)
    rows = list(csv.DictReader(out.with_suffix(".csv").read_text().splitlines()))
    inside = re.search(r'href="data:text/csv;base64,([^"]+)"', page)[1]
    assert base64.b64decode(inside).decode().splitlines() == out.with_suffix(".csv").read_text().splitlines()
    assert {row["place"] for row in rows} == {"wet_end", "room"}
    rows = [row for row in rows if row["place"] == "wet_end"]
    assert len(rows) == 30 * 24
    assert max(float(row["temp_c"]) for row in rows if row["temp_c"]) > float(rows[-1]["temp_limit_high_c"])
    assert "Check next" in capsys.readouterr().out


def test_living_nest(heat_mat, capsys):
    """A nest that lives is reviewed at the instant asked for."""
    folder, died_ms = heat_mat
    assert main(["--config", str(folder), "review", "T03", "--at", from_ms(died_ms).isoformat(), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["verdict"]["cause"] == "not_climate"
    assert document["siblings"] == {"nests": 4, "died": 1}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["X9"], "nest 'X9': there is no such nest"),
        (["T01", "--at", from_ms(START_MS - DAY_MS).isoformat()], "did not stand yet"),
        (["T01", "--days", "0"], "--days 0: allowed is above 0"),
        (["T01", "--days", "nan"], "allowed is above 0"),
        (["T01", "--days", "1e9"], "allowed is above 0"),
        (["T01", "--out", "report.pdf"], "allowed is a file that ends in .html"),
        (["T01", "--out", "no-such-folder/report.html"], "there is no folder"),
    ],
)
def test_refused(heat_mat, capsys, arguments, said):
    """What cannot be done is said in one line, with exit status 2."""
    folder, _ = heat_mat
    assert main(["--config", str(folder), "review", *arguments]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_several_deaths(heat_mat, capsys, tmp_path):
    """Each review as the contract has it, what the dead share, and one report of all."""
    folder, died_ms = tmp_path / "copy", heat_mat[1]
    shutil.copytree(heat_mat[0], folder)
    room = Room(load_config(folder), clock=None)
    room.registry.add_entries([Entry(died_ms - DAY_MS, "T04", EntryKind.DIED)])
    out, at = tmp_path / "two.html", from_ms(died_ms).isoformat()
    arguments = ["--config", str(folder), "review", "T01", "T04", "--at", at, "--out", str(out), "--json"]
    assert main(arguments) == 0
    document = json.loads(capsys.readouterr().out)
    assert [one["nest"] for one in document["reviews"]] == ["T01", "T04"]
    assert document["in_common"]["dead"] == ["T01", "T04"]
    assert document["in_common"]["living"] == 3
    assert {"traits", "dead", "of_dead", "living", "of_living", "p", "p_holm", "because"} == set(
        document["in_common"]["shared"][0]
    )
    page = out.read_text()
    assert "What these 2 have in common" in page
    assert page.count('<section class="review">') == 2
    assert {row["nest"] for row in csv.DictReader(out.with_suffix(".csv").read_text().splitlines())} == {"T01", "T04"}
    alone = ["--config", str(folder), "review", "T01", "--at", at, "--json"]
    assert main(alone) == 0
    assert json.loads(capsys.readouterr().out) == document["reviews"][0]


def test_two_side_by_side(heat_mat, capsys, tmp_path):
    """A nest beside one that lived over the same days, and beside itself earlier: rows with what is apart."""
    folder, died_ms = heat_mat
    at, out = from_ms(died_ms).isoformat(), tmp_path / "beside.html"
    start = ["--config", str(folder), "review", "T01", "--at", at]
    assert main([*start, "--beside", "T02", "--json", "--out", str(out)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [one["nest"] for one in document["reviews"]] == ["T01", "T02"]
    assert document["reviews"][0]["window"]["to"] == document["reviews"][1]["window"]["to"]
    hot = next(row for row in document["beside"] if row["what"] == "too hot")
    assert hot["left"] > 10
    assert hot["right"] == 0
    assert hot["apart"] == -hot["left"]
    page = unescape(out.read_text())
    assert "T01 beside T02" in page
    assert page.count("<figure>") == 2  # the wet end and the room
    earlier = from_ms(died_ms - 7 * DAY_MS).isoformat()
    assert main([*start, "--days", "7", "--beside-at", earlier]) == 0
    said = capsys.readouterr().out
    assert "temperature, middle" in said
    assert said.count("T01: ") == 2


def test_several_of_which_one_died(heat_mat, capsys):
    """Nests that live may be looked at beside one that died; then nothing is asked of what they share."""
    folder, died_ms = heat_mat
    start = ["--config", str(folder), "review", "T01", "T02", "T03", "--at", from_ms(died_ms).isoformat()]
    assert main([*start, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [one["verdict"]["cause"] for one in document["reviews"]] == ["heat", "not_climate", "not_climate"]
    assert document["in_common"] is None
    assert main(start) == 0
    assert "Fewer than two of these died" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["T01", "X9"], "there is no such nest"),
        ([f"T{n}" for n in range(30)], "allowed is up to 24"),
        (["T01", "T02", "--beside", "T03"], "allowed is one"),
        (["T01", "--beside", "X9"], "there is no such nest"),
        (["T01", "--beside-at", "then"], "not ISO 8601"),
    ],
)
def test_several_refused(heat_mat, capsys, arguments, said):
    """What cannot be done with several is said in one line, with exit status 2."""
    folder, died_ms = heat_mat
    at = ["--at", from_ms(died_ms).isoformat()]
    assert main(["--config", str(folder), "review", *arguments, *at]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_says_what_it_is_doing_meanwhile(heat_mat, capsys):
    """Progress goes to standard error, a line a step, so that the document alone is on standard output."""
    folder, died_ms = heat_mat
    assert main(["--config", str(folder), "review", "T01", "--at", from_ms(died_ms).isoformat(), "--json"]) == 0
    told = capsys.readouterr()
    assert told.err.splitlines() == [
        "Reading the air of T01 and its siblings …",
        "Weighing what T01 went through against 4 siblings …",
    ]
    assert json.loads(told.out)["nest"] == "T01"
