"""The pages of review and losses over HTTP, and the desk that computes their answers beside the requests."""

from __future__ import annotations

import html
import random
import re
import threading

import pytest
from invented_reviews import InventedReviews, reviewed
from invented_room import DEAD, InventedRoom, room
from waiting import wait_until

from dashboard.app import create_app
from dashboard.data import Data
from dashboard.desk import FRESH_S, KEPT, MOST_WAITING, Desk
from dashboard.review_snapshot import Choice, LossesAsked, ReviewAsked
from dashboard.snapshot import Snapshot
from sensord.clock import DAY_MS, HOUR_MS, ManualClock, from_ms, to_ms
from sensord.config import load_config
from sensord.errors import InputError, NestclimateError
from sensord.insight.review_report import body_of
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Reading, Stage
from sensord.wiring import Room

HOSTILE = '<script>alert("x")</script><img src=x onerror=alert(1)>'


@pytest.fixture
def client(clock):
    return create_app(InventedRoom(clock, lambda at_ms: room(12, at_ms)), clock).test_client()


def answered(client, path):
    """The page once its answer is there, as its script would see it."""
    page = client.get(path)
    if 'id="working"' in page.text:
        address = html.unescape(re.search(r'data-progress="([^"]+)"', page.text)[1])
        wait_until(lambda: client.get(address).json["done"], within_s=20, what="the answer")
        page = client.get(path)
    assert 200 == page.status_code
    return page.text


def test_without_a_nest_the_dead_stand_first_each_one_tap_from_its_review(client) -> None:
    page = client.get("/review").text
    names = re.findall(r'name="nest" value="([^"]+)"', page)
    assert ["Z-01", "Z-02", "Z-03", "A-01"] == names[:4]
    assert 'href="/review?nest=Z-01&amp;day=2026-03-23"' in page
    assert 'type="search"' in page
    assert 'type="date"' in page


def test_a_review_shows_verdict_evidence_and_every_place_and_is_saved_by_one_tap(client) -> None:
    page = answered(client, f"/review?nest={DEAD}&day=2026-03-23&days=14")
    assert "Z-01: consistent with heat" in page
    assert "9 Mar 2026 12:00 to 23 Mar 2026 12:00" in page
    assert ["Wet end", "Outworld", "Room"] == re.findall(r">([A-Z][a-z ]+): Temperature", page)
    assert all(
        f"<h3>{part}" in page
        for part in ("What was unusual", "What was not", "Alarms, and who reacted", "Journal", "Gaps")
    )
    assert "by Ines, an hour later" in page
    saved = client.get(html.unescape(re.search(r'href="(/review/report\.html[^"]+)"', page)[1]))
    assert 'attachment; filename="review-Z-01.html"' == saved.headers["Content-Disposition"]
    assert saved.text.startswith("<!doctype html>")
    data = client.get(html.unescape(re.search(r'href="(/review/data\.csv[^"]+)"', page)[1]))
    assert data.text.startswith("at,nest,place,temp_c,rh_pct")
    assert 14 * 24 * 3 + 1 == data.text.count("\n")


def test_several_deaths_are_reviewed_together_with_what_they_share(client) -> None:
    page = answered(client, "/review?nest=Z-01&nest=Z-02&nest=Z-03")
    assert "What these 3 have in common" in page
    assert "3 of 3 dead stood on rack Z and were given water on 1 Mar 2026, and 0 of 12 that live" in page
    assert ["Z-01", "Z-02", "Z-03"] == re.findall(r"<h2>(Z-0\d): consistent with heat", page)


def test_a_nest_is_held_beside_another_or_beside_itself_a_year_before(client) -> None:
    page = answered(client, "/review?nest=Z-01&beside=A-01")
    assert "Z-01 beside A-01" in page
    assert re.search(r"too hot</td><td>\d+ h</td><td>0 h</td>", page)
    itself = answered(client, "/review?nest=Z-01&beside=&beside_day=2025-03-23")
    assert "Z-01 to 23 Mar 2026 beside Z-01 to 23 Mar 2025" in itself
    assert "dates are of the first" in itself


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("nest=ZZ-99", "there is no such nest"),
        ("nest=A-05&day=yesterday", "allowed is a day such as"),
        ("nest=A-05&day=9999-12-31", "allowed is a day such as"),
        ("nest=A-05&days=0", "allowed is 1 to 365"),
        ("nest=A-05&days=nan", "allowed is 1 to 365"),
        ("nest=A-05&days=%C2%B2", "allowed is 1 to 365"),
        ("nest=A-05&beside=A-06&beside_day=never", "allowed is a day such as"),
    ],
)
def test_a_review_that_cannot_be_says_what_is_allowed(client, query, words) -> None:
    assert words in answered(client, f"/review?{query}")
    saved = client.get(f"/review/report.html?{query}")
    assert 400 == saved.status_code
    assert words in saved.text


@pytest.mark.parametrize(
    ("query", "words"),
    [("by=moon", "allowed is rack"), ("from=x", "allowed is a day such as"), ("to=9999-12-31", "a day such")],
)
def test_losses_that_cannot_be_say_what_is_allowed(client, query, words) -> None:
    assert words in client.get(f"/losses?{query}").text


def test_losses_show_a_curve_for_every_group_and_the_table(client) -> None:
    page = answered(client, "/losses")
    assert "By rack they differ from all others: Rack A" in page
    assert len(set(re.findall(r">(Rack [A-G]) \(\d+ of \d+\)<", page))) == len(re.findall(r"<tr><td>Rack ", page)) > 2
    assert "too dry" in page
    data = client.get(html.unescape(re.search(r'href="(/losses/data\.csv[^"]*)"', page)[1]))
    assert data.text.startswith("by,group,days,at_risk,died,survival,low,high")
    assert "Species 1" in answered(client, "/losses?by=species")


def test_an_empty_room_says_how_to_begin(clock) -> None:
    class Nobody(InventedReviews):
        def choices(self):
            return ()

    source = InventedRoom(clock, lambda at_ms: Snapshot("Ant room", "UTC", at_ms))
    source.reviews = Nobody(source)
    client = create_app(source, clock).test_client()
    for path in ("/review", "/losses"):
        assert "nestclimate import nests nests.csv" in client.get(path).text
        assert "nestclimate journal add A-01 died" in client.get(path).text


def test_a_room_without_a_death_says_how_to_note_one(clock) -> None:
    class AllLive(InventedReviews):
        def choices(self):
            return (Choice("A-01", "Lasius niger", "A"),)

    source = InventedRoom(clock, lambda at_ms: room(3, at_ms))
    source.reviews = AllLive(source)
    page = create_app(source, clock).test_client().get("/review").text
    assert "No colony has died" in page
    assert 'value="A-01"' in page


def test_hostile_words_are_only_text_in_article_and_file(clock) -> None:
    class Hostile(InventedReviews):
        def _reviewed(self, name, asked, unit):
            return reviewed(HOSTILE, 1_775_044_800_000, 14, 1_775_044_800_000, note=HOSTILE)

    source = InventedRoom(clock, lambda at_ms: room(3, at_ms))
    source.reviews = Hostile(source, (Choice(HOSTILE, HOSTILE, HOSTILE, 1),))
    client = create_app(source, clock).test_client()
    for text in (answered(client, "/review?nest=Z-01"), client.get("/review/report.html?nest=Z-01").text):
        assert "<script>alert" not in text
        assert "<img" not in text
        assert text.count(html.escape("<script>alert")) > 3


def test_an_answer_in_the_making_says_what_is_done_and_blocks_no_page(clock) -> None:
    go_on = threading.Event()

    class Slow(InventedReviews):
        def answer(self, asked, say):
            say("Reading the air of Z-01 and its siblings")
            assert go_on.wait(20)
            return super().answer(asked, lambda words: None)

    source = InventedRoom(clock, lambda at_ms: room(3, at_ms))
    source.reviews = Slow(source)
    client = create_app(source, clock).test_client()
    try:
        page = client.get("/review?nest=Z-01").text
        assert "Reading the air of Z-01 and its siblings" in page
        address = html.unescape(re.search(r'data-progress="([^"]+)"', page)[1])
        assert {"done": False, "words": "Reading the air of Z-01 and its siblings", "seconds": 0} == client.get(
            address
        ).json
        assert 200 == client.get("/alarms").status_code
        assert 'role="status"' in client.get("/review?nest=Z-02").text  # waits its turn
    finally:
        go_on.set()
    assert "consistent with heat" in answered(client, "/review?nest=Z-01")


def test_the_desk_asks_once_keeps_for_a_while_and_asks_anew(clock) -> None:
    made = []

    def make(question, say):
        made.append(question)
        if question == "bad":
            raise InputError("no such thing")
        if question == "fault":
            raise ZeroDivisionError
        return question.upper()

    desk = Desk(make, clock)
    assert desk.ask("a").done(10)
    assert "A" == desk.ask("a").get()
    clock.advance(FRESH_S + 1)
    assert desk.ask("a").done(10)
    assert ["a", "a"] == made
    assert desk.ask("bad").done(10)
    with pytest.raises(InputError, match="no such thing"):
        desk.ask("bad").get()
    assert desk.ask("fault").done(10)
    with pytest.raises(Exception, match="could not be made: ZeroDivisionError"):
        desk.ask("fault").get()
    for number in range(3 * KEPT):
        assert desk.ask(str(number)).done(10)
    assert len(desk._jobs) <= KEPT + 1


def test_the_desk_takes_no_more_than_it_can_do(clock) -> None:
    """Beyond a dozen that wait, a new question is refused in words; one that waits already is not."""
    go_on = threading.Event()
    desk = Desk(lambda question, say: go_on.wait(20) and question, clock)
    jobs = [desk.ask(str(number)) for number in range(MOST_WAITING)]
    with pytest.raises(NestclimateError, match="ask again in a minute"):
        desk.ask("one more")
    assert jobs[3] is desk.ask("3")
    go_on.set()
    assert all(job.done(20) for job in jobs)
    assert desk.ask("one more").done(20)


@pytest.fixture
def station(tmp_path):
    """A real station: T01 died over a heat mat, T04 the day before of nothing that was measured."""
    folder = tmp_path
    (folder / "station.toml").write_text('[station]\nname = "Cellar"\ndata = "data"\ntime_zone = "UTC"\n')
    died_ms, first_ms, names = 1_783_684_800_000, 1_783_684_800_000 - 25 * DAY_MS, [f"T0{n}" for n in range(1, 7)]
    kept = Room(load_config(folder), ManualClock(from_ms(died_ms + DAY_MS)))
    kept.registry.put_nests(
        [Nest(name, NestKind.TUBE, "cellar", "A", "Lasius niger", "", Stage.FOUNDING, first_ms) for name in names]
    )
    kept.registry.put_placements([Placement(f"hub/{n.lower()}", n, "cellar", Place.WET_END, first_ms) for n in names])
    kept.registry.add_entries([Entry(died_ms, "T01", EntryKind.DIED), Entry(died_ms - DAY_MS, "T04", EntryKind.DIED)])
    chance = random.Random(8)
    kept.store.write([
        Reading(f"hub/{name.lower()}", first_ms + hour * HOUR_MS, round(chance.gauss(38 if mat else 23, 0.2), 2),
                round(chance.gauss(80, 0.5), 2))
        for name in names for hour in range(25 * 24) if (mat := name == "T01" and hour > 24 * 24 - 30) is not None
    ])  # fmt: skip
    yield kept, died_ms
    kept.store.close()


def test_real_data_answers_one_several_two_side_by_side_and_losses(station) -> None:
    kept, died_ms = station
    reviews, said = Data(kept).reviews, []
    assert ["T01", "T04", "T02"] == [one.nest for one in reviews.choices()][:3]
    one = reviews.answer(ReviewAsked(("T01",)), said.append)
    assert "T01: consistent with heat" in one.article
    assert any("siblings" in words for words in said)
    assert "What these 2 have in common" in reviews.answer(ReviewAsked(("T01", "T04")), said.append).article
    assert "T01 beside T02" in reviews.answer(ReviewAsked(("T01",), beside="T02"), said.append).article
    losses = reviews.answer(LossesAsked("rack"), said.append)
    assert "2 of 6 colonies died" in losses.article
    with pytest.raises(InputError, match="beside itself"):
        reviews.answer(ReviewAsked(("T01",), beside="T01", beside_at_ms=died_ms), said.append)
    with pytest.raises(InputError, match="there is no such nest"):
        reviews.answer(ReviewAsked(("T99",)), said.append)
    assert "Fewer than two of these died" in reviews.answer(ReviewAsked(("T01", "T02")), said.append).article


def test_a_review_sees_what_was_noted_since_the_last(station) -> None:
    kept, _ = station
    reviews = Data(kept).reviews
    assert "Its colony lives" in reviews.answer(ReviewAsked(("T06",)), lambda words: None).article
    kept.registry.add_entries([Entry(to_ms(kept.clock.now()) - HOUR_MS, "T06", EntryKind.DIED)])
    assert "Died " in reviews.answer(ReviewAsked(("T06",)), lambda words: None).article


def test_figures_in_fahrenheit_say_so() -> None:
    """Where the settings ask for °F, axis and title follow: 38 °C of a hot mat lies above 100."""
    body = body_of([reviewed("Z-01", 1_775_044_800_000, 14, 1_775_044_800_000, "F")])
    assert "Wet end: Temperature, °F" in body
    assert ">100</text>" in body
