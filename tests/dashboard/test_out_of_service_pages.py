"""A nest, a probe or a hub is taken out of service from its page and put back; every page says so in words and shape."""

from __future__ import annotations

import html
import re

import nest_page
import pytest
from keeper_client import KeeperClient
from keeper_room import KEEPER, app_of, keeper_room, two_tubes

from sensord.alarms.conditions import Raised
from sensord.clock import DAY_MS, HOUR_MS, to_ms
from sensord.db import transaction
from sensord.model import AlarmKind, Place, Placement, Priority, Reading

OUT, BACK = "/write/alarms/out-of-service", "/write/alarms/in-service"


@pytest.fixture
def room(tmp_path, clock):
    """Two tubes, A-01 with a probe that reads too dry, which is an alarm."""
    found = two_tubes(keeper_room(tmp_path, clock))
    now_ms = to_ms(clock.now())
    found.registry.put_placements([Placement("hub-a/p1", "A-01", "ant room", Place.WET_END, now_ms - DAY_MS)])
    found.store.write([Reading("hub-a/p1", now_ms - 1_000, 24.0, 20.0)])
    log = found.alarm_log
    with transaction(found.connection):
        log.take(Raised("hub-a/p1", "A-01", AlarmKind.DRY, Priority.MEDIUM, now_ms - HOUR_MS, 20.0, 45.0), None)
    return found


@pytest.fixture
def keeper(room) -> KeeperClient:
    return KeeperClient(app_of(room)[0])


def body(subject: str, **changes) -> dict[str, str]:
    return {"subject": subject, "for": "4h", "because": "fresh tube", **changes}


def text_of(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", page))


def needs(keeper) -> str:
    return text_of(keeper.get("/wall.json").get_json()["wall"]["needs"])


WORDS = f"out of service until 17:00: fresh tube, {KEEPER}"


@pytest.mark.parametrize("subject", ["nest A-01", "probe hub-a/p1", "hub hub-a"])
def test_taken_out_its_alarm_is_quiet_and_every_page_says_so_and_back_again(keeper, room, subject) -> None:
    assert "A-01" in needs(keeper)
    assert 200 == keeper.write(OUT, body(subject)).status_code
    (alarm,) = room.alarm_log.standing()
    assert ("out_of_service", "fresh tube", KEEPER) == (alarm.state, alarm.aside_because, alarm.aside_by)
    for path in ("/nest/A-01", "/probes", "/probe?name=hub-a/p1", "/alarms"):
        page = keeper.get(path).text
        assert WORDS in text_of(page), path
        assert "#m-service" in page, path
        assert f'data-body="{{"subject": "{subject}"}}"' in html.unescape(page), path
    facts = str(nest_page.now(keeper.client, "A-01")["nest-facts"]["children"])
    assert WORDS in facts
    assert "A-01" not in needs(keeper)
    assert "out of service" in keeper.get("/").text
    assert 200 == keeper.write(BACK, {"subject": subject}).status_code
    assert [] == room.alarm_log.out_of_service(to_ms(room.clock.now()))
    assert WORDS not in text_of(keeper.get("/probes").text)
    assert "A-01" in needs(keeper)


def test_it_ends_by_itself_and_a_second_word_holds_in_place_of_the_first(keeper, room, clock) -> None:
    keeper.write(OUT, body("nest A-01"))
    keeper.write(OUT, body("nest A-01", **{"for": "1d", "because": "new cotton"}))
    (taken,) = room.alarm_log.out_of_service(to_ms(clock.now()))
    assert ("new cotton", to_ms(clock.now()) + DAY_MS) == (taken.because, taken.until_ms)
    clock.advance(25 * 3_600)
    assert "new cotton" not in keeper.get("/probes").text


def test_put_back_twice_is_said_in_one_line(keeper) -> None:
    """Two browsers, or a page that was left open."""
    keeper.write(OUT, body("nest A-01"))
    keeper.write(BACK, {"subject": "nest A-01"})
    answer = keeper.write(BACK, {"subject": "nest A-01"})
    assert (400, ["nest A-01: is not out of service; out of service: nothing"]) == (
        answer.status_code,
        answer.get_json()["problems"],
    )


@pytest.mark.parametrize(
    ("given", "status", "says"),
    [
        (body("nest Z-99"), 404, "there is no such nest"),
        (body("probe hub-a/p9"), 404, "there is no such nest"),
        (body("A-01"), 404, "there is no such nest"),
        (body("room ant room"), 404, "there is no such nest"),
        (body("nest A-01", because=" "), 400, "because"),
        (body("nest A-01", because="x" * 301), 400, "because"),
        (body("nest A-01", **{"for": "soon"}), 400, "for"),
        (body("nest A-01", **{"for": "0m"}), 400, "must end in the future"),
        ({"subject": "nest A-01"}, 400, "because"),
    ],
)
def test_what_is_not_right_is_refused_in_words(keeper, room, given, status, says) -> None:
    answer = keeper.write(OUT, given)
    assert status == answer.status_code
    assert says in answer.get_json()["problems"][0]
    assert [] == room.alarm_log.out_of_service(to_ms(room.clock.now()))


def test_a_visitor_sees_the_state_and_no_buttons(keeper, room) -> None:
    visitor = keeper.app.test_client()
    assert 401 == visitor.post(OUT, json=body("nest A-01")).status_code
    keeper.write(OUT, body("nest A-01"))
    assert 401 == visitor.post(BACK, json={"subject": "nest A-01"}).status_code
    for path in ("/nest/A-01", "/probes", "/probe?name=hub-a/p1", "/alarms"):
        page = visitor.get(path).text
        assert WORDS in text_of(page), path
        assert OUT not in page, path
        assert BACK not in page, path


def test_the_reason_is_text_and_nothing_but_text(keeper) -> None:
    keeper.write(OUT, body("nest A-01", because="<img src=x>"))
    for path in ("/nest/A-01", "/probes", "/alarms", "/"):
        assert "<img" not in keeper.get(path).text, path
