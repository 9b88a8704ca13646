"""Who may look and who may write: over all routes, found by introspection, so that a new one is covered by itself."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from invented_room import InventedRoom, room
from keeper_client import ORIGIN, KeeperClient, field_token, filled
from keeper_room import KEEPER, PASSWORD, QuickWriting, app_of, keeper_room

from dashboard.access import COOKIE, OPEN, READING, caller
from dashboard.app import create_app
from sensord.access.users import SESSION_MS
from sensord.clock import ManualClock, to_ms
from sensord.model import EntryKind, Nest, NestKind

LAN = {"REMOTE_ADDR": "192.168.7.9"}
ASKS = "/nest/_dash-update-component"
EXTRA = "/write/made-by-a-test"


def made_room(folder, clock):
    kept = keeper_room(folder, clock)
    kept.registry.put_nests([Nest("A-01", NestKind.TUBE, "ant room", "A", "Lasius niger", reservoir_ml=8)])
    return kept


def made_app(kept):
    """The dashboard with one more route, that nobody told the guard of."""
    made = app_of(kept)[0]
    made.add_url_rule(EXTRA, view_func=lambda: "done", methods=["POST", "PUT", "PATCH", "DELETE"])
    return made


@pytest.fixture
def kept(tmp_path, clock):
    return made_room(tmp_path, clock)


@pytest.fixture
def app(kept):
    return made_app(kept)


@pytest.fixture
def keeper(app) -> KeeperClient:
    return KeeperClient(app)


@pytest.fixture(scope="module")
def still(tmp_path_factory) -> KeeperClient:
    """One for all tests in which everything is refused, so that nothing changes."""
    clock = ManualClock(datetime(2026, 4, 1, 12, tzinfo=UTC))
    return KeeperClient(made_app(made_room(tmp_path_factory.mktemp("still"), clock)))


def write_routes(app) -> list[tuple[str, str]]:
    """Every method and address that could write."""
    found = [
        (method, filled(rule.rule, "A-01", "x"))
        for rule in app.url_map.iter_rules()
        for method in rule.methods - READING
        if rule.rule not in (ASKS, "/sign-in")
    ]
    assert {EXTRA, "/sign-out", "/write/entries", "/write/alarms/shelve"} <= {path for _, path in found}
    return found


def read_routes(app) -> list[str]:
    return [filled(rule.rule, "A-01", "x") for rule in app.url_map.iter_rules() if "GET" in rule.methods]


def statuses(app, send) -> dict[str, int]:
    return {f"{method} {path}": send(method, path).status_code for method, path in write_routes(app)}


def test_the_keeper_may_write(keeper) -> None:
    """The same writes as below, unspoilt: what follows is refused for its fault alone."""
    assert (303, "/") == (keeper.entered.status_code, keeper.entered.headers["Location"])
    assert "done" == keeper.write(EXTRA, {}).text
    assert 200 == keeper.write("/write/entries", {"nest": "A-01", "kind": "fill"}).status_code


def test_no_write_without_signing_in_even_on_loopback(app, kept) -> None:
    visitor = app.test_client()
    found = statuses(app, lambda method, path: visitor.open(path, method=method, json={"nest": "A-01", "kind": "fill"}))
    assert {401} == set(found.values()), found
    assert [] == kept.registry.entries()


@pytest.mark.parametrize(
    "changes",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:81"},
        {"Origin": "http://[::1"},
        {"Origin": "file://localhost"},
        {"Origin": ""},
        {"Origin": None, "Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
    ids=str,
)
def test_no_write_from_a_page_of_another_site(still, changes) -> None:
    found = statuses(still.app, lambda method, path: still.write(path, {}, method, still.headers(**changes)))
    assert {403} == set(found.values()), found


@pytest.mark.parametrize("token", [None, "", "0" * 64, "é", "x" * 5_000])
def test_no_write_without_the_session_s_own_token(still, token) -> None:
    found = statuses(
        still.app, lambda method, path: still.write(path, {}, method, still.headers(**{"X-Write-Token": token}))
    )
    assert {403} == set(found.values()), found


def test_no_write_with_the_token_of_another_session(app, keeper) -> None:
    other = KeeperClient(app)
    assert other.token != keeper.token
    headers = keeper.headers(**{"X-Write-Token": other.token})
    found = statuses(app, lambda method, path: keeper.write(path, {}, method, headers))
    assert {403} == set(found.values()), found


@pytest.mark.parametrize("cookie", ["", "x", "0" * 43, "' OR 1=1 --" + "0" * 20, "0" * 4_000])
def test_no_write_with_a_session_that_is_none(still, cookie) -> None:
    client = still.app.test_client()
    client.set_cookie(COOKIE, cookie)
    send = {"json": {}, "headers": still.headers()}
    found = statuses(still.app, lambda method, path: client.open(path, method=method, **send))
    assert {401} == set(found.values()), found


def test_no_write_once_the_session_has_ended(app, keeper, kept, clock) -> None:
    clock.advance(SESSION_MS / 1_000 + 1)
    assert {401} == set(statuses(app, lambda method, path: keeper.write(path, {}, method)).values())
    again = KeeperClient(app)
    kept.users.set_password(KEEPER, "quite another one", to_ms(clock.now()))
    assert {401} == set(statuses(app, lambda method, path: again.write(path, {}, method)).values())


def test_a_write_is_json_and_not_long(app, keeper) -> None:
    forms_out = [(method, path) for method, path in write_routes(app) if path != "/sign-out"]
    for method, path in forms_out:
        send = {"method": method, "headers": keeper.headers()}
        for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
            assert 415 == keeper.client.open(path, data="{}", content_type=kind, **send).status_code
        long = keeper.client.open(path, data=b"[" * 1_000_000, content_type="application/json", **send)
        assert 413 == long.status_code, path
        assert "256 kB" in long.get_json()["problems"][0]


def test_writes_have_a_pace(keeper, clock) -> None:
    found = [keeper.write(EXTRA, {}).status_code for _ in range(121)]
    assert [200] * 120 + [429] == found
    refused = keeper.write(EXTRA, {})
    assert 1 <= int(refused.headers["Retry-After"]) <= 61
    assert 200 == KeeperClient(keeper.app).write(EXTRA, {}).status_code
    clock.advance(int(refused.headers["Retry-After"]))
    assert 200 == keeper.write(EXTRA, {}).status_code


def test_a_dashboard_without_users_takes_no_write(clock) -> None:
    app = create_app(InventedRoom(clock, lambda at_ms: room(3, at_ms)), clock)
    client = app.test_client()
    writers = [rule for rule in app.url_map.iter_rules() if rule.methods - READING and rule.rule != ASKS]
    assert {401, 403} == {client.post(rule.rule).status_code for rule in writers}


@pytest.mark.parametrize(
    "base",
    [
        LAN,
        {"REMOTE_ADDR": "2001:db8::5"},
        {"REMOTE_ADDR": ""},
        {"HTTP_X_FORWARDED_FOR": "127.0.0.1"},
        {"HTTP_FORWARDED": "for=127.0.0.1"},
        {"HTTP_X_FORWARDED_HOST": "localhost"},
        {"HTTP_VIA": "1.1 proxy"},
    ],
    ids=str,
)
def test_beyond_loopback_and_behind_a_proxy_every_page_asks_to_sign_in(still, base) -> None:
    app, client = still.app, still.app.test_client()
    for rule in app.url_map.iter_rules():
        if rule.endpoint in OPEN or "GET" not in rule.methods:
            continue
        path = filled(rule.rule, "A-01", "x")
        answer = client.get(path, environ_base=base)
        assert answer.status_code in (303, 401), path
        if answer.status_code == 303:
            assert answer.headers["Location"].startswith("/sign-in?next=/"), path
        assert "A-01" not in answer.text, path
    for path in ("/wall.json", "/healthz", "/metrics", "/build", "/nest/_dash-layout"):
        assert 401 == client.get(path, environ_base=base).status_code
    assert 401 == client.post(ASKS, json={}, environ_base=base).status_code
    assert 200 == client.get("/sign-in", environ_base=base).status_code


def test_who_signs_in_beyond_loopback_is_led_back_and_may_look_and_write(app) -> None:
    away = app.test_client().get("/review?nest=A-01&days=7", environ_base=LAN, headers={"Accept": "text/html"})
    assert "/sign-in?next=/review%3Fnest%3DA-01%26days%3D7" == away.headers["Location"]
    keeper = KeeperClient(app, base=LAN, onward="/review%3Fnest%3DA-01%26days%3D7")
    assert "/review?nest=A-01&days=7" == keeper.entered.headers["Location"]
    assert {200} == {keeper.get(path).status_code for path in ("/", "/round", "/wall.json", "/nest/A-01", "/sign-in")}
    assert 200 == keeper.write("/write/entries", {"nest": "A-01", "kind": "fill"}).status_code


def test_a_named_network_may_look_but_not_write(kept) -> None:
    app = create_app(app_of(kept)[1], kept.clock, "192.168.7.0/24", writing=QuickWriting(kept))
    client = app.test_client()
    assert {200} == {
        client.get(path, environ_base=LAN).status_code for path in ("/", "/round", "/nest/A-01", "/metrics")
    }
    assert 401 == client.post("/write/entries", json={}, environ_base=LAN).status_code
    assert 303 == client.get("/", environ_base={"REMOTE_ADDR": "192.168.8.9"}).status_code
    assert 303 == client.get("/", environ_base={**LAN, "HTTP_X_FORWARDED_FOR": "192.168.7.5"}).status_code
    assert 200 == client.get("/", environ_base={"REMOTE_ADDR": "::ffff:192.168.7.9"}).status_code


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "evil.example:8050", "127.0.0.1.evil.example", "a b", "[::1"]
)
def test_a_foreign_name_is_pointed_nowhere(still, host) -> None:
    """DNS rebinding: a page of evil.example, whose name was turned to this address, gets nothing."""
    for path in read_routes(still.app):
        assert 421 == still.get(path, headers={"Host": host}).status_code, path
    found = statuses(still.app, lambda method, path: still.write(path, {}, method, {**still.headers(), "Host": host}))
    assert {421} == set(found.values()), found


def test_addresses_and_own_names_are_answered(kept) -> None:
    app = create_app(app_of(kept)[1], kept.clock, writing=QuickWriting(kept), hosts={"ants.example"})
    for host in ("127.0.0.1:8050", "[::1]:8050", "192.168.7.2", "localhost:8050", "Ants.Example", "ants.example.:8050"):
        assert 200 == app.test_client().get("/round", headers={"Host": host}).status_code, host


@pytest.mark.parametrize(
    "onward",
    [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "/%0d%0aX: y",
        "javascript:alert(1)",
        "/\tx",
        "",
        "/a" * 300,
        "/sign-out",
    ],
)
def test_whoever_signs_in_is_led_to_this_dashboard_only(still, onward) -> None:
    client = still.app.test_client()
    page = client.get("/sign-in", query_string={"next": onward}).text
    form = {"write-token": field_token(page), "next": onward, "name": KEEPER, "password": PASSWORD}
    answer = client.post("/sign-in", data=form)
    assert (303, "/") == (answer.status_code, answer.headers["Location"]) or onward == "/%0d%0aX: y"
    assert "\n" not in answer.headers["Location"]
    assert "evil" not in page
    assert "javascript" not in page


def test_the_session_s_cookie_is_out_of_reach_of_scripts_and_other_sites(app) -> None:
    plain = cookie_of(KeeperClient(app).entered)
    assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= plain
    assert "Secure" not in plain
    client = app.test_client()
    by_https = {
        "base_url": "https://localhost",
        "headers": {"X-Forwarded-Proto": "https", "Origin": "https://localhost"},
    }
    page = client.get("/sign-in", **by_https)
    form = {"write-token": field_token(page.text), "next": "/", "name": KEEPER, "password": PASSWORD}
    entered = client.post("/sign-in", data=form, **by_https)
    assert 303 == entered.status_code
    for answer in (page, entered):
        assert answer.headers.getlist("Set-Cookie")
        assert all("Secure" in each for each in answer.headers.getlist("Set-Cookie"))


def cookie_of(answer) -> set[str]:
    found = next(each for each in answer.headers.getlist("Set-Cookie") if each.startswith(f"{COOKIE}="))
    return {part.strip() for part in found.split(";")}


def test_a_session_in_use_is_renewed_once_an_hour(keeper, clock) -> None:
    assert [] == keeper.get("/round").headers.getlist("Set-Cookie")
    clock.advance(3_601)
    for kept in ("/assets/write.js", "/look/x.css"):  # else a proxy could keep the cookie and hand it on
        with keeper.get(kept) as answer:
            assert [] == answer.headers.getlist("Set-Cookie")
    assert "HttpOnly" in cookie_of(keeper.get("/round"))
    assert [] == keeper.get("/round").headers.getlist("Set-Cookie")


def test_signing_in_begins_a_new_session_and_signing_out_ends_it(app, keeper, kept) -> None:
    given = keeper.client.get_cookie(COOKIE).value
    fixed = app.test_client()
    fixed.set_cookie(COOKIE, "0" * 43)
    page = fixed.get("/sign-in").text
    fixed.post("/sign-in", data={"write-token": field_token(page), "name": KEEPER, "password": PASSWORD})
    assert fixed.get_cookie(COOKIE).value not in ("0" * 43, given)
    refused = keeper.client.post("/sign-out", data={"write-token": "0" * 64}, headers={"Origin": ORIGIN})
    assert 403 == refused.status_code
    out = keeper.client.post("/sign-out", data={"write-token": keeper.token}, headers={"Origin": ORIGIN})
    assert 303 == out.status_code
    assert kept.users.visit(given, to_ms(kept.clock.now())) is None
    assert 405 == keeper.get("/sign-out").status_code


def test_a_sign_in_from_another_site_is_refused(app) -> None:
    """Else a foreign page could sign a keeper in under a stranger's name."""
    client = app.test_client()
    token = field_token(client.get("/sign-in").text)
    form = {"name": KEEPER, "password": PASSWORD}
    assert 403 == client.post("/sign-in", data=form).status_code
    assert 403 == client.post("/sign-in", data={**form, "write-token": "0" * 64}).status_code
    assert 403 == app.test_client().post("/sign-in", data={**form, "write-token": token}).status_code
    foreign = {"Origin": "http://evil.example"}
    assert 403 == client.post("/sign-in", data={**form, "write-token": token}, headers=foreign).status_code
    assert client.get_cookie(COOKIE) is None


class Door:
    """A door that knows one name, at once: what is counted is how often somebody tries."""

    def anybody(self) -> bool:
        return True

    def sign_in(self, name: str, password: str) -> str | None:
        return "0" * 43 if (name, password) == (KEEPER, PASSWORD) else None

    def visit(self, token: str) -> None:
        return None


@pytest.fixture
def guess(clock):
    """Try to sign in from an address."""
    client = create_app(InventedRoom(clock, lambda at_ms: room(1, at_ms)), clock, writing=Door()).test_client()
    token = field_token(client.get("/sign-in").text)

    def tried(password: str, address: str = "127.0.0.1", name: str = KEEPER):
        form = {"write-token": token, "name": name, "password": password}
        return client.post("/sign-in", data=form, environ_base={"REMOTE_ADDR": address})

    return tried


def test_guessing_has_a_pace_by_address(guess, clock) -> None:
    assert [401] * 10 + [429] == [guess("wrong").status_code for _ in range(11)]
    assert 429 == guess(PASSWORD).status_code
    assert 303 == guess(PASSWORD, "192.168.7.5").status_code
    clock.advance(301)
    assert 303 == guess(PASSWORD).status_code
    assert [401] * 10 == [guess("wrong").status_code for _ in range(10)]  # what was counted before is forgotten


def test_guessing_has_a_pace_by_name_from_everywhere(guess) -> None:
    assert {401} == {guess("wrong", f"192.168.7.{number + 1}").status_code for number in range(30)}
    refused = guess(PASSWORD, "192.168.7.99", KEEPER.upper())
    assert 429 == refused.status_code
    assert 1 <= int(refused.headers["Retry-After"]) <= 901
    assert 401 == guess("wrong", "192.168.7.99", "Tom").status_code


def test_who_tries_is_told_apart_by_address(app) -> None:
    def who(address: str, seen: str = "") -> str:
        headers = {"X-Forwarded-For": seen} if seen else {}
        with app.test_request_context("/", environ_base={"REMOTE_ADDR": address}, headers=headers):
            return caller()

    assert who("2001:db8:0:7::1") == who("2001:db8:0:7:ffff::9") != who("2001:db8:0:8::1")
    assert "203.0.113.7" == who("127.0.0.1", "198.51.100.1, 203.0.113.7")  # the last is what our own proxy saw
    assert "192.168.7.9" == who("192.168.7.9", "198.51.100.1")  # nobody else's word counts


def test_the_page_to_sign_in_says_how_to_begin_and_keeps_what_was_typed(app, tmp_path, clock) -> None:
    bare = keeper_room(tmp_path / "bare", clock)
    bare.users.remove(KEEPER)
    assert "nestclimate users add NAME" in app_of(bare)[0].test_client().get("/sign-in").text
    client = app.test_client()
    page = client.get("/sign-in").text
    assert "nestclimate users add" not in page
    form = {"write-token": field_token(page), "name": '"><script>alert(1)</script>', "password": PASSWORD}
    again = client.post("/sign-in", data=form)
    assert 401 == again.status_code
    assert "do not go together" in again.text
    assert "<script>alert" not in again.text
    assert PASSWORD not in again.text


def test_who_is_signed_in_stands_on_every_page(keeper) -> None:
    for path in ("/", "/round", "/alarms", "/probes", "/colonies", "/review", "/nest/A-01", "/none"):
        page = keeper.get(path).text
        assert f'<span class="who-writes">{KEEPER}</span><form method="post" action="/sign-out">' in page, path
        assert f'content="{keeper.token}"' in page, path
        visitor = keeper.app.test_client().get(path).text
        assert "write-token" not in visitor, path
        assert f'href="/sign-in?next={path}"' in visitor, path


def test_while_the_database_is_away_nobody_writes_and_pages_say_so(app, keeper, kept) -> None:
    kept.connection.execute("ALTER TABLE sessions RENAME TO lost")
    assert 401 == keeper.write("/write/entries", {"nest": "A-01", "kind": "fill"}).status_code
    assert 200 == keeper.get("/round").status_code
    assert [] == kept.registry.entries(kinds=(EntryKind.FILL,))
