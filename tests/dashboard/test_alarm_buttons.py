"""From the message to the tap: the page of an alarm, its buttons, and the watch that sees what they did."""

from __future__ import annotations

import html
import json
import re

import pytest
from keeper_client import KeeperClient
from keeper_room import KEEPER, app_of, keeper_room

from sensord.cli import main
from sensord.clock import HOUR_MS, to_ms
from sensord.model import Nest, NestKind, Place, Placement, Reading

LINK = "http://ants.example:8050"
SETTINGS = f'link = "{LINK}"\n[[push.route]]\nname = "phone"\nurl_env = "NO_PHONE"'
HOT_C = 45.0


class HotRoom:
    """Tubes that are far too hot, under a watch; no time passes but what ``minutes`` lets pass."""

    def __init__(self, folder, clock, nests: int) -> None:
        self.folder, self.clock = folder, clock
        self.room = keeper_room(folder, clock, SETTINGS)
        self.names = [f"A-{number:02d}" for number in range(1, nests + 1)]
        at_ms = to_ms(clock.now())
        self.room.registry.put_nests(
            [Nest(name, NestKind.TUBE, f"room {name}", "A", "Lasius niger") for name in self.names]
        )
        self.room.registry.put_placements(
            [Placement(f"hub/{name.lower()}", name, f"room {name}", Place.WET_END, at_ms) for name in self.names]
        )
        self.watch = self.room.watch()

    def minutes(self, count: int, temp_c: float = HOT_C) -> None:
        for _ in range(count):
            self.clock.advance(60)
            at_ms = to_ms(self.clock.now())
            self.room.store.write([Reading(f"hub/{name.lower()}", at_ms, temp_c, 80.0) for name in self.names])
            self.clock.advance(10)
            self.watch.cycle()
            self.clock.advance(-10)

    def messages(self) -> list[str]:
        rows = self.room.connection.execute("SELECT title || char(10) || body FROM messages ORDER BY at_ms, id")
        return [text for (text,) in rows.fetchall()]

    def alarms(self):
        return self.room.alarm_log.since(0)

    def steps(self) -> list[tuple[str, str, str, str]]:
        return [
            (step.what, str(step.state), step.by, step.because)
            for step in self.room.alarm_log.transitions(self.alarms()[0].id)
        ]


@pytest.fixture
def hot(tmp_path, clock) -> HotRoom:
    found = HotRoom(tmp_path, clock, 1)
    found.minutes(5)
    return found


def buttons(page: str) -> dict[str, dict]:
    """What the buttons and forms of a page write, and what they send along."""
    found = re.findall(r'data-write="([^"]+)" data-body="([^"]+)"', page)
    return {path: json.loads(html.unescape(body)) for path, body in found}


def test_a_message_leads_to_the_button_and_the_watch_then_leaves_the_keeper_in_peace(hot) -> None:
    (message,) = hot.messages()
    link = re.search(r"Acknowledge: (\S+)", message)[1]
    assert link.startswith(f"{LINK}/alarms/")
    path = link.removeprefix(LINK)
    app = app_of(hot.room)[0]
    visitor = app.test_client().get(path).text
    assert "too hot" in visitor
    assert {} == buttons(visitor)
    assert f'class="act large" href="/sign-in?next={path}"' in visitor
    keeper = KeeperClient(app, onward=path)
    assert path == keeper.entered.headers["Location"]
    sends = buttons(keeper.get(path).text)
    assert 200 == keeper.write("/write/alarms/acknowledge", sends["/write/alarms/acknowledge"]).status_code
    assert "/write/alarms/acknowledge" not in buttons(keeper.get(path).text)
    assert f"acknowledged, {KEEPER}" in keeper.get(path).text
    hot.minutes(70)
    assert [message] == hot.messages()


def test_an_alarm_that_nobody_acknowledged_is_told_again(hot) -> None:
    """The same room without the tap: what the test above would see if the watch did not look."""
    hot.minutes(70)
    assert 2 == len(hot.messages())


def test_the_page_does_as_the_command_line_does(tmp_path, clock) -> None:
    by_page, by_command = HotRoom(tmp_path / "page", clock, 1), HotRoom(tmp_path / "command", clock, 1)
    for one in (by_page, by_command):
        one.minutes(5)
    keeper = KeeperClient(app_of(by_page.room)[0])
    for path, more in (("shelve", {"for": "2h", "because": "new mat"}), ("bring-back", {}), ("acknowledge", {})):
        assert 200 == keeper.write(f"/write/alarms/{path}", {"id": by_page.alarms()[0].id, **more}).status_code
    id_ = by_command.alarms()[0].id
    now_ms = to_ms(clock.now())
    by_command.room.alarm_log.shelve(id_, now_ms + 2 * HOUR_MS, "new mat", KEEPER, now_ms)
    by_command.room.alarm_log.bring_back(id_, now_ms, KEEPER)
    assert 0 == main(["--config", str(by_command.folder), "alarms", "ack", id_, "--by", KEEPER])
    assert by_command.steps() == by_page.steps()
    assert ["raised", "shelved", "brought_back", "acknowledged"] == [step[0] for step in by_page.steps()]


def test_a_shelved_alarm_says_until_when_why_and_by_whom_and_comes_back(hot) -> None:
    keeper = KeeperClient(app_of(hot.room)[0])
    id_ = hot.alarms()[0].id
    refused = keeper.write("/write/alarms/shelve", {"id": id_, "for": "2h", "because": "  "})
    assert (400, ["because: is missing"]) == (refused.status_code, refused.get_json()["problems"])
    for length in ("2", "0h", "99999d", "31d", "-1h", "²h"):
        assert 400 == keeper.write("/write/alarms/shelve", {"id": id_, "for": length, "because": "mat"}).status_code, (
            length
        )
    assert (
        "shelved"
        == keeper.write("/write/alarms/shelve", {"id": id_, "for": "2h", "because": "new mat"}).get_json()["state"]
    )
    page = keeper.get("/alarms").text
    assert f"shelved, until 1 Apr 15:05, new mat, {KEEPER}" in page
    assert {"/write/alarms/bring-back"} == set(buttons(page))
    hot.minutes(10)
    assert 1 == len(hot.messages())
    assert 200 == keeper.write("/write/alarms/bring-back", {"id": id_}).status_code
    assert {"/write/alarms/acknowledge", "/write/alarms/shelve"} == set(buttons(keeper.get("/alarms").text))


def test_many_are_acknowledged_with_one_tap_and_none_that_was_not_seen(tmp_path, clock) -> None:
    hot = HotRoom(tmp_path, clock, 5)
    hot.minutes(5)
    keeper = KeeperClient(app_of(hot.room)[0])
    page = keeper.get("/alarms").text
    assert "Acknowledge all 5 that nobody has seen" in page
    ids = next(body["ids"] for path, body in [(p, json.loads(html.unescape(b))) for p, b in
               re.findall(r'data-write="([^"]+)" data-body="([^"]+)"', page)] if "ids" in body)  # fmt: skip
    assert {alarm.id for alarm in hot.alarms()} == set(ids)
    assert 404 == keeper.write("/write/alarms/acknowledge", {"ids": [*ids, "nothing"]}).status_code
    assert {"unacknowledged"} == {str(alarm.state) for alarm in hot.alarms()}
    assert 200 == keeper.write("/write/alarms/acknowledge", {"ids": ids[:4]}).status_code
    assert ["acknowledged"] * 4 + ["unacknowledged"] == sorted(str(alarm.state) for alarm in hot.alarms())
    for wrong in ([], ids * 200, "all", [None], [[]]):
        assert 400 == keeper.write("/write/alarms/acknowledge", {"ids": wrong}).status_code


def test_the_beginning_of_an_id_is_no_alarm_here(hot) -> None:
    keeper = KeeperClient(app_of(hot.room)[0])
    id_ = hot.alarms()[0].id
    for wrong in (id_[:4], "%", "_" * len(id_), id_.upper() + "x", ""):
        assert keeper.write("/write/alarms/acknowledge", {"id": wrong}).status_code in (400, 404), wrong
        assert keeper.get(f"/alarms/{wrong}").status_code in (404, 308), wrong
    assert hot.alarms()[0].acknowledged_ms is None


def test_an_alarm_that_returned_still_asks_to_be_acknowledged(hot) -> None:
    hot.minutes(30, 24.0)
    keeper = KeeperClient(app_of(hot.room)[0])
    id_ = hot.alarms()[0].id
    page = keeper.get(f"/alarms/{id_}").text
    assert "returned to normal, unacknowledged" in page
    assert {"/write/alarms/acknowledge"} == set(buttons(page))
    for alarm in hot.alarms():  # cooling down so fast is an alarm of its own
        keeper.write("/write/alarms/acknowledge", {"id": alarm.id})
    assert {} == buttons(keeper.get(f"/alarms/{id_}").text)
    assert f'<a href="/alarms/{id_}">too hot</a>' in keeper.get("/alarms").text
