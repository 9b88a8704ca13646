"""What the grids send and the exports give: one checking code with the import, one writer with the export, all or nothing."""

from __future__ import annotations

import csv
import io

import pytest
from keeper_room import KEEPER, PASSWORD, app_of, keeper_room

from dashboard.access import COOKIE, TOKEN_HEADER, token_of
from sensord.alarms.watch import standings_of
from sensord.cli import main
from sensord.clock import DAY_MS, to_ms
from sensord.keeping.tables import COLUMNS
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Stage


@pytest.fixture
def room(tmp_path, clock):
    return keeper_room(tmp_path, clock)


@pytest.fixture
def visitor(room):
    return app_of(room)[0].test_client()


@pytest.fixture
def keeper(room, clock):
    """Posts as the keeper who is signed in."""
    client = app_of(room)[0].test_client()
    token = room.users.sign_in(KEEPER, PASSWORD, to_ms(clock.now()))
    client.set_cookie(COOKIE, token)

    def post(path, body):
        return client.post(path, json=body, headers={TOKEN_HEADER: token_of(token)})

    return post


TUBE = {"nest": "A-1", "kind": "tube", "room": "ant room"}


@pytest.mark.parametrize("path", ["/write/nests", "/write/placements"])
def test_nobody_writes_without_signing_in(visitor, room, path) -> None:
    assert 401 == visitor.post(path, json={"rows": [TUBE]}).status_code
    assert [] == room.registry.nests()


def test_rows_of_nests_are_written_and_the_wall_knows_at_once(keeper, room) -> None:
    answer = keeper("/write/nests", {"rows": [TUBE, {**TUBE, "nest": "A-2", "species": "Lasius niger"}]})
    assert (200, True, 2) == (answer.status_code, answer.json["ok"], answer.json["rows"])
    assert ["A-1", "A-2"] == [nest.name for nest in room.registry.nests()]
    assert 0 == keeper("/write/nests", {"rows": [TUBE]}).json["rows"]


def test_one_bad_row_and_none_is_written(keeper, room) -> None:
    rows = [TUBE, {**TUBE, "nest": "A-2", "kind": "box"}, {**TUBE, "row": 40, "nest": "A-3", "since": "2026-01-01"}]
    answer = keeper("/write/nests", {"rows": rows})
    assert 400 == answer.status_code
    first, two, three = answer.json["problems"]
    assert first.startswith("2 rows are")
    assert two.startswith("row 2: kind = 'box': allowed is tube, formicarium")
    assert three.startswith("row 40: since: instant 2026-01-01")
    assert [] == room.registry.nests()


def test_an_old_mark_is_a_conflict(keeper, room, visitor) -> None:
    mark = visitor.get("/grid/nests.json").json["mark"]
    assert 200 == keeper("/write/nests", {"rows": [TUBE], "mark": mark}).status_code
    answer = keeper("/write/nests", {"rows": [{**TUBE, "rack": "B"}], "mark": mark})
    assert 409 == answer.status_code
    assert "somebody else" in answer.json["problems"][0]
    assert "" == room.registry.nest("A-1").rack


NONSENSE = [{}, {"rows": []}, {"rows": "x"}, {"rows": [3]}, {"rows": [{"name": "A-1"}]}, {"rows": [{"nest": 7}]}, {"rows": [{**TUBE, "row": "x"}]},
     {"rows": [TUBE], "holds": "maybe"}, {"rows": [TUBE], "mark": 7}, {"rows": [TUBE], "more": 1}, {"rows": [TUBE] * 2_001},
     {"rows": [{**TUBE, "species": "a\nb"}]}, {"rows": [{**TUBE, "nest": "<script>"}]}, {"rows": [{**TUBE, "since": "999999-01-01"}]}]  # fmt: skip


def test_nonsense_is_refused_in_a_line(keeper, room) -> None:
    for body in NONSENSE:
        answer = keeper("/write/nests", body)
        assert 400 == answer.status_code, body
        assert answer.json["problems"]
        assert all(line and "\n" not in line for line in answer.json["problems"])
    assert [] == room.registry.nests()


def test_a_megabyte_is_too_much(keeper, room) -> None:
    assert 413 == keeper("/write/nests", {"rows": [{**TUBE, "species": "x" * 1_000_000}]}).status_code
    assert [] == room.registry.nests()


def test_a_thousand_nests_fit_one_save(keeper, room) -> None:
    rows = [{"row": n, "nest": f"A-{n}", "kind": "tube", "room": "ant room", "rack": f"Rack {n % 9}", "species": "Camponotus nicobarensis",
             "stage": "founding", "since": "2026-03-01T00:00:00+00:00", "reservoir_ml": "8", "plug": "cotton"} for n in range(1, 1_001)]  # fmt: skip
    assert 1_000 == keeper("/write/nests", {"rows": rows}).json["rows"]
    assert 1_000 == len(room.registry.nests())


def test_a_probe_that_moves_keeps_its_past(keeper, room, clock) -> None:
    now_ms = to_ms(clock.now())
    room.registry.put_placements([Placement("hub-a/p1", "A-1", "ant room", Place.WET_END, now_ms - DAY_MS)])
    row = {"probe": "hub-a/p1", "nest": "A-2", "room": "ant room", "place": "dry_end", "since": "now"}
    answer = keeper("/write/placements", {"rows": [row], "holds": "from_now"})
    assert (2, ["row 1: saved, but there is no nest A-2 yet"]) == (answer.json["rows"], answer.json["notes"])
    assert [("A-1", now_ms), ("A-2", None)] == [(one.nest, one.until_ms) for one in room.registry.placements()]


@pytest.mark.parametrize("table", ["nests", "placements", "journal"])
def test_what_a_page_gives_away_is_what_the_command_writes(room, visitor, clock, tmp_path, table) -> None:
    now_ms = to_ms(clock.now())
    room.registry.put_nests(
        [Nest("A-1", NestKind.TUBE, "ant, room", species='"L." niger', since_ms=now_ms, bore_mm=15.5)]
    )
    room.registry.put_placements([Placement("hub-a/p1", "A-1", "ant room", Place.WET_END, now_ms - DAY_MS)])
    room.registry.add_entries([Entry(now_ms, "A-1", EntryKind.NOTE, note="two\nlines")])
    answer = visitor.get(f"/export/{table}.csv")
    out = tmp_path / f"{table}.csv"
    assert 0 == main(["--config", str(tmp_path), "export", table, "--out", str(out)])
    assert out.read_bytes() == answer.data
    assert "attachment" in answer.headers["Content-Disposition"]
    assert 404 == visitor.get("/export/users.csv").status_code


def test_a_grid_holds_what_a_file_would(room, visitor, keeper, clock) -> None:
    now_ms = to_ms(clock.now())
    given = Nest(
        "A-1", NestKind.TUBE, "ant room", "B", "Lasius niger", "Queen, old", None, now_ms - DAY_MS, 15.5, 60.0, 8.125
    )
    room.registry.put_nests([given])
    found = visitor.get("/grid/nests.json").json
    assert list(COLUMNS["nests"]) == found["columns"]
    assert found["rows"][0][found["columns"].index("since")].endswith("+01:00")
    rows = [dict(zip(found["columns"], row, strict=True)) for row in found["rows"]]
    for holds in ("from_now", "always_so"):
        assert 0 == keeper("/write/nests", {"rows": rows, "mark": found["mark"], "holds": holds}).json["rows"]
    assert [given] == room.registry.history()


def test_grids_say_which_words_are_allowed_and_which_nests_are_dead(room, visitor, clock) -> None:
    now_ms = to_ms(clock.now())
    room.registry.put_nests(
        [Nest(name, NestKind.TUBE, "ant room", since_ms=now_ms - DAY_MS) for name in ("A-1", "A-2")]
    )
    room.registry.add_entries([Entry(now_ms - 1, "A-2", EntryKind.DIED)])
    found = visitor.get("/grid/nests.json").json
    assert ["tube", "formicarium"] == found["choices"]["kind"]
    assert "Lasius niger" in found["hints"]["species"]
    assert ["A-2"] == found["over"]
    assert 404 == visitor.get("/grid/users.json").status_code


def test_a_colony_that_moved_shows_all_its_nests(room, visitor, keeper, clock) -> None:
    for name in ("A-1", "F-1"):
        room.registry.put_nests(
            [
                Nest(
                    name,
                    NestKind.TUBE,
                    "ant room",
                    colony="" if name == "F-1" else "Berta",
                    since_ms=to_ms(clock.now()) - 40 * DAY_MS,
                )
            ]
        )
    room.registry.add_entries([Entry(to_ms(clock.now()) - 9 * DAY_MS, "A-1", EntryKind.COUNT, 23, "workers")])
    keeper(
        "/write/nests",
        {"rows": [{"nest": "F-1", "kind": "tube", "room": "ant room", "colony": "Berta", "since": "now"}]},
    )
    page = visitor.get("/colony?name=Berta").text
    assert page.index("F-1") < page.index("A-1")
    assert "still there" in page
    assert "1 Apr 2026" in page
    assert "<td>23</td>" in page
    assert 404 == visitor.get("/colony?name=Nobody").status_code


@pytest.fixture
def moving(room, clock):
    """Berta in a tube since forty days, and an empty formicarium beside it."""
    since_ms = to_ms(clock.now()) - 40 * DAY_MS
    room.registry.put_nests([
        Nest("A-1", NestKind.TUBE, "ant room", "A", "Lasius niger", "Berta", Stage.NANITIC, since_ms),
        Nest("F-1", NestKind.FORMICARIUM, "ant room", "B", since_ms=since_ms, reservoir_ml=30),
        Nest("F-2", NestKind.FORMICARIUM, "ant room", "B", "Lasius niger", "Clara", since_ms=since_ms),
    ])  # fmt: skip
    return room


def watched(room, clock):
    """The nests that wall and alarms know of."""
    standings = standings_of(room.registry, room.keeping)
    return {nest.name for nest in room.registry.nests() if standings.of_nest(nest.name, to_ms(clock.now()))}


def test_a_move_takes_the_colony_along_and_ends_the_watch_of_the_nest_it_left(moving, keeper, clock) -> None:
    assert {"A-1", "F-1", "F-2"} == watched(moving, clock)
    answer = keeper("/write/colonies/move", {"colony": "Berta", "nest": "F-1"})
    assert (200, "Berta moved from A-1 to F-1") == (answer.status_code, answer.json["text"])
    now_ms = to_ms(clock.now())
    new = moving.registry.nest("F-1")
    assert ("Berta", "Lasius niger", "nanitic", 30, now_ms) == (
        new.colony,
        new.species,
        new.stage,
        new.reservoir_ml,
        new.since_ms,
    )
    assert [("A-1", "to F-1", KEEPER)] == [
        (one.nest, one.note, one.by) for one in moving.registry.entries(kinds=(EntryKind.MOVE,))
    ]
    assert {"F-1", "F-2"} == watched(moving, clock) == moving.registry.alive(now_ms)
    assert {"A-1", "F-1", "F-2"} == moving.registry.alive(now_ms - 1)
    clock.advance(3_600)
    keeper(
        "/write/nests",
        {"rows": [{"nest": "A-1", "kind": "tube", "room": "ant room", "species": "Messor barbarus", "since": "now"}]},
    )
    assert {"A-1", "F-1", "F-2"} == watched(moving, clock) == moving.registry.alive(to_ms(clock.now()))


def test_a_name_at_two_nests_alone_leaves_neither_unwatched(moving, keeper, clock) -> None:
    row = {"nest": "F-1", "kind": "formicarium", "room": "ant room", "colony": "Berta", "since": "now"}
    assert "A-1 is watched until its journal says 'move'" in keeper("/write/nests", {"rows": [row]}).json["notes"][0]
    assert {"A-1", "F-1", "F-2"} == watched(moving, clock)
    moving.registry.add_entries([Entry(to_ms(clock.now()), "A-1", EntryKind.MOVE)])
    assert {"F-1", "F-2"} == watched(moving, clock)


def test_a_state_of_the_past_is_noted_and_said_to_be_one(moving, keeper, clock) -> None:
    row = {"nest": "F-1", "kind": "tube", "room": "cellar", "since": "2020-01-01T00:00:00Z"}
    assert ["row 1: noted as an earlier state of F-1; its latest stays as it is"] == keeper(
        "/write/nests", {"rows": [row]}
    ).json["notes"]
    assert ["cellar", "ant room"] == [nest.room for nest in moving.registry.history("F-1")]


def test_a_change_that_brings_a_dead_nest_back_to_life_says_so(moving, keeper, clock) -> None:
    moving.registry.add_entries([Entry(to_ms(clock.now()) - DAY_MS, "F-1", EntryKind.DIED)])
    row = {"nest": "F-1", "kind": "formicarium", "room": "ant room", "rack": "C"}
    assert ["F-1 holds"] == [one[:9] for one in keeper("/write/nests", {"rows": [row]}).json["notes"]]
    assert "F-1" in watched(moving, clock)


@pytest.mark.parametrize(
    ("colony", "nest", "status", "words"),
    [("Nobody", "F-1", 404, "no colony Nobody"), ("Berta", "F-9", 404, "no nest F-9"), ("Berta", "A-1", 400, "lives in A-1 already"),
     ("Berta", "F-2", 400, "Clara lives there"), ("", "F-1", 400, "colony: is missing")],
)  # fmt: skip
def test_a_move_that_cannot_be_says_why(moving, keeper, colony, nest, status, words) -> None:
    answer = keeper("/write/colonies/move", {"colony": colony, "nest": nest})
    assert status == answer.status_code
    assert words in answer.json["problems"][0]
    assert 3 == len(moving.registry.history())


def test_rows_read_back_through_csv(visitor, keeper) -> None:
    keeper("/write/nests", {"rows": [TUBE]})
    rows = list(csv.DictReader(io.StringIO(visitor.get("/export/nests.csv").text)))
    assert [("A-1", "tube", "ant room", "")] == [(row["nest"], row["kind"], row["room"], row["since"]) for row in rows]
