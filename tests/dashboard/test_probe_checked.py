"""A probe of the room is checked off the round on its own page, which says how it is calibrated; and by the command."""

from __future__ import annotations

import html
import json
import re

import pytest
from keeper_client import KeeperClient
from keeper_room import KEEPER, app_of, keeper_room, two_tubes

from sensord.air.calibration import SALT_CAUTIONS
from sensord.cli import main
from sensord.clock import DAY_MS, from_ms, to_ms
from sensord.keeping.round import Task
from sensord.model import Place, Placement

PATH, WITHDRAW = "/write/probes/checked", "/write/probes/checked/withdraw"


@pytest.fixture
def room(tmp_path, clock):
    """Its room probe was placed long ago and never checked since; the nest's probe is new."""
    found = two_tubes(keeper_room(tmp_path, clock))
    now_ms = to_ms(clock.now())
    found.registry.put_placements([Placement("hub-a/p1", "A-01", "ant room", Place.WET_END, now_ms - DAY_MS)])
    return found


@pytest.fixture
def dashboard(room):
    """Its data and the keeper; the round is made."""
    app, data = app_of(room)
    data.refresh()
    return data, KeeperClient(app)


def due(data) -> list[str]:
    data.refresh()
    return [chore.probe for chore in data.round().chores if chore.task == Task.CALIBRATE]


def test_the_line_leads_to_the_page_where_one_form_ends_it_and_withdrawn_it_is_back(dashboard, room) -> None:
    data, keeper = dashboard
    assert ["hub-a/room"] == due(data)
    line = re.search(r'<li class="chore">(?:(?!</li>).)*Calibrate.*?</li>', keeper.get("/round").text)[0]
    there = html.unescape(re.search(r'<b><a href="([^"]*)"', line)[1])
    assert "/probe?name=hub-a/room#checked" == there
    page = keeper.get(there.partition("#")[0]).text
    assert 'id="checked"' in page
    assert 'data-write="/write/probes/checked"' in page
    answer = keeper.write(PATH, {"probe": "hub-a/room", "day": "2026-04-01", "note": "beside the new one"})
    assert [] == due(data)
    page = keeper.get("/probe?name=hub-a/room").text
    assert f"beside the new one, {KEEPER}" in page
    assert "1 Apr 2026 13:00" in page
    keeper.write(WITHDRAW, {"id": answer.get_json()["id"]})
    assert ["hub-a/room"] == due(data)
    assert "beside the new one" not in keeper.get("/probe?name=hub-a/room").text


def test_a_day_of_before_counts_from_its_noon_and_the_round_asks_again_a_year_later(dashboard, room, clock) -> None:
    data, keeper = dashboard
    keeper.write(PATH, {"probe": "hub-a/room", "day": "2025-04-02"})
    assert [] == due(data)
    (check,) = room.hand_checks.all()
    assert "2025-04-02T12:00:00+01:00" == from_ms(check.at_ms).astimezone(room.config.zone).isoformat()
    clock.advance(2 * DAY_MS / 1_000)
    assert ["hub-a/room"] == due(data)


def test_the_page_says_how_with_the_commands_to_type_and_the_cautions(dashboard) -> None:
    _, keeper = dashboard
    page = html.unescape(keeper.get("/probe?name=hub-a/room").text)
    for command in ("together hub-a/room --against ", "salt hub-a/room --salt nacl", "checked hub-a/room"):
        assert f"<pre>nestclimate calibrate {command}" in page
    assert all(caution in page for caution in SALT_CAUTIONS)


@pytest.mark.parametrize(
    ("given", "status", "says"),
    [
        ({"probe": "hub-a/p9"}, 404, "nobody ever heard of it"),
        ({"probe": "HUB A"}, 404, "nobody ever heard of it"),
        ({"probe": "hub-a/room", "day": "2026-04-02"}, 400, "day = '2026-04-02'"),
        ({"probe": "hub-a/room", "day": "2019-04-02"}, 400, "allowed is a day of the last five years"),
        ({"probe": "hub-a/room", "day": "yesterday"}, 400, "allowed is a day such as 2026-04-01"),
        ({"probe": "hub-a/room", "note": "x" * 301}, 400, "note"),
        ({"day": "2026-04-01"}, 400, "probe: is missing"),
    ],
)
def test_what_is_not_right_is_refused_in_words(dashboard, room, given, status, says) -> None:
    answer = dashboard[1].write(PATH, given)
    assert status == answer.status_code
    assert says in answer.get_json()["problems"][0]
    assert [] == room.hand_checks.all()


def test_twice_is_once_and_withdrawn_twice_changes_nothing(dashboard, room) -> None:
    _, keeper = dashboard
    ids = {keeper.write(PATH, {"probe": "hub-a/room", "day": "2026-03-20"}).get_json()["id"] for _ in range(2)}
    assert 1 == len(ids)
    for _ in range(2):
        assert 200 == keeper.write(WITHDRAW, {"id": min(ids)}).status_code
    assert 404 == keeper.write(WITHDRAW, {"id": 99}).status_code
    kept = room.connection.execute("SELECT withdrawn_by, note FROM hand_checks").fetchall()
    assert [(KEEPER, "")] == kept
    again = keeper.write(PATH, {"probe": "hub-a/room", "day": "2026-03-20"}).get_json()["id"]
    assert again > min(ids)


def test_a_visitor_reads_and_writes_nothing(dashboard, room) -> None:
    _, keeper = dashboard
    keeper.write(PATH, {"probe": "hub-a/room", "note": "<b>x</b>"})
    visitor = keeper.app.test_client()
    page = visitor.get("/probe?name=hub-a/room").text
    assert "&lt;b&gt;x" in page
    assert "/write/" not in page
    assert 401 == visitor.post(PATH, json={"probe": "hub-a/room"}).status_code
    assert 401 == visitor.post(WITHDRAW, json={"id": 1}).status_code


def test_the_command_notes_a_check_and_lists_it(room, capsys) -> None:
    def run(*words: str) -> tuple[int, str, str]:
        status = main(["--config", str(room.config.folder), "calibrate", *words])
        return status, *capsys.readouterr()

    at = "2026-03-01T10:00:00Z"
    said = "hub-a/room checked 2026-03-01T10:00:00Z by Mara, beside the new one\n"
    assert (0, said, "") == run("checked", "hub-a/room", "--at", at, "--note", "beside the new one", "--by", "Mara")
    assert said == run("list")[1]
    assert [{"probe": "hub-a/room", "at": at, "note": "beside the new one", "by": "Mara"}] == json.loads(
        run("list", "--json")[1]
    )["checked"]
    assert not any(line.task == Task.CALIBRATE for line in room.rounds.at(to_ms(room.clock.now())))
    status, _, problem = run("checked", "hub-a/room", "--at", "2999-01-01T00:00:00Z")
    assert (2, 1) == (status, problem.count("\n"))
    assert 2 == run("checked", "hub-a/p9")[0]
