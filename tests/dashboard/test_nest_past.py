"""The nest page tells the history of its nest: how it stood since when, which probes came and left, and who wrote that down."""

from __future__ import annotations

import json

import nest_page
import pytest
from keeper_client import KeeperClient
from keeper_room import KEEPER, app_of, keeper_room

from dashboard.nest_past import past_of
from sensord.clock import DAY_MS, HOUR_MS, to_ms
from sensord.model import Nest, NestKind, Place, Placement, Stage

ROW = {"nest": "A-01", "kind": "tube", "room": "ant room", "rack": "A", "species": "Lasius niger", "colony": "Berta"}


@pytest.fixture
def room(tmp_path, clock):
    """A tube with a probe, both written down before anybody signed."""
    found = keeper_room(tmp_path, clock)
    now_ms = to_ms(clock.now())
    found.registry.put_nests([Nest("A-01", NestKind.TUBE, "ant room", "A", "Lasius niger", "Berta")])
    found.registry.put_nests([Nest("F-01", NestKind.FORMICARIUM, "ant room", "A", reservoir_ml=40.0)])
    found.registry.put_placements([Placement("hub/p1", "A-01", "ant room", Place.WET_END, now_ms - 30 * DAY_MS)])
    return found


@pytest.fixture
def keeper(room):
    return KeeperClient(app_of(room)[0])


def lines(keeper, nest="A-01") -> list[tuple[str, ...]]:
    """The table on the page, newest line first."""
    drawn = nest_page.now(keeper.client, nest)["nest-past-lines"]["children"]
    body = drawn[1]["props"]["children"]["props"]["children"][1]["props"]["children"]
    return [tuple(cell["props"]["children"] for cell in row["props"]["children"]) for row in body]


ALWAYS = ("always", "kind tube, room ant room, rack A, species Lasius niger, colony Berta", "not known", "")
CAME = ("2 Mar 12:00", "probe hub/p1: comes, wet end", "not known", "")


def test_what_nobody_signed_is_told_without_a_name(keeper) -> None:
    assert [CAME, ALWAYS] == lines(keeper)
    assert "kind formicarium, room ant room, rack A, reservoir (mL) 40" == lines(keeper, "F-01")[0][1]


def test_a_change_from_now_on_a_correction_and_a_wrong_date_each_with_who_and_when(keeper, clock) -> None:
    keeper.write("/write/nests", {"rows": [{**ROW, "rack": "B", "stage": "nanitic"}], "holds": "from_now"})
    changed = ("1 Apr 13:00", "rack A → B, stage not known → nanitic", KEEPER, "1 Apr 13:00")
    assert [changed, CAME, ALWAYS] == lines(keeper)
    clock.advance(HOUR_MS / 1_000)
    since = "2026-04-01T12:00:00Z"
    row = {**ROW, "rack": "C", "stage": "nanitic", "since": since}
    keeper.write("/write/nests", {"rows": [row], "holds": "always_so"})
    found = lines(keeper)
    assert ("1 Apr 13:00", "corrected: rack B → C", KEEPER, "1 Apr 14:00") == found[0]
    assert ("1 Apr 13:00", "rack A → C, stage not known → nanitic", KEEPER, "1 Apr 13:00") == found[1]
    keeper.write("/write/nests", {"rows": [{**row, "since": "2026-03-20T12:00:00Z"}], "holds": "always_so"})
    found = lines(keeper)
    assert ("1 Apr 13:00", "corrected: taken out", KEEPER, "1 Apr 14:00") == found[0]
    assert ("20 Mar 12:00", "rack A → C, stage not known → nanitic", KEEPER, "1 Apr 14:00") in found


def test_a_probe_that_moves_is_told_in_both_nests(keeper) -> None:
    there = {"probe": "hub/p1", "nest": "F-01", "room": "ant room", "place": "outworld", "since": "now"}
    assert 200 == keeper.write("/write/placements", {"rows": [there], "holds": "from_now"}).status_code
    at = "1 Apr 13:00"
    assert [(at, "probe hub/p1: leaves, wet end", KEEPER, at), CAME, ALWAYS] == lines(keeper)
    assert (at, "probe hub/p1: comes, outworld", KEEPER, at) == lines(keeper, "F-01")[0]
    right = {**there, "nest": "A-01", "place": "dry_end", "since": "2026-04-01T12:00:00Z"}
    assert 200 == keeper.write("/write/placements", {"rows": [right], "holds": "always_so"}).status_code
    assert (at, "corrected: probe hub/p1: taken out", KEEPER, at) == lines(keeper, "F-01")[0]
    assert (at, "corrected: probe hub/p1: place outworld → dry_end", KEEPER, at) in lines(keeper)


def test_a_placement_that_was_written_down_after_it_was_over(keeper) -> None:
    over = {"probe": "hub/p2", "nest": "A-01", "room": "ant room", "place": "dry_end", "since": "2026-03-05T12:00:00Z"}
    keeper.write("/write/placements", {"rows": [{**over, "until": "2026-03-06T12:00:00Z"}]})
    assert [
        ("6 Mar 12:00", "probe hub/p2: leaves, dry end", KEEPER, "1 Apr 13:00"),
        ("5 Mar 12:00", "probe hub/p2: comes, dry end", KEEPER, "1 Apr 13:00"),
    ] == lines(keeper)[:2]


def test_a_colony_that_moves_is_told_with_who_moved_it(keeper) -> None:
    assert 200 == keeper.write("/write/colonies/move", {"colony": "Berta", "nest": "F-01"}).status_code
    found = lines(keeper, "F-01")[0]
    assert (KEEPER, "1 Apr 13:00") == found[2:]
    assert "colony not known → Berta" in found[1]
    assert "species not known → Lasius niger" in found[1]


def test_two_browsers_edit_the_same_row_and_the_second_is_told_and_leaves_no_word(keeper, room) -> None:
    mark = keeper.get("/grid/nests.json").get_json()["mark"]
    keeper.write("/write/nests", {"rows": [{**ROW, "rack": "B"}], "mark": mark})
    answer = keeper.write("/write/nests", {"rows": [{**ROW, "rack": "C"}], "mark": mark})
    assert 409 == answer.status_code
    assert 1 == len(room.registry.changes("A-01"))
    assert "C" not in json.dumps(lines(keeper))


def test_words_of_the_grid_are_only_text_in_the_history(keeper) -> None:
    keeper.write("/write/nests", {"rows": [{**ROW, "rack": "<b>B</b>"}]})
    assert "rack A → <b>B</b>" == lines(keeper)[0][1]  # a child of React is text


def test_a_plain_value_is_named_and_the_stage_is_a_word() -> None:
    states = [
        Nest("A-01", NestKind.TUBE, "x", stage=Stage.FOUNDING, bore_mm=12.5),
        Nest("A-01", NestKind.TUBE, "x", since_ms=1),
    ]
    assert [(1, "stage founding → not known, bore (mm) 12.5 → not known"), (None, "kind tube, room x, stage founding, bore (mm) 12.5")] == [
        (line.from_ms, line.words) for line in past_of("A-01", states, (), ())
    ]  # fmt: skip
