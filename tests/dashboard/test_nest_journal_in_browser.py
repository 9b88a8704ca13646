"""An older entry is withdrawn on the nest page: asked once, by keys and by touch, undone, and never another one than was read."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import serving
from keeper_room import KEEPER, app_of, keeper_room, sign_in, two_tubes
from playwright.sync_api import expect

from sensord.clock import DAY_MS, to_ms
from sensord.model import Entry, EntryKind

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], "resultTypes": ["violations"]}


@pytest.fixture
def room(tmp_path, clock):
    """A tube with thirty days of entries, the last of them a level that cannot be."""
    found = two_tubes(keeper_room(tmp_path, clock))
    now_ms = to_ms(clock.now())
    found.registry.add_entries(
        [Entry(now_ms - day * DAY_MS, "A-01", EntryKind.FEED_SUGAR, by="Tom") for day in range(2, 30)]
        + [Entry(now_ms - DAY_MS, "A-01", EntryKind.LEVEL, 80.0, "mL", by="Tom")]
    )
    return found


@pytest.fixture
def address(room):
    with serving(app_of(room)[0]) as found:
        yield found


@pytest.fixture
def keeper(browser, room, address):
    """Opens the nest page as the keeper; what the browser complains about fails the test at the end."""
    complaints, contexts = [], []

    def open_page(path="/nest/A-01", *, signed_in=True, **options):
        contexts.append(browser.new_context(**options))
        page = contexts[-1].new_page()
        page.on("console", lambda said: complaints.append(said.text) if said.type in {"error", "warning"} else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        if signed_in:
            sign_in(page, room, address)
        page.goto(address + path)
        page.wait_for_selector("#nest-journal tr")
        return page

    open_page.complaints = complaints
    yield open_page
    for context in contexts:
        context.close()
    assert [] == complaints


def levels(room) -> list[float]:
    return [entry.amount for entry in room.registry.entries(nest="A-01", kinds=(EntryKind.LEVEL,))]


def test_by_touch_it_is_asked_once_withdrawn_and_put_back(keeper, room) -> None:
    page = keeper(**PHONE)
    row = page.locator("#nest-journal tr", has_text="level 80 mL")
    button = row.get_by_role("button", name="Withdraw")
    assert 44 <= button.bounding_box()["height"]
    button.tap()
    dialog = page.get_by_role("dialog", name="Withdraw this entry?")
    expect(dialog).to_contain_text("level 80 mL, 31 Mar 13:00, Tom")
    assert [80.0] == levels(room)
    dialog.get_by_role("button", name="Keep it").tap()
    expect(dialog).to_be_hidden()
    button.tap()
    dialog.get_by_role("button", name="Yes, withdraw it").tap()
    expect(dialog).to_be_hidden()
    expect(page.locator("#said")).to_contain_text(f"withdrawn: level 80 mL, 31 Mar 13:00, Tom, {KEEPER}")
    assert [] == levels(room)
    expect(row.locator("del").first).to_be_visible()
    expect(row).to_contain_text(f"withdrawn 1 Apr 13:00, {KEEPER}")
    row.get_by_role("button", name="Put back").tap()
    expect(row.get_by_role("button", name="Withdraw")).to_be_visible()
    assert [80.0] == levels(room)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_by_keys_alone_and_undone_beside_what_was_said(keeper, room) -> None:
    page = keeper()
    button = page.locator("#nest-journal tr", has_text="level 80 mL").get_by_role("button")
    button.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Keep it")).to_be_focused()  # a second Enter withdraws nothing
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_be_hidden()
    expect(button).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#said")).to_contain_text("withdrawn: level 80 mL")
    assert [] == levels(room)
    expect(
        page.locator("#nest-journal").get_by_role("button", name="Put back")
    ).to_be_focused()  # its place is not lost
    page.locator("#said").get_by_role("button", name="Undo").press("Enter")
    expect(page.locator("#said")).to_contain_text("Put back: ")
    assert [80.0] == levels(room)
    expect(page.locator("#nest-journal del")).to_have_count(0)


def test_a_list_that_grows_while_it_is_asked_changes_nothing_about_what_is_withdrawn(keeper, room) -> None:
    page = keeper()
    page.locator("#nest-journal tr", has_text="level 80 mL").get_by_role("button").click()
    room.registry.add_entries([Entry(to_ms(room.clock.now()), "A-01", EntryKind.LEVEL, 5.0, "mL", by="Tom")])
    page.evaluate("window.dash_clientside.set_props('nest-written', {data: 1})")
    expect(page.locator("#nest-journal")).to_contain_text("level 5 mL")
    page.get_by_role("button", name="Yes, withdraw it").click()
    expect(page.locator("#said")).to_contain_text("withdrawn: level 80 mL")
    assert [5.0] == levels(room)


def test_two_browsers_withdraw_the_same_and_a_double_click_is_one(keeper, room) -> None:
    first, second = keeper(), keeper()
    for page in (first, second):
        page.locator("#nest-journal tr", has_text="level 80 mL").get_by_role("button").click()
    first.get_by_role("button", name="Yes, withdraw it").dblclick()
    expect(first.locator("#said p")).to_have_count(1)
    second.get_by_role("button", name="Yes, withdraw it").click()
    expect(second.locator("#said")).to_contain_text("withdrawn: level 80 mL")
    assert ([], 1) == (levels(room), len(room.registry.withdrawn("A-01")))
    first.locator("#said").get_by_role("button", name="Undo").click()
    expect(first.locator("#said")).to_contain_text("Put back")
    second.locator("#said").get_by_role("button", name="Undo").click()
    expect(second.locator("#said")).to_contain_text("Put back")
    assert [80.0] == levels(room)


def test_the_oldest_entry_is_reached_and_a_visitor_only_reads(keeper, room) -> None:
    page = keeper()
    expect(page.locator("#nest-journal tbody tr")).to_have_count(12)
    page.get_by_role("button", name="Show older entries").click()
    expect(page.locator("#nest-journal tbody tr")).to_have_count(29)
    expect(page.get_by_role("button", name="Show older entries")).to_be_hidden()
    page.locator("#nest-journal tbody tr").last.get_by_role("button", name="Withdraw").click()
    page.get_by_role("button", name="Yes, withdraw it").click()
    expect(page.locator("#nest-journal tr", has=page.locator("del"))).to_have_count(1)
    visitor = keeper(signed_in=False)
    assert 0 == visitor.locator("#nest-journal button").count()
    assert 0 == visitor.locator("#nest-journal del").count()
    assert 0 == visitor.locator("dialog").count()


def test_a_death_that_was_none_brings_the_entries_back(keeper, room) -> None:
    now_ms = to_ms(room.clock.now())
    room.registry.add_entries([Entry(now_ms - DAY_MS, "A-01", EntryKind.DIED, by="Tom")])
    page = keeper()
    expect(page.get_by_role("button", name="Sugar fed")).to_have_count(0)
    page.locator("#nest-journal tr", has_text="died").get_by_role("button").click()
    page.get_by_role("button", name="Yes, withdraw it").click()
    expect(page.get_by_role("button", name="Sugar fed")).to_be_visible()
    assert "A-01" in room.registry.alive(now_ms)


def test_a_session_that_ended_leads_to_sign_in_and_withdraws_nothing(keeper, room) -> None:
    page = keeper()
    page.locator("#nest-journal tr", has_text="level 80 mL").get_by_role("button").click()
    room.users.set_password(KEEPER, "quite another one", to_ms(room.clock.now()))
    page.get_by_role("button", name="Yes, withdraw it").click()
    page.wait_for_url("**/sign-in?next=*")
    assert [80.0] == levels(room)
    assert ["Failed to load resource: the server responded with a status of 401 (UNAUTHORIZED)"] == keeper.complaints
    keeper.complaints.clear()


@pytest.mark.parametrize(("scheme", "options"), [("light", PHONE), ("dark", {})])
def test_the_list_and_its_question_have_no_violation(keeper, room, scheme, options) -> None:
    room.registry.withdraw_entry(room.registry.latest_entries(2, "A-01")[1][0], "Tom", to_ms(room.clock.now()))
    page = keeper(color_scheme=scheme, **options)
    found = [Axe().run(page, options=RULES).response["violations"]]
    page.locator("#nest-journal tr", has_text="level 80 mL").get_by_role("button").click()
    found.append(Axe().run(page, options=RULES).response["violations"])
    assert [[], []] == found
