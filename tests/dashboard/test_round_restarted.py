"""What was ticked on the round can be undone after the dashboard was started anew."""

from __future__ import annotations

import json

import pytest
from keeper_client import KeeperClient
from keeper_room import KEEPER, app_of, keeper_room, two_tubes

from dashboard.rounding import kept_of
from sensord.clock import DAY_MS, HOUR_MS, to_ms
from sensord.keeping.kept_round import KeptRoundText


@pytest.fixture
def kept(tmp_path, clock):
    """Two tubes with a round of their own."""
    return two_tubes(keeper_room(tmp_path, clock))


def started(kept):
    """The dashboard as a new process has it, before it made anything, and its keeper."""
    app, data = app_of(kept)
    return data, KeeperClient(app)


def tick(keeper, kind: str, **more) -> int:
    return keeper.write("/write/entries", {"nest": "A-01", "kind": kind, **more}).get_json()["id"]


def done(data) -> list[tuple[str, int, str]]:
    return [(one.chore.task, one.entry, one.by) for one in data.round().done]


@pytest.mark.parametrize("made_anew_before", [True, False], ids=["made anew since", "killed at once"])
def test_a_tick_of_before_the_restart_is_shown_as_done_and_undone(kept, made_anew_before) -> None:
    data, keeper = started(kept)
    data.refresh()
    open_ = set(data.round().chores)
    id_ = tick(keeper, "feed_sugar")
    if made_anew_before:
        data.refresh()
    data, keeper = started(kept)
    assert [("feed_sugar", id_, KEEPER)] == done(data)  # at once, before the round is made anew
    data.refresh()
    assert [("feed_sugar", id_, KEEPER)] == done(data)
    page = keeper.get("/round").text
    assert f'data-entry="{id_}"' in page
    assert f"noted by {KEEPER}" in page
    keeper.write("/write/entries/withdraw", {"id": id_})
    assert [] == done(data)
    assert open_ == set(data.round().chores)


def test_a_tick_of_the_morning_is_there_in_the_evening_and_gone_the_next_day(kept, clock) -> None:
    data, keeper = started(kept)
    clock.advance(-6 * HOUR_MS / 1_000)
    data.refresh()
    tick(keeper, "feed_sugar", at="2026-04-01T05:00:00Z")
    data.refresh()
    clock.advance(16 * HOUR_MS / 1_000)
    data, keeper = started(kept)
    data.refresh()
    assert 1 == len(done(data))
    clock.advance(6 * HOUR_MS / 1_000)
    assert [] == done(data)


def test_what_was_noted_or_withdrawn_while_it_was_down_counts(kept) -> None:
    data, keeper = started(kept)
    data.refresh()
    id_ = tick(keeper, "feed_sugar")
    data.refresh()
    kept.registry.withdraw_entry(id_, "tom", to_ms(kept.clock.now()))
    data, keeper = started(kept)
    assert [] == done(data)
    assert "feed_sugar" in {chore.task for chore in data.round().chores if chore.nest == "A-01"}


def test_a_round_of_another_day_or_another_version_is_none(kept, clock) -> None:
    data, _ = started(kept)
    data.refresh()
    text = KeptRoundText(kept.connection).get()
    now_ms = to_ms(clock.now())
    assert kept_of(text, now_ms)[0] == data.round()
    assert (None, 0) == kept_of(text, now_ms + DAY_MS)
    other = json.loads(text)
    other["chores"][0]["colour"] = "red"
    for bad in ("", "{", "[]", "null", "{}", json.dumps(other), json.dumps({**json.loads(text), "done": [1]})):
        assert (None, 0) == kept_of(bad, now_ms)
    KeptRoundText(kept.connection).put("{")
    data, _ = started(kept)
    assert data.round() is None
    data.refresh()
    assert data.round().chores


def test_a_round_that_says_the_same_is_not_written_again(kept) -> None:
    data, _ = started(kept)
    data.refresh()
    KeptRoundText(kept.connection).put("as it was")
    data.refresh()
    assert "as it was" == KeptRoundText(kept.connection).get()
