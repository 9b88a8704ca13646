"""A line of the round leaves it at once when it is noted, and comes back when the note is taken back."""

from __future__ import annotations

import re

import pytest
from keeper_client import KeeperClient
from keeper_room import KEEPER, app_of, keeper_room, two_tubes

from sensord.clock import HOUR_MS


@pytest.fixture
def kept(tmp_path, clock):
    """A tube that was never filled nor fed as far as anybody knows, and one whose water ends."""
    return two_tubes(keeper_room(tmp_path, clock))


@pytest.fixture
def made(kept):
    """App, data and a keeper; the round is made."""
    app, data = app_of(kept)
    data.refresh()
    return data, KeeperClient(app)


def lines(data, nest) -> dict[str, str]:
    return {chore.task: chore.done_kind for chore in data.round().chores if chore.nest == nest}


def test_every_line_with_an_entry_is_ended_by_it_and_comes_back(made) -> None:
    data, keeper = made
    assert {"read_level", "feed_sugar", "feed_protein", "count"} <= set(lines(data, "A-01"))
    assert "top_up" in lines(data, "A-02")
    open_ = data.round().chores
    for chore in (one for one in open_ if one.done_kind):
        body = {
            "nest": chore.nest,
            "kind": chore.done_kind,
            **({"amount": 3} if chore.done_kind in ("count", "level") else {}),
        }
        id_ = keeper.write("/write/entries", body).get_json()["id"]
        found = data.round()
        assert chore not in found.chores, chore.task
        assert [(chore.task, id_, KEEPER)] == [(one.chore.task, one.entry, one.by) for one in found.done]
        keeper.write("/write/entries/withdraw", {"id": id_})
        assert set(open_) == set(data.round().chores), chore.task
        assert () == data.round().done


def test_an_entry_of_earlier_ends_its_line_too(made, clock) -> None:
    """What was done an hour ago and noted now."""
    data, keeper = made
    at = "2026-04-01T11:00:00Z"
    keeper.write("/write/entries", {"nest": "A-01", "kind": "feed_sugar", "at": at})
    assert "feed_sugar" not in lines(data, "A-01")
    assert "feed_sugar" in lines(data, "A-02") or "A-02" not in {chore.nest for chore in data.round().chores}


def test_a_fill_ends_a_top_up_and_the_round_made_anew_agrees(made) -> None:
    """The line stays among what was done, so that it can be undone; the outlook has seen the water by then."""
    data, keeper = made
    id_ = keeper.write("/write/entries", {"nest": "A-02", "kind": "fill", "amount": 8}).get_json()["id"]
    assert "top_up" not in lines(data, "A-02")
    assert data.touched.is_set()
    data.refresh()
    assert "top_up" not in lines(data, "A-02")
    assert [("top_up", id_)] == [(one.chore.task, one.entry) for one in data.round().done]
    water = {now.nest.name: now.water for now in data.snapshot().nests}["A-02"]
    assert water.left_ml > 7
    keeper.write("/write/entries/withdraw", {"id": id_})
    assert "top_up" in lines(data, "A-02")
    data.refresh()
    assert "top_up" in lines(data, "A-02")
    assert 1 == sum(chore.task == "top_up" and chore.nest == "A-02" for chore in data.round().chores)
    assert {now.nest.name: now.water for now in data.snapshot().nests}["A-02"].left_ml < 1


def test_what_was_done_is_shown_for_half_a_day(made, clock) -> None:
    data, keeper = made
    keeper.write("/write/entries", {"nest": "A-01", "kind": "count", "amount": 12})
    data.refresh()
    clock.advance(HOUR_MS * 11 / 1_000)
    data.refresh()
    assert ["count"] == [one.chore.task for one in data.round().done]
    clock.advance(HOUR_MS * 12 / 1_000)
    data.refresh()
    assert () == data.round().done


def test_the_page_offers_what_fills_the_reservoir_and_asks_for_numbers(made) -> None:
    _, keeper = made
    page = keeper.get("/round").text
    top_up = re.search(r'<form class="tick" data-body="[^"]*top_up[^"]*">.*?</form>', page)[0]
    assert 'value="8"' in top_up
    assert " required" not in top_up
    assert 'aria-label="Top up water, A-02: done"' in top_up
    count = re.search(r'<form class="tick" data-body="[^"]*count[^"]*">.*?</form>', page)[0]
    assert " required" in count
    visitor = keeper.app.test_client().get("/round").text
    assert "checkbox" not in visitor
    assert 'href="/sign-in?next=/round"' in visitor


def test_a_round_that_could_not_be_made_is_made_the_next_time(made, kept) -> None:
    data, _ = made
    data._room().connection.execute("ALTER TABLE placements RENAME TO away")
    data._round.make(data._room(), 0, 0, None)
    assert "placements" in data.round().problem
    data._room().connection.execute("ALTER TABLE away RENAME TO placements")
    data.refresh()
    assert data.round().chores
