"""The nest page over the in-process client: windows, bands, gaps, siblings, zoom, words, entries' head."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest
from invented_room import DEAD, InventedRoom, room
from nest_page import chart, now, traces

from dashboard.app import create_app
from dashboard.nest_snapshot import Mark
from dashboard.pages.nest_chart import window_of, zoom_ms, zoomed
from sensord.clock import DAY_MS, HOUR_MS

HOSTILE = '<script>alert(1)</script>"><img src=x onerror=alert(2)>{{7*7}}'


@pytest.fixture
def client(clock):
    return create_app(InventedRoom(clock, lambda at_ms: room(48, at_ms)), clock).test_client()


def test_bands_are_shaded_gaps_left_and_marks_told(client) -> None:
    figure = chart(client, "A-05")["nest-chart"]["figure"]
    drawn = {trace["name"]: trace for trace in figure["data"]}
    assert 4 == len(figure["layout"]["shapes"])
    assert None in drawn["humidity"]["y"]
    assert (["feed sugar"], ["fill 8 mL"]) == (drawn["journal"]["text"], drawn["water"]["text"])
    assert ["alarm: too dry, worst 41.0 %"] == drawn["alarms"]["text"]


def test_siblings_and_moisture_are_drawn_where_they_are_asked_for(client) -> None:
    assert not [name for name in traces(client, "A-05", "?siblings=off") if "siblings" in name]
    both = list(traces(client, "A-05", "?moisture=on"))
    assert both.index("humidity, siblings") < both.index("humidity")  # behind it
    assert {"dew point", "vapour pressure deficit", "wetness of the cotton"} <= set(both)
    found = chart(client, "A-05", "?days=7")
    assert "7 of the same species" in found["nest-kin"]["children"]
    links = [link["props"] for link in found["nest-layers"]["children"]]
    assert ["Hide siblings", "Show dew point and vapour pressure deficit"] == [link["children"] for link in links]
    assert ["/nest/A-05?days=7&siblings=off", "/nest/A-05?days=7&moisture=on"] == [link["href"] for link in links]


def test_zoom_is_kept_by_window_and_let_go_with_another(client) -> None:
    def mark(search, **asked):
        return chart(client, "A-05", search, **asked)["nest-chart"]["figure"]["layout"]["uirevision"]

    assert mark("?days=7") == mark("?days=7")
    assert 3 == len({mark("?days=7"), mark("?days=30"), mark("?days=7", resets=1)})
    zoom = {"of": "A-05/days=7/0", "from": "2026-03-30 10:00:00.1234", "until": "2026-03-30 12:00"}
    axis = chart(client, "A-05", "?days=7", zoom=zoom)["nest-chart"]["figure"]["layout"]["xaxis"]
    assert [zoom["from"], zoom["until"]] == axis["range"]
    axis = chart(client, "A-05", "?days=30", zoom=zoom)["nest-chart"]["figure"]["layout"]["xaxis"]
    assert "2026-03-02T12:00:00" == axis["range"][0]


def test_a_move_of_the_time_axis_is_kept_with_the_window_it_belongs_to() -> None:
    moved = {"xaxis.range[0]": "2026-04-01 10:00:00.1234", "xaxis.range[1]": "2026-04-01 12:00"}
    kept = zoomed(moved, "A-05/days=7/0")
    from_ms, until_ms = zoom_ms(kept, "A-05/days=7/0", "Europe/Lisbon")
    assert 2 * HOUR_MS - 1_000 < until_ms - from_ms <= 2 * HOUR_MS
    assert zoom_ms(kept, "A-05/days=30/0", "Europe/Lisbon") is None
    assert kept == zoomed({"xaxis.range": list(moved.values())}, "A-05/days=7/0")
    assert zoomed({"xaxis.autorange": True}, "x") is None
    assert zoomed({"autosize": True}, "x") is zoomed(None, "x") is False
    assert zoom_ms({"of": "x", "from": "never", "until": "2026"}, "x", "UTC") is None


@pytest.mark.parametrize(
    ("search", "window_ms"),
    [
        ("", DAY_MS), ("?hours=1", HOUR_MS), ("?hours=0.25", HOUR_MS // 4), ("?days=365", 365 * DAY_MS),
        ("?days=1095", 1095 * DAY_MS), ("?days=90", 90 * DAY_MS), ("?days=all", None),
    ],
)  # fmt: skip
def test_windows_go_from_minutes_to_years(search, window_ms) -> None:
    assert window_ms == window_of(search).ms


@pytest.mark.parametrize("search", ["?days=1e9", "?days=nan", "?hours=0", "?days=-1", "?days=%3Cb%3E", "?hours=inf"])
def test_a_window_that_cannot_be_says_what_is_allowed(client, search) -> None:
    assert "allowed are 15 minutes to 20 years" in chart(client, "A-05", search)["nest-empty"]["children"]


def test_the_callbacks_take_no_nonsense(client) -> None:
    for path in ("/nest/<b>", "/nest/ZZ", "/nest/"):
        assert "There is no nest" in json.dumps(now(client, path)["nest-facts"]["children"])
        assert "There is no nest" in chart(client, path)["nest-empty"]["children"]


def test_a_hostile_note_does_not_become_markup_in_the_chart(clock) -> None:
    class Noted(InventedRoom):
        def history(self, nest, from_ms, until_ms, asked=None):
            found = super().history(nest, from_ms, until_ms, asked)
            return dataclasses.replace(found, marks=(Mark(until_ms, "note", HOSTILE),))

    client = create_app(Noted(clock, lambda at_ms: room(48, at_ms)), clock).test_client()
    assert "<" not in traces(client, "A-05")["journal"]["text"][0]


def test_the_outlook_is_given_with_its_interval_and_each_number_its_source(client) -> None:
    shown = now(client, "A-05")
    words = shown["nest-water-words"]["children"]
    assert re.search(r"Runs dry \d+ \w+ 2026 to \d+ \w+ 2026 \(8 of 10 such nests do\), about", words)
    assert "having learned from 3 refills" in words
    fan = shown["nest-water"]["figure"]["data"][0]
    early, late = fan["x"][2], fan["x"][1]
    assert fan["x"][0] < early < late
    assert [0, 0] == fan["y"][1:3]
    bands = json.dumps(shown["nest-bands"]["children"])
    assert 8 == bands.count('"invented"')
    assert "31 \\u00b0C" in bands


def test_a_dead_nest_keeps_its_page_and_leads_to_its_review(client) -> None:
    shown = now(client, DEAD)
    told = json.dumps(shown["nest-facts"]["children"])
    assert "died 23 Mar 2026" in told
    assert f"/review?nest={DEAD}&day=2026-03-23" in told
    assert {"display": "none"} == shown["nest-water"]["style"]
    times = [at for trace in traces(client, DEAD).values() for at in trace["x"] if at]
    assert max(times) < "2026-03-24T14"  # a day after, no further


def test_the_chart_is_told_in_words_and_as_a_table(client) -> None:
    """For whoever cannot see it. Humidity of the invented room swings between 57 and 75 %."""
    found = chart(client, "A-05", "?days=1")["nest-means"]["children"]
    line = found[0]["props"]["children"]
    assert "At the wet end: humidity 57 to 75 %" in line
    assert "temperature 22.5 to 26.5 °C" in line
    rows = json.dumps(found[1]).count('"type": "Tr"')
    assert 23 <= rows <= 26  # an hour each and the head, less the hole
    by_month = json.dumps(chart(client, "A-05", "?days=365")["nest-means"]["children"])
    assert "Month by month" in by_month
    assert 13 <= by_month.count('"type": "Tr"') <= 14


def test_the_journal_says_who_wrote_what_when(client) -> None:
    told = json.dumps(now(client, "A-05")["nest-journal"]["children"])
    assert '"1 Apr 12:00"' in told
    assert told.index("feed sugar") < told.index("Anna") < told.index("fill 8 mL") < told.index("Ben")


def test_a_visitor_is_led_to_sign_in_and_back(client) -> None:
    page = client.get("/nest/A-05").text
    assert '<aside id="entries"' in page
    assert 'href="/sign-in?next=/nest/A-05%23entries"' in page
    assert "data-write=" not in page
    assert "<h1>A-05</h1>" in page
    assert "<title>A-05</title>" in page
