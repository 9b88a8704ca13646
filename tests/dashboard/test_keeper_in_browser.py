"""A keeper's evening in Chromium: signs in, notes a fill, goes the round with thumb and keyboard, acknowledges, signs out."""

from __future__ import annotations

import re

import pytest
from browser import serving
from keeper_client import KeeperClient
from keeper_room import KEEPER, PASSWORD, app_of, keeper_room, two_tubes
from playwright.sync_api import expect
from test_accessible import violations
from test_in_browser import watched

from dashboard.access import COOKIE
from sensord.alarms.conditions import Raised
from sensord.clock import to_ms
from sensord.db import transaction
from sensord.model import AlarmKind, Priority

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture
def room(tmp_path, clock):
    """Two tubes, one nearly empty, one of them too dry."""
    found = two_tubes(keeper_room(tmp_path, clock))
    now_ms = to_ms(clock.now())
    log = found.alarm_log
    with transaction(found.connection):
        log.take(Raised(None, "A-02", AlarmKind.RESERVOIR, Priority.HIGH, now_ms - 60_000, 0.5, 2.0), None)
    return found


@pytest.fixture
def app_and_data(room):
    app, data = app_of(room)
    data.refresh()
    return app, data


@pytest.fixture
def address(app_and_data):
    with serving(app_and_data[0]) as found:
        yield found


def signed_in(browser, address, onward="/round", **options):
    page = watched(browser, **options)
    page.goto(f"{address}/sign-in?next={onward}")
    page.get_by_label("Name").fill(KEEPER)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(re.compile(re.escape(onward) + "$"))
    return page


def kinds(room) -> list[str]:
    """What was written by the keeper."""
    return [str(entry.kind) for entry in room.registry.entries() if entry.by == KEEPER]


def test_from_the_message_by_way_of_signing_in_to_the_acknowledged_alarm(browser, address, room) -> None:
    """Link, sign-in, one tap: on a phone."""
    alarm = room.alarm_log.active()[0].id
    page = watched(browser, **PHONE)
    page.goto(f"{address}/alarms/{alarm}")
    page.get_by_role("link", name="Sign in to acknowledge").tap()
    page.get_by_label("Name").fill(KEEPER.upper())  # as a phone's keyboard begins names
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").tap()
    page.wait_for_url(f"**/alarms/{alarm}")
    page.get_by_role("button", name="Acknowledge").tap()
    expect(page.get_by_text("acknowledged", exact=True)).to_be_visible()
    found = room.alarm_log.get(alarm)
    assert (KEEPER, to_ms(room.clock.now())) == (found.acknowledged_by, found.acknowledged_ms)
    assert [] == page.complaints
    page.close()


def test_an_alarm_is_shelved_with_a_reason_or_not_at_all(browser, address, room) -> None:
    page = signed_in(browser, address, "/alarms")
    page.get_by_text("Shelve…").click()
    page.get_by_role("button", name="Shelve", exact=True).click()
    assert room.alarm_log.active()[0].aside is None
    page.get_by_label("because").fill("new tube tomorrow")
    page.get_by_label("for").select_option("1d")
    page.get_by_label("because").press("Enter")
    expect(page.get_by_text("shelved, until 2 Apr 13:00, new tube tomorrow")).to_be_visible()
    page.get_by_role("button", name="Take off the shelf").click()
    expect(page.get_by_text("unacknowledged", exact=True)).to_be_visible()
    assert [] == page.complaints
    page.close()


def test_the_round_is_ticked_with_the_thumb_and_undone(browser, address, room) -> None:
    page = signed_in(browser, address, **PHONE)
    line = page.locator(".chore", has_text="Feed sugar").first
    box = line.get_by_role("checkbox")
    size = box.bounding_box()
    assert min(size["width"], size["height"]) >= 44
    box.tap()
    expect(box).to_have_attribute("aria-checked", "true")
    assert "line-through" in line.locator("b").evaluate("one => getComputedStyle(one).textDecorationLine")
    assert ["feed_sugar"] == kinds(room)
    expect(page.locator("#tally")).to_have_text(re.compile(r"^1 of \d+ done$"))
    line.get_by_role("button", name="Undo").tap()
    expect(box).to_have_attribute("aria-checked", "false")
    assert [] == kinds(room)
    box.tap()
    expect(box).to_have_attribute("aria-checked", "true")
    box.tap()  # the box itself undoes as well
    expect(box).to_have_attribute("aria-checked", "false")
    assert [] == kinds(room)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert [] == page.complaints
    page.close()


def test_the_round_is_ticked_by_keys_with_an_amount(browser, address, room, app_and_data) -> None:
    page = signed_in(browser, address)
    line = page.locator(".chore", has_text="Top up water")
    amount = line.locator("input")
    assert "8" == amount.input_value()
    amount.fill("6.5")
    amount.press("Enter")
    expect(line.get_by_role("checkbox")).to_have_attribute("aria-checked", "true")
    assert [("A-02", 6.5, "mL")] == [(e.nest, e.amount, e.unit) for e in room.registry.entries() if e.by == KEEPER]
    page.reload()  # somebody else's phone sees it too, and may undo it
    line = page.locator(".chore.done", has_text="Top up water")
    expect(line).to_contain_text(f"noted by {KEEPER}")
    line.get_by_role("checkbox").focus()
    page.keyboard.press("Space")
    expect(page.locator(".chore.done")).to_have_count(0)
    assert [] == kinds(room)
    count = page.locator(".chore", has_text="Count").first
    count.get_by_role("checkbox").press("Enter")  # a number is asked for first
    assert [] == kinds(room)
    assert count.locator("input").evaluate("one => one === document.activeElement")
    page.keyboard.type("12")
    page.keyboard.press("Enter")
    expect(count.get_by_role("checkbox")).to_have_attribute("aria-checked", "true")
    assert ["count"] == kinds(room)
    assert [] == page.complaints
    page.close()


def test_a_fill_is_noted_on_the_page_of_the_nest(browser, address, room) -> None:
    page = signed_in(browser, address, "/nest/A-01")
    page.get_by_role("button", name=re.compile("^filled", re.IGNORECASE)).first.click()
    expect(page.get_by_role("button", name=re.compile("undo", re.IGNORECASE)).first).to_be_visible()
    assert ["fill"] == kinds(room)
    page.close()


def test_a_wrong_password_is_said_and_a_right_one_leads_on(browser, address) -> None:
    page = watched(browser)
    page.goto(f"{address}/round")
    page.get_by_role("link", name="Sign in").first.click()
    page.get_by_label("Name").fill(KEEPER)
    page.get_by_label("Password").fill("not this one")
    page.get_by_label("Password").press("Enter")
    expect(page.get_by_role("alert").filter(has_text="do not go together")).to_be_visible()
    assert KEEPER == page.get_by_label("Name").input_value()
    page.keyboard.type(PASSWORD)  # it waits in the field
    page.keyboard.press("Enter")
    page.wait_for_url("**/round")
    expect(page.locator(".who-writes")).to_have_text(KEEPER)
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{address}/")
    expect(page.get_by_role("link", name="Sign in")).to_be_visible()
    assert ["Failed to load resource: the server responded with a status of 401 (UNAUTHORIZED)"] == page.complaints
    page.close()


def test_a_session_that_ended_leads_to_sign_in_and_back_and_writes_nothing(browser, address, room) -> None:
    page = signed_in(browser, address)
    room.users.set_password(KEEPER, "quite another one", to_ms(room.clock.now()))
    page.locator(".chore", has_text="Feed sugar").first.get_by_role("checkbox").click()
    page.wait_for_url("**/sign-in?next=%2Fround")
    assert [] == kinds(room)
    page.close()


def test_a_write_that_does_not_get_through_is_said_and_changes_no_line(browser, app_and_data, room) -> None:
    with serving(app_and_data[0]) as address:
        page = signed_in(browser, address)
    line = page.locator(".chore", has_text="Feed sugar").first
    line.get_by_role("checkbox").click()
    expect(page.locator("#notice")).to_have_text("Nothing was written: the station does not answer.")
    expect(line.get_by_role("checkbox")).to_have_attribute("aria-checked", "false")
    assert [] == kinds(room)
    page.close()


def test_another_site_s_page_writes_nothing_with_the_keeper_s_cookie(browser, address, room) -> None:
    """A page of another origin in the same browser posts a form and a fetch; both are refused by the real thing."""
    page = signed_in(browser, address)
    other = address.replace("127.0.0.1", "localhost")
    page.goto(f"{other}/round")  # another origin, and the cookie is not even sent there
    assert page.locator(".who-writes").inner_text() == "Sign in"
    status = page.evaluate(
        """(to) => fetch(to + "/write/entries", {method: "POST", credentials: "include", body: "{}",
           headers: {"Content-Type": "text/plain"}, mode: "no-cors"}).then(() => "sent", (error) => "stopped")""",
        address,
    )
    assert "stopped" == status  # its own content policy names no other host
    assert [] == kinds(room)
    page.close()


@pytest.mark.parametrize(("scheme", "screen"), [("light", (390, 844)), ("dark", (1920, 1080))])
def test_no_page_of_who_writes_has_a_violation(browser, address, room, scheme, screen) -> None:
    alarm = room.alarm_log.active()[0].id
    page = browser.new_page(viewport={"width": screen[0], "height": screen[1]}, color_scheme=scheme)
    found = {}
    for path in ("/sign-in", f"/alarms/{alarm}"):
        page.goto(address + path)
        found[path] = violations(page)
    page.goto(f"{address}/sign-in")
    page.get_by_label("Name").fill(KEEPER)
    page.get_by_label("Password").fill("not this one")
    page.get_by_label("Password").press("Enter")
    page.wait_for_selector(".problem")
    found["wrong"] = violations(page)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_label("Password").press("Enter")
    page.wait_for_url(f"{address}/")
    for path in ("/", "/round", "/alarms", f"/alarms/{alarm}", "/sign-in"):
        page.goto(address + path)
        if path == "/round":
            page.locator(".chore [role=checkbox]").first.click()
            page.wait_for_selector(".chore.done")
        if path == "/alarms":
            page.get_by_text("Shelve…").click()
        found[f"{path} signed in"] = violations(page)
    assert {key: [] for key in found} == found
    page.close()


def test_a_proxy_s_word_reaches_the_guard_through_the_real_server(address, app_and_data) -> None:
    """waitress takes out what proxies say unless told to keep it; then a proxy in front would open everything."""
    import urllib.error
    import urllib.request

    for header in ("X-Forwarded-For", "Forwarded", "X-Forwarded-Proto", "X-Forwarded-Host", "X-Real-IP", "Via"):
        asked = urllib.request.Request(f"{address}/metrics", headers={header: "127.0.0.1"})
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(asked, timeout=10)
        assert 401 == refused.value.code, header
        refused.value.close()
    assert COOKIE not in KeeperClient(app_and_data[0]).get("/round").headers.get("Set-Cookie", "")
