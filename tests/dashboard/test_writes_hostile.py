"""Whatever a page may be made to send is refused in words or harmless; what is kept is text and nothing but text."""

from __future__ import annotations

import html
import itertools
import json

import pytest
from keeper_client import KeeperClient, filled
from keeper_room import KEEPER, app_of, keeper_room

from dashboard.access import READING
from sensord.alarms.conditions import Raised
from sensord.clock import DAY_MS, to_ms
from sensord.db import transaction
from sensord.model import AlarmKind, EntryKind, Nest, NestKind, Place, Placement, Priority

HOSTILE_TEXT = "<script>alert(1)</script>\"><img src=x onerror=alert(2)>{{7*7}}'--"
TURNED = "ok \u202egnihton\u202c \u2067x"
HOSTILE = (
    HOSTILE_TEXT, TURNED, "\0", "a\0b", "\x1b[2J", "\ud800", "x" * 100_000, "", " ", None, True, False, -1, 0, 1.5, 1e999,
    10**30, [], ["A-01"], {}, {"$gt": ""}, [[[[[[[]]]]]]], "../../etc/passwd", "'; DROP TABLE entries; --", "%00", "NaN", "1e400",
)  # fmt: skip
ALLOWED = {200, 400, 401, 403, 404, 409, 413, 415, 429}


@pytest.fixture
def kept(tmp_path, clock):
    room = keeper_room(tmp_path, clock)
    now_ms = to_ms(clock.now())
    room.registry.put_nests([Nest("A-01", NestKind.TUBE, "ant room", "A", "Lasius niger", reservoir_ml=8, since_ms=0)])
    room.registry.put_nests([
        Nest("A-02", NestKind.TUBE, "ant room", "A", "Lasius niger", colony="Berta", since_ms=0),
        Nest("F-01", NestKind.FORMICARIUM, "ant room", "A", since_ms=0),
    ])  # fmt: skip
    room.registry.put_placements([Placement("hub-a/p1", "A-01", "ant room", Place.WET_END, now_ms - DAY_MS)])
    log = room.alarm_log
    with transaction(room.connection):
        log.take(Raised("hub-a/p1", "A-01", AlarmKind.DRY, Priority.HIGH, now_ms - 60_000, 30.0, 45.0), None)
    return room


@pytest.fixture
def keeper(kept) -> KeeperClient:
    return KeeperClient(app_of(kept)[0])


def good(kept) -> dict[str, dict]:
    """A body that each write takes."""
    alarm = kept.alarm_log.active()[0].id
    nest = {
        "nest": "A-01",
        "kind": "tube",
        "room": "ant room",
        "rack": "B",
        "species": "Lasius niger",
        "since": "2026-03-01T00:00:00Z",
    }
    placement = {
        "probe": "hub-a/p2",
        "nest": "A-01",
        "room": "ant room",
        "place": "dry_end",
        "since": "2026-03-01T00:00:00Z",
    }
    return {
        "/write/entries": {
            "nest": "A-01",
            "kind": "fill",
            "amount": 4,
            "at": "2026-04-01T10:00:00Z",
            "note": "tap water",
        },
        "/write/entries/withdraw": {"id": 1},
        "/write/entries/put-back": {"id": 1},
        "/write/alarms/acknowledge": {"id": alarm},
        "/write/alarms/shelve": {"id": alarm, "for": "2h", "because": "new mat"},
        "/write/alarms/bring-back": {"id": alarm},
        "/write/alarms/out-of-service": {"subject": "nest A-02", "for": "2h", "because": "fresh tube"},
        "/write/alarms/in-service": {"subject": "nest A-02"},
        "/write/probes/checked": {"probe": "hub-a/p1", "day": "2026-03-20", "note": "beside the new one"},
        "/write/probes/checked/withdraw": {"id": 1},
        "/write/nests": {"rows": [nest], "holds": "always_so"},
        "/write/colonies/move": {"colony": "Berta", "nest": "F-01"},
        "/write/placements": {"rows": [placement], "holds": "always_so"},
    }


def spoilt(body: dict) -> list[object]:
    """The body with each value in turn made hostile, rows' cells too; keys nobody asked for; and no object at all."""
    found: list[object] = [
        *HOSTILE,
        {**body, HOSTILE_TEXT: 1},
        {**body, "__proto__": {}},
        {**body, "by": "somebody else"},
    ]
    for key, value in body.items():
        found += [{**body, key: bad} for bad in HOSTILE]
        if isinstance(value, list) and value and isinstance(value[0], dict):
            found += [{**body, key: [{**value[0], cell: bad}]} for cell in value[0] for bad in HOSTILE]
    return found


def test_every_write_has_a_good_body_here_and_takes_it(keeper, kept) -> None:
    """So that a write added later is tried with spoilt ones too."""
    bodies = good(kept)
    routes = {
        rule.rule
        for rule in keeper.app.url_map.iter_rules()
        if rule.rule.startswith("/write/") and rule.methods - READING
    }
    assert set(bodies) == routes
    for path, body in bodies.items():
        answer = keeper.write(path, body)
        assert (200, True) == (answer.status_code, answer.get_json()["ok"]), (path, answer.text)


@pytest.mark.slow
def test_a_spoilt_body_is_refused_in_words_or_harmless(keeper, kept, clock) -> None:
    tried = 0
    for path, body in good(kept).items():
        for bad in spoilt(body):
            clock.advance(1)
            answer = keeper.client.post(
                path, data=json.dumps(bad).encode(), content_type="application/json", headers=keeper.headers()
            )
            assert answer.status_code in ALLOWED, (path, str(bad)[:100], answer.text[:300])
            if answer.status_code != 200:
                problems = answer.get_json()["problems"]
                assert problems, path
                odd = [line for line in problems if not 0 < len(line) < 500 or "\n" in line]
                assert [] == odd, (path, str(bad)[:100])
            tried += 1
    assert tried > 800
    assert {KEEPER} >= {entry.by for entry in kept.registry.entries()}
    assert {nest.name for nest in kept.registry.nests()} >= {entry.nest for entry in kept.registry.entries()}
    for _, words in shown(keeper, kept):
        assert "<script>alert" not in words
        assert "onerror=alert(2)>" not in words.replace("&gt;", "")


NO_OBJECT = (
    b"",
    b"\xff\xfe",
    b"[" * 50_000,
    b'{"a":' * 20_000,
    b"{",
    b"NaN",
    b'{"id": NaN}',
    b'{"id": 1} x',
    b"\xef\xbb\xbf{}",
)


def test_what_is_no_json_object_is_refused(keeper, kept) -> None:
    for path, body in itertools.product(good(kept), NO_OBJECT):
        answer = keeper.client.post(path, data=body, content_type="application/json", headers=keeper.headers())
        assert 400 == answer.status_code, (path, body[:20])


def shown(keeper, kept) -> list[tuple[str, str]]:
    """Every address that can be read, with what it shows to the keeper."""
    alarm = kept.alarm_log.since(0)[0].id
    paths = [filled(rule.rule, "A-01", alarm) for rule in keeper.app.url_map.iter_rules() if "GET" in rule.methods]
    own = [path for path in paths if not path.startswith(("/assets/", "/nest/_", "/nest/assets/"))]
    assert {"/", "/round", "/alarms", f"/alarms/{alarm}", "/colonies", "/nest/A-01", "/wall.json"} <= set(own)
    found = [
        (path, keeper.get(path)) for path in [*own, "/review?nest=A-01", f"/review?nest={html.escape(HOSTILE_TEXT)}"]
    ]
    assert {200, 503} >= {answer.status_code for path, answer in found if "<" not in path and answer.status_code != 404}
    return [(path, drawn(answer) if answer.is_json else answer.text) for path, answer in found]


def drawn(answer) -> str:
    """What the wall's script puts into the page as markup; names of racks it only compares."""
    wall = answer.get_json().get("wall", {}) if answer.status_code == 200 else {}
    cards = [card for _, cards in wall.get("racks", ()) for _, card in cards]
    return "".join([str(wall.get("needs", "")), str(wall.get("notices", "")), *cards])


def test_hostile_words_that_were_kept_are_only_text_on_every_page(keeper, kept) -> None:
    alarm = kept.alarm_log.active()[0].id
    bodies = good(kept)
    row = {
        **bodies["/write/nests"]["rows"][0],
        "species": HOSTILE_TEXT,
        "room": HOSTILE_TEXT,
        "rack": HOSTILE_TEXT,
        "colony": HOSTILE_TEXT,
    }
    accepted = [
        keeper.write("/write/entries", {"nest": "A-01", "kind": "note", "note": HOSTILE_TEXT}),
        keeper.write("/write/entries", {"nest": "A-01", "kind": "note", "note": TURNED}),
        keeper.write("/write/alarms/shelve", {"id": alarm, "for": "2h", "because": HOSTILE_TEXT}),
    ]
    assert {200} == {answer.status_code for answer in accepted}
    keeper.write("/write/nests", {"rows": [row], "holds": "always_so"})
    notes = [entry.note for entry in kept.registry.entries(kinds=(EntryKind.NOTE,))]
    assert [HOSTILE_TEXT, "ok gnihton x"] == notes
    pages = shown(keeper, kept)
    for path, words in pages:
        assert "<script>alert" not in words, path
        assert "<img" not in words, path
        assert "{{7*7}}" in words or "49'" not in words, path
        assert "\u202e" not in words, path
    assert html.escape("<script>alert") in dict(pages)[f"/alarms/{alarm}"]


def test_an_entry_is_of_a_nest_that_is_there_and_of_a_time_that_was(keeper, kept) -> None:
    def refused(**changes) -> tuple[int, str]:
        answer = keeper.write("/write/entries", {"nest": "A-01", "kind": "fill", **changes})
        return answer.status_code, answer.get_json()["problems"][0]

    assert (404, "nest Z-99: there is no nest of that name") == refused(nest="Z-99")
    assert (400, "at = '2026-04-01T12:06:00Z': lies in the future") == refused(at="2026-04-01T12:06:00Z")
    assert 400 == refused(at="2021-03-01T00:00:00Z")[0]
    assert 400 == refused(at="0001-01-01T00:00:00+14:00")[0]
    assert 400 == refused(at="2026-04-01T10:00:00")[0]
    assert 400 == refused(kind="count")[0]
    assert 400 == refused(amount=-1)[0]
    assert [] == kept.registry.entries()


def test_an_entry_says_who_and_when_and_can_be_taken_back(keeper, kept, clock) -> None:
    answer = keeper.write("/write/entries", {"nest": "A-01", "kind": "top_up", "amount": "2,5"}).get_json()
    assert "A-01: top up 2.5 mL" == answer["text"]
    found = kept.registry.entries()[0]
    assert (to_ms(clock.now()), EntryKind.TOP_UP, 2.5, "mL", KEEPER) == (
        found.at_ms,
        found.kind,
        found.amount,
        found.unit,
        found.by,
    )
    again = keeper.write("/write/entries", {"nest": "A-01", "kind": "top_up", "amount": 2.5}).get_json()
    assert answer["id"] == again["id"]  # a second tap within the second is the same tap
    assert 200 == keeper.write("/write/entries/withdraw", {"id": answer["id"]}).status_code
    assert [] == kept.registry.entries()
    assert 404 == keeper.write("/write/entries/withdraw", {"id": 99}).status_code
