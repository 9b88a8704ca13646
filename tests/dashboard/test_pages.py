"""Pages over the in-process client: contract, headers, hostile names, health."""

from __future__ import annotations

import dataclasses
import html
import json
import re

import pytest
from invented_room import DEAD, InventedRoom, nest_now, room

from dashboard.app import create_app
from dashboard.snapshot import Chore, ColonyNow, ProcessNow, RoundNow, Snapshot
from sensord.clock import to_ms
from sensord.errors import StoreError

HOSTILE = '<script>alert(1)</script>"><img src=x onerror=alert(2)>{{7*7}}'


def app_of(clock, make):
    return create_app(InventedRoom(clock, make), clock)


@pytest.fixture
def client(clock):
    return app_of(clock, lambda at_ms: room(48, at_ms)).test_client()


class Broken(InventedRoom):
    """A store that cannot be read."""

    def _now(self) -> Snapshot:
        raise StoreError("database station.db: is damaged")


def test_every_nest_carries_its_name_and_state(client, clock) -> None:
    page = client.get("/").text
    found = dict(re.findall(r'data-nest="([^"]+)" data-state="([^"]+)"', page))
    assert {now.nest.name for now in room(48, to_ms(clock.now())).nests} == set(found)
    assert {"ok", "drift", "act", "blind"} == set(found.values())


def test_nothing_comes_back_while_nothing_has_changed(client, clock) -> None:
    first = client.get("/wall.json").get_json()
    assert 48 == sum(len(cards) for _, cards in first["wall"]["racks"])
    second = client.get(f"/wall.json?seen={first['mark']}")
    assert {"build", "mark"} == set(second.get_json())
    clock.advance(3_600)
    assert "wall" in client.get(f"/wall.json?seen={first['mark']}").get_json()


def routes(client) -> list[str]:
    rules = [rule for rule in client.application.url_map.iter_rules() if "GET" in rule.methods]
    return [re.sub(r"<[^>]*>", "A-05", rule.rule) for rule in rules]


def test_every_route_has_the_headers_and_allows_no_outside_host(client) -> None:
    for path in routes(client):
        headers = client.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy, path
        assert not re.search(r"https?:|\*|unsafe-eval", policy), path
        assert "frame-ancestors 'none'" in policy, path
        assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0], path
        assert "nosniff" == headers["X-Content-Type-Options"], path
        assert "same-origin" == headers["Referrer-Policy"], path
        assert "Access-Control-Allow-Origin" not in headers, path


def test_no_route_takes_a_write_but_the_charts_own_question(client) -> None:
    """Dash asks its figures by POST; that reads. Everything else is read only."""
    writers = {
        rule.rule
        for rule in client.application.url_map.iter_rules()
        if rule.methods - {"GET", "HEAD", "OPTIONS"} and not rule.rule.startswith("/nest/_dash")
    }
    assert set() == {rule for rule in writers if client.post(rule.replace("<path:path>", "A-05")).status_code < 400}


def test_a_question_from_another_site_is_refused(client) -> None:
    answer = client.post("/nest/_dash-update-component", json={}, headers={"Origin": "http://evil.example"})
    assert 403 == answer.status_code


@pytest.mark.parametrize("path", ["/", "/wall.json", "/alarms", "/probes", "/metrics"])
def test_a_hostile_name_is_only_text(clock, path) -> None:
    def make(at_ms):
        bad = nest_now("A-1", at_ms, rh=20.0)
        bad = dataclasses.replace(
            bad, nest=dataclasses.replace(bad.nest, name=HOSTILE, rack=HOSTILE, room=HOSTILE), species=HOSTILE
        )
        bad = dataclasses.replace(bad, placement=dataclasses.replace(bad.placement, nest=HOSTILE))
        alarms = tuple(dataclasses.replace(one, nest=HOSTILE, room=HOSTILE) for one in room(48, at_ms).alarms)
        return dataclasses.replace(room(1, at_ms), station=HOSTILE, nests=(bad,), alarms=alarms)

    answer = app_of(clock, make).test_client().get(path)
    assert 200 == answer.status_code
    if path == "/metrics":
        assert r"\">" in answer.text
        assert "text/plain" in answer.headers["Content-Type"]
        return
    parts = json.dumps(answer.get_json()["wall"]["racks"][0][1][0][1]) if path == "/wall.json" else answer.text
    assert "<script>alert" not in parts
    assert "<img" not in parts
    assert html.escape("<script>alert") in parts


def test_an_unknown_or_malformed_nest_is_a_404(client) -> None:
    assert {200} == {client.get(f"/nest/{name}").status_code for name in ("A-05", DEAD)}
    for name in ("ZZ-99", "..", "%3Cscript%3E", "A" * 40, "a%00b", "%E2%80%AE"):
        assert 404 == client.get(f"/nest/{name}").status_code, name
    assert 404 == client.get("/mcp").status_code


def test_health_is_503_when_a_process_is_late_or_never_ran(clock) -> None:
    def with_beats(*beats):
        return lambda at_ms: dataclasses.replace(
            room(1, at_ms), processes=tuple(ProcessNow(name, ago and at_ms - ago) for name, ago in beats)
        )

    well = app_of(clock, with_beats(("record", 5_000), ("watch", 59_000))).test_client().get("/healthz")
    assert (200, True) == (well.status_code, well.get_json()["ok"])
    late = app_of(clock, with_beats(("record", 5_000), ("watch", 61_000))).test_client().get("/healthz")
    assert 503 == late.status_code
    assert {"record": True, "watch": False} == {name: each["ok"] for name, each in late.get_json()["processes"].items()}
    assert 503 == app_of(clock, with_beats(("record", None))).test_client().get("/healthz").status_code


def test_metrics_read_as_prometheus_text(client) -> None:
    """Prometheus, text exposition format 0.0.4: each line a comment or NAME{LABELS} VALUE."""
    text = client.get("/metrics").text
    pattern = re.compile(r'[a-z_]+(\{([a-z]+="([^"\\]|\\.)*",?)+\})? [-+0-9.e]+')
    assert all(line.startswith("# ") or pattern.fullmatch(line) for line in text.strip().split("\n"))
    assert 'nestclimate_nests{state="ok"}' in text
    assert text.endswith("\n")


def test_a_store_that_cannot_be_read_is_said_on_every_page(clock) -> None:
    client = create_app(Broken(clock, None), clock).test_client()
    pages = ("/", "/alarms", "/probes", "/round", "/colonies", "/review?nest=A-05")
    for path in (*pages, "/healthz", "/metrics", "/wall.json"):
        assert "is damaged" in client.get(path).text, path
    assert {503} == {client.get(path).status_code for path in ("/healthz", "/metrics")}


def test_an_empty_room_says_how_to_begin(clock) -> None:
    page = app_of(clock, lambda at_ms: Snapshot("Ant room", "UTC", at_ms)).test_client().get("/").text
    assert "nestclimate import nests nests.csv" in page


def test_the_round_stands_by_urgency_with_why_and_says_its_time(client) -> None:
    page = client.get("/round").text
    assert ["now", "today", "when_there"] == re.findall(r'data-urgency="(\w+)"', page)
    assert page.index("dry now") < page.index("last sugar 4 days ago") < page.index("never counted")
    assert '<a href="/nest/A-01">A-01</a>' in page
    assert "Made at 12:56" in page  # Lisbon is at +01:00, the round four minutes old


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (None, "is being made"),
        (RoundNow(1_775_044_800_000), "Nothing to do today"),
        (RoundNow(1_775_044_800_000, problem="store is damaged"), "could not be made at 13:00: store is damaged"),
    ],
)
def test_a_round_that_is_not_there_says_why(clock, found, words) -> None:
    class Rounded(InventedRoom):
        def round(self):
            return found

    assert words in create_app(Rounded(clock, lambda at_ms: room(3, at_ms)), clock).test_client().get("/round").text


def test_colonies_stand_with_nests_counts_and_deaths(client) -> None:
    page = client.get("/colonies").text
    rows = re.findall("<tr><td>(.*?)</tr>", page)
    assert 49 == len(rows)
    assert ">A-01</a></td>" in rows[0]
    assert f">{DEAD}</a></td>" in rows[-1]
    assert "23 Mar 2026" in rows[-1]
    assert f'href="/review?nest={DEAD}&amp;day=2026-03-23"' in rows[-1]
    assert "48 colonies live, 1 died" in page


def test_no_colonies_says_how_to_begin(clock) -> None:
    class Empty(InventedRoom):
        def colonies(self):
            return ()

    page = (
        create_app(Empty(clock, lambda at_ms: Snapshot("Ant room", "UTC", at_ms)), clock).test_client().get("/colonies")
    )
    assert "nestclimate journal add A-01 count --amount 12" in page.text


@pytest.mark.parametrize("path", ["/round", "/colonies", "/review?nest=%3Cscript%3Ealert(1)"])
def test_a_hostile_name_on_the_keeper_s_pages_is_only_text(clock, path) -> None:
    class Hostile(InventedRoom):
        def round(self):
            return RoundNow(0, (Chore(HOSTILE, "now", HOSTILE, HOSTILE, HOSTILE, HOSTILE),))

        def colonies(self):
            return (ColonyNow(HOSTILE, HOSTILE, HOSTILE, ((HOSTILE, 1),), died_ms=1),)

    answer = create_app(Hostile(clock, lambda at_ms: room(3, at_ms)), clock).test_client().get(path)
    assert 200 == answer.status_code
    assert "<script>alert" not in answer.text
    assert "<img" not in answer.text
    assert html.escape("<script>alert") in answer.text


def test_only_loopback_and_the_named_network_may_look(clock) -> None:
    source = InventedRoom(clock, lambda at_ms: room(3, at_ms))

    def status(app, address):
        return app.test_client().get("/healthz", environ_base={"REMOTE_ADDR": address}).status_code

    closed, opened = create_app(source, clock), create_app(source, clock, "192.168.7.0/24")
    assert [200, 200, 401] == [status(closed, address) for address in ("127.0.0.1", "::1", "192.168.7.9")]
    assert [200, 401, 401] == [status(opened, address) for address in ("192.168.7.9", "192.168.8.9", "10.0.0.1")]


def test_answers_are_compressed_for_whoever_can_read_that(client) -> None:
    packed = client.get("/wall.json", headers={"Accept-Encoding": "gzip"})
    assert "gzip" == packed.headers["Content-Encoding"]
    assert len(packed.data) < len(client.get("/wall.json").data) / 4
