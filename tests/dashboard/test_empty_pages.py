"""A room where nothing is yet: every page says what to do next."""

from __future__ import annotations

import pytest
from keeper_room import app_of, keeper_room
from waiting import wait_until

from dashboard.pages.nest import shown_chart, shown_now
from dashboard.pages.nest_chart import window_of
from sensord.model import Nest, NestKind

NEXT = {
    "/": ("nestclimate import nests nests.csv", 'href="/colonies"'),
    "/round": ("No nests yet", 'href="/colonies"'),
    "/alarms": ("No alarm in the last 14 days", "push test"),
    "/probes": ("nestclimate sense", "nestclimate probes"),
    "/colonies": ("No nests yet", "Sign in"),
    "/placements": ("No probe is placed yet", "Sign in"),
    "/review": ("nestclimate import nests", "journal add"),
    "/losses": ("nestclimate import nests", "journal add"),
    "/labels": ("No nests to label yet", 'href="/colonies"'),
}


@pytest.mark.parametrize("path", NEXT)
def test_an_empty_page_says_what_to_do_next(path, tmp_path, clock) -> None:
    app, data = app_of(keeper_room(tmp_path, clock))
    data.refresh()
    client = app.test_client()
    wait_until(lambda: 'id="working"' not in client.get(path).text, within_s=20, what="the answer")
    page = client.get(path).text
    for words in NEXT[path]:
        assert words in page


def test_a_nest_of_which_nothing_is_known_says_what_is_missing(tmp_path, clock) -> None:
    """Neither probe, nor reading, nor entry: the facts, the chart and the journal each say so."""
    room = keeper_room(tmp_path, clock)
    room.registry.put_nests([Nest("T-1", NestKind.TUBE, "ant room", "A", "Lasius niger")])
    _, data = app_of(room)
    facts, *_, journal = (str(part) for part in shown_now(data, "T-1", 20, may_write=False)[:5])
    assert "cannot tell: no probe" in facts
    assert "Begin with a fill" in journal
    assert "Placements" in shown_chart(data, clock, "T-1", window_of(""), None, 0)[1]
