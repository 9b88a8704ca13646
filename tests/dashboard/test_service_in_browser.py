"""Taking out of service and noting a check in Chromium: with the thumb, by keys, and a finger that taps twice."""

from __future__ import annotations

import pytest
from browser import serving
from keeper_room import KEEPER, app_of, keeper_room, sign_in, two_tubes
from playwright.sync_api import expect
from test_accessible import violations
from test_in_browser import watched

from sensord.clock import HOUR_MS, to_ms

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture
def room(tmp_path, clock):
    return two_tubes(keeper_room(tmp_path, clock))


@pytest.fixture
def address(room):
    with serving(app_of(room)[0]) as found:
        yield found


def out(room) -> list[tuple[str, str, str]]:
    return [(one.subject, one.because, one.by) for one in room.alarm_log.out_of_service(to_ms(room.clock.now()))]


def test_a_nest_is_taken_out_and_put_back_with_the_thumb(browser, address, room) -> None:
    page = watched(browser, **PHONE)
    sign_in(page, room, address)
    page.goto(f"{address}/nest/A-01")
    page.get_by_text("Out of service…").tap()
    take = page.get_by_role("button", name="Take out of service")
    assert 44 <= take.bounding_box()["height"]
    take.tap()
    assert [] == out(room)  # not without a reason
    page.get_by_label("because").fill("fresh tube")
    take.dblclick()
    back = page.get_by_role("button", name="Back in service")
    expect(back).to_be_visible()
    assert [("nest A-01", "fresh tube", KEEPER)] == out(room)
    expect(page.locator(".service-state svg.mark")).to_be_visible()
    expect(page.locator(".service-state")).to_contain_text("out of service until 14:00: fresh tube, mara")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    back.tap()
    expect(page.get_by_text("Out of service…")).to_be_visible()
    assert [] == out(room)
    assert [] == page.complaints
    page.close()


def test_a_hub_is_taken_out_by_keys_on_the_page_of_probes(browser, address, room) -> None:
    page = watched(browser)
    sign_in(page, room, address)
    page.goto(f"{address}/probes")
    page.locator("summary", has_text="Out of service…").press("Enter")
    page.get_by_label("what").select_option("hub hub-a")
    page.locator("[name=for]").select_option("4h")
    page.get_by_label("because").fill("new cable")
    page.get_by_label("because").press("Enter")
    expect(page.get_by_role("button", name="Back in service: hub hub-a")).to_be_visible()
    (taken,) = room.alarm_log.out_of_service(to_ms(room.clock.now()))
    assert ("hub hub-a", 4 * HOUR_MS) == (taken.subject, taken.until_ms - to_ms(room.clock.now()))
    other = watched(browser)
    sign_in(other, room, address)
    other.goto(f"{address}/probes")
    page.get_by_role("button", name="Back in service: hub hub-a").press("Enter")
    expect(page.get_by_role("button", name="Back in service: hub hub-a")).to_have_count(0)
    other.get_by_role("button", name="Back in service: hub hub-a").click()
    expect(other.locator("#notice")).to_contain_text("hub hub-a: is not out of service")
    other.close()
    assert [] == page.complaints
    page.close()


@pytest.mark.parametrize(("scheme", "options"), [("light", PHONE), ("dark", {})])
def test_a_check_is_noted_and_withdrawn_and_no_page_has_a_violation(browser, address, room, scheme, options) -> None:
    page = watched(browser, color_scheme=scheme, **options)
    sign_in(page, room, address)
    page.goto(f"{address}/probe?name=hub-a/room#checked")
    page.get_by_label("beside").fill("the new one")
    page.get_by_role("button", name="Note the check").dblclick()
    expect(page.get_by_text("the new one, mara")).to_have_count(1)
    assert ["the new one"] == [one.note for one in room.hand_checks.all()]
    page.get_by_text("Out of service…").click()
    assert [] == violations(page)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.get_by_role("button", name="Withdraw").click()
    expect(page.get_by_text("the new one, mara")).to_have_count(0)
    assert [] == room.hand_checks.all()
    page.goto(f"{address}/probes")
    page.get_by_text("Out of service…").click()
    assert [] == violations(page)
    assert [] == page.complaints
    page.close()
