"""The nest page in a keeper's hands: real Chromium, a real database, a signed-in session."""

from __future__ import annotations

import math

import pytest
from axe_playwright_python.sync_playwright import Axe
from keeper_room import KEEPER, PASSWORD, keeper_room, served, sign_in
from playwright.sync_api import expect
from waiting import wait_until

from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Stage

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PHONE = {"width": 390, "height": 844}
TABLET = {"width": 1180, "height": 820}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], "resultTypes": ["violations"]}
ANSWERS = "**/_dash-update-component**"
RANGE = "document.querySelector('#nest-chart .js-plotly-plot')._fullLayout.xaxis.range.map(String)"
NEWEST = "Number(document.querySelector('#nest-chart .js-plotly-plot').layout.shapes.at(-1).x1.replace(/\\D/g, ''))"
POINTS = """(() => { const plot = document.querySelector('#nest-chart .js-plotly-plot');
const [from, until] = plot._fullLayout.xaxis.range.map((each) => String(each).replace(' ', 'T'));
return plot.data.find((one) => one.name === 'humidity').x.filter((at) => at >= from && at <= until).length; })()"""


@pytest.fixture
def room(tmp_path, clock):
    """Two tubes and a formicarium with eight days of readings every ten minutes, and a room probe."""
    made = keeper_room(tmp_path, clock)
    now_ms = to_ms(clock.now())
    made.registry.put_nests(
        [
            Nest(name, kind, "ant room", "A", "Lasius niger", stage=Stage.FOUNDING, reservoir_ml=8)
            for name, kind in (("T-1", NestKind.TUBE), ("T-2", NestKind.TUBE), ("F-1", NestKind.FORMICARIUM))
        ]
    )
    made.registry.put_placements(
        [Placement(f"hub/{name.lower()}", name, "ant room", Place.WET_END, 0) for name in ("T-1", "T-2")]
        + [Placement("hub/room", None, "ant room", Place.ROOM, 0)]
    )
    made.registry.add_entries([Entry(now_ms - 6 * DAY_MS, "T-1", EntryKind.FILL, 8.0, "mL", by=KEEPER)])
    for probe, level in (("hub/t-1", 72.0), ("hub/t-2", 75.0), ("hub/room", 45.0)):
        made.store.write_rows(
            [
                (probe, at_ms, 24 + math.sin(at_ms / DAY_MS * 6.28), level + 3 * math.sin(at_ms / HOUR_MS))
                for at_ms in range(now_ms - 8 * DAY_MS, now_ms, 10 * MINUTE_MS)
            ]
        )
    return made


@pytest.fixture
def keeper(browser, room):
    """Opens a page of the signed-in keeper; complaints, and requests to any other host, fail the test at the end."""
    complaints, contexts = [], []
    with served(room) as address:

        def open_page(path, *, signed_in=True, drawn=True, **options):
            context = browser.new_context(**{"viewport": PHONE, **options})
            contexts.append(context)
            page = context.new_page()
            page.on("console", lambda said: complaints.append(said.text) if said.type in {"error", "warning"} else None)
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.on(
                "request",
                lambda asked: (
                    None if asked.url.startswith((address, "data:", "blob:")) else complaints.append(asked.url)
                ),
            )
            if signed_in:
                sign_in(page, room, address)
            page.goto(address + path)
            if drawn:
                page.wait_for_selector("#nest-chart .trace path.js-line")
                page.wait_for_selector("#nest-facts small")
            return page

        open_page.complaints = complaints
        yield open_page
        for context in contexts:
            context.close()
    assert [] == complaints


def written(room, nest="T-1"):
    """What the journal of a nest holds beside its first fill."""
    return [(str(one.kind), one.amount, one.note, one.by) for one in room.registry.entries(nest=nest)][
        1 if nest == "T-1" else 0 :
    ]


def test_one_tap_writes_says_so_and_is_taken_back_by_one_more(keeper, room) -> None:
    page = keeper("/nest/T-1#entries")
    page.get_by_role("button", name="Sugar fed").click()
    expect(page.locator("#said")).to_contain_text(f"feed sugar, {KEEPER}")
    assert [("feed_sugar", None, "", KEEPER)] == written(room)
    expect(page.locator("#nest-journal")).to_contain_text("feed sugar")  # at once, without a reload
    expect(page.locator("#nest-journal")).to_contain_text(KEEPER)
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#said")).to_contain_text("Taken back")
    assert [] == written(room)
    expect(page.locator("#nest-journal")).not_to_contain_text("feed sugar")


def test_amounts_and_notes_stand_beside_their_buttons(keeper, room) -> None:
    page = keeper("/nest/T-1", drawn=False)
    page.get_by_role("button", name="Filled").click()
    expect(page.locator("#said")).to_contain_text("fill 8 mL")  # the reservoir's own, unless changed
    page.get_by_label("workers").fill("23")
    page.get_by_role("button", name="Counted").click()
    expect(page.locator("#said")).to_contain_text("count 23 workers")
    page.get_by_label("Note").fill("<b>eggs</b> seen")
    page.get_by_role("button", name="Write the note").click()
    expect(page.locator("#said p").first).to_contain_text("note")
    assert [
        ("fill", 8.0, "", KEEPER),
        ("count", 23.0, "", KEEPER),
        ("note", None, "<b>eggs</b> seen", KEEPER),
    ] == written(room)
    assert 0 == page.locator("#said b").count()


def test_a_death_is_asked_about_first(keeper, room) -> None:
    page = keeper("/nest/T-2", drawn=False)
    page.get_by_text("Died …").click()
    expect(page.get_by_text("Is the colony of T-2 dead?")).to_be_visible()
    assert [] == written(room, "T-2")
    page.get_by_role("button", name="Yes, it died").click()
    expect(page.locator("#said")).to_contain_text("died")
    assert "T-2" not in room.registry.alive(to_ms(room.clock.now()))
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#said")).to_contain_text("Taken back")
    assert "T-2" in room.registry.alive(to_ms(room.clock.now()))


def test_a_refused_entry_says_why_and_stays_in_its_field(keeper, room) -> None:
    page = keeper("/nest/T-1", drawn=False)
    page.get_by_label("added").fill("99999")
    with page.expect_response("**/write/entries") as answer:
        page.get_by_role("button", name="Topped up").click()
    assert 400 == answer.value.status
    expect(page.locator("#notice")).to_contain_text("allowed for top_up")
    assert "99999" == page.get_by_label("added").input_value()
    assert [] == written(room)
    keeper.complaints[:] = [line for line in keeper.complaints if "400" not in line]  # Chromium logs the refused answer


def place(page, share):
    """Where on the screen the drawn column ends when so much of it is left."""
    box = page.locator("#level svg").bounding_box()
    scale = box["width"] / 188
    return box["x"] + (4 + 84 * (1 - share)) * scale, box["y"] + box["height"] / 2


def test_the_column_is_dragged_to_what_the_eye_sees_and_written_by_a_second_tap(keeper, room) -> None:
    page = keeper("/nest/T-1", drawn=False)
    page.mouse.move(*place(page, 1.0))
    page.mouse.down()
    page.mouse.move(*place(page, 0.8))
    expect(page.locator("#level-says")).to_have_text("6.4 mL left")
    page.mouse.move(*place(page, 0.5))
    page.mouse.up()
    assert "4.0" == page.get_attribute("#level", "aria-valuenow")
    assert "4.0 mL left" == page.get_attribute("#level", "aria-valuetext")
    column = page.locator("#level .water").bounding_box()
    assert pytest.approx(place(page, 0.5)[0], abs=1.5) == column["x"]
    assert [] == written(room)  # a brush of the hand writes nothing
    page.get_by_role("button", name="Write 4.0 mL").click()
    expect(page.locator("#said")).to_contain_text("level 4 mL")
    assert [("level", 4.0, "", KEEPER)] == written(room)
    expect(page.locator("#level-write")).to_be_hidden()
    page.mouse.move(*place(page, 0.5))
    page.mouse.down()
    page.mouse.move(*place(page, 0.1))
    page.mouse.up()
    page.get_by_role("button", name="Put it back").click()
    assert "4.0" == page.get_attribute("#level", "aria-valuenow")


def test_the_column_is_set_by_keys(keeper, room) -> None:
    """As WAI-ARIA Authoring Practices 1.2 have it for a slider: arrows a step, page keys a larger one, Home and End the ends."""
    page = keeper("/nest/T-1", drawn=False)
    level = page.get_by_role("slider", name="Water left in the tube")
    assert ("0", "8") == (level.get_attribute("aria-valuemin"), level.get_attribute("aria-valuemax"))
    level.focus()

    def after(*keys):
        for key in keys:
            page.keyboard.press(key)
        return level.get_attribute("aria-valuenow")

    assert "0.0" == after("Home")
    assert "0.0" == after("ArrowLeft")
    assert "0.2" == after("ArrowRight", "ArrowUp")
    assert "1.2" == after("PageUp")
    assert "8.0" == after("End")
    assert "7.0" == after("PageDown")
    assert "6.9" == after("ArrowDown")
    assert "8.0" == after("Escape")
    after("Enter")
    assert [] == written(room)  # nothing had changed
    after("Home", "PageUp", "Enter")
    expect(page.locator("#said")).to_contain_text("level 1 mL")
    assert [("level", 1.0, "", KEEPER)] == written(room)


def test_the_column_follows_a_finger(keeper) -> None:
    page = keeper("/nest/T-1", drawn=False, has_touch=True, is_mobile=True)
    hand = page.context.new_cdp_session(page)

    def touch(kind, *points):
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in points]})

    touch("touchStart", place(page, 0.9))
    for share in (0.8, 0.6, 0.4, 0.25):
        touch("touchMove", place(page, share))
    expect(page.locator("#level-says")).to_have_text("2.0 mL left")
    touch("touchEnd")
    expect(page.get_by_role("button", name="Write 2.0 mL")).to_be_visible()


def test_a_formicarium_has_a_plain_field_for_its_level(keeper, room) -> None:
    page = keeper("/nest/F-1", drawn=False)
    assert 0 == page.locator("#level").count()
    page.get_by_label("left").fill("3,5" if page.evaluate("navigator.language").startswith("de") else "3.5")
    page.get_by_role("button", name="Level read").click()
    expect(page.locator("#said")).to_contain_text("level 3.5 mL")
    assert [("level", 3.5, "", KEEPER)] == written(room, "F-1")


def test_on_a_phone_entries_come_first_and_are_large_enough_for_a_thumb(keeper) -> None:
    """44 px: common practice for touch, beyond the 24 px of WCAG 2.2, 2.5.8."""
    page = keeper("/nest/T-1#entries")
    assert page.locator("#entries").bounding_box()["y"] < page.locator("#nest-chart").bounding_box()["y"]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    for target in page.locator("#entries button:visible, #entries input:visible, #entries summary, #level").all():
        box = target.bounding_box()
        assert box["height"] >= 44, target.inner_text()
        assert box["width"] >= 44, target.inner_text()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= PHONE["width"]


def test_a_visitor_signs_in_and_is_back_at_the_entries(keeper, room) -> None:
    page = keeper("/nest/T-1", signed_in=False)
    assert 0 == page.locator("#entries button").count()
    page.get_by_role("link", name="Sign in to write").click()
    page.get_by_label("Name").fill(KEEPER)
    page.get_by_label("Password").fill(PASSWORD)
    page.locator("main button").click()
    page.wait_for_url("**/nest/T-1#entries")
    page.get_by_role("button", name="Protein fed").click()
    expect(page.locator("#said")).to_contain_text("feed protein")
    assert [("feed_protein", None, "", KEEPER)] == written(room)


def zoom_in(page):
    """A third of the chart, by the mouse."""
    box = page.locator("#nest-chart .nsewdrag").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.3, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] / 2, steps=5)
    page.mouse.up()


def test_zoom_stays_while_data_refresh_and_reads_finer(keeper, room) -> None:
    """A week is drawn from hourly steps; a stretch of it that is zoomed into, from its readings every ten minutes."""
    page = keeper("/nest/T-1?days=7", viewport=TABLET)
    whole = page.evaluate(RANGE)
    with page.expect_response(ANSWERS):
        zoom_in(page)
    wait_until(lambda: page.evaluate(RANGE) != whole, within_s=10, what="zoomed in")
    seen = page.evaluate(RANGE)
    assert whole[0] < seen[0] < seen[1] < whole[1]
    hours = 0.2 * 7 * 24
    wait_until(lambda: page.evaluate(POINTS) > 4 * hours, within_s=10, what="finer readings in the zoomed stretch")
    for turn in (1, 2):
        room.clock.advance(600)  # the window moves on, the reader's stretch does not
        drawn = page.evaluate(NEWEST)
        page.evaluate(f"dash_clientside.set_props('nest-written', {{data: {turn}}})")
        wait_until(lambda drawn=drawn: page.evaluate(NEWEST) > drawn, within_s=10, what="the window moved on")
    assert seen == page.evaluate(RANGE)
    page.get_by_role("button", name="Whole stretch again").click()
    wait_until(lambda: page.evaluate(RANGE)[1] > whole[1], within_s=10, what="the whole week again")
    expect(page.get_by_role("button", name="Whole stretch again")).to_be_hidden()


def test_a_finger_that_drags_on_the_chart_scrolls_the_page_and_a_tap_tells_the_values(keeper) -> None:
    page = keeper("/nest/T-1", has_touch=True, is_mobile=True)
    page.wait_for_function(f"{POINTS} > 100")
    plot = page.locator("#nest-chart .nsewdrag").first
    plot.scroll_into_view_if_needed()
    box, before, top = plot.bounding_box(), page.evaluate(RANGE), page.evaluate("scrollY")
    hand, x, y = page.context.new_cdp_session(page), box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    hand.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for up in range(15, 151, 15):
        hand.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": y - up}]})
    hand.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    wait_until(lambda: page.evaluate("scrollY") > top + 100, within_s=10, what="the page scrolls")
    assert page.evaluate(RANGE) == before
    plot.scroll_into_view_if_needed()
    page.touchscreen.tap(x, plot.bounding_box()["y"] + 20)
    expect(page.locator("#nest-chart .hoverlayer text").first).to_be_visible()


def test_another_window_is_a_link_and_lets_the_zoom_go(keeper) -> None:
    page = keeper("/nest/T-1?days=7", viewport=TABLET)
    zoom_in(page)
    page.get_by_role("link", name="6 hours").click()
    wait_until(lambda: "hours=6" in page.url, within_s=5, what="the address of six hours")
    hours_6 = f"(new Date({RANGE}[1]) - new Date({RANGE}[0])) / 3600000"
    wait_until(lambda: abs(page.evaluate(hours_6) - 6) < 0.01, within_s=10, what="six hours on show")


def test_dew_point_and_deficit_are_drawn_on_demand(keeper) -> None:
    page = keeper("/nest/T-1", viewport=TABLET)
    names = "document.querySelector('#nest-chart .js-plotly-plot').data.map((one) => one.name)"
    assert "dew point" not in page.evaluate(names)
    assert {"wetness of the cotton", "humidity, siblings"} <= set(page.evaluate(names))
    page.get_by_role("link", name="Show dew point and vapour pressure deficit").click()
    wait_until(lambda: "dew point" in page.evaluate(names), within_s=10, what="the dew point drawn")
    page.get_by_role("link", name="Hide siblings").click()
    wait_until(lambda: "humidity, siblings" not in page.evaluate(names), within_s=10, what="siblings gone")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", [PHONE, TABLET], ids=["phone", "tablet"])
def test_the_page_of_who_may_write_has_no_violation(keeper, scheme, screen) -> None:
    """WCAG 2.2 A and AA by axe-core, with something said, the question of death open and the table unfolded."""
    page = keeper("/nest/T-1?days=7", viewport=screen, color_scheme=scheme)
    page.get_by_role("button", name="Sugar fed").click()
    expect(page.locator("#said button")).to_be_visible()
    page.get_by_text("Died …").click()
    page.get_by_text("Day by day as a table").click()
    page.locator("#level").focus()
    page.keyboard.press("PageDown")
    found = Axe().run(page, options=RULES).response["violations"]
    assert [] == [f"{one['id']}: {node['target']}: {node['failureSummary']}" for one in found for node in one["nodes"]]
