"""What only a browser shows: states, letters, colours, a dead server noticed, no other host asked."""

from __future__ import annotations

import json
import re
import socket

import pytest
from browser import serving
from invented_room import InventedRoom, room
from playwright.sync_api import Error
from waiting import wait_until

from dashboard.app import create_app
from dashboard.theme import DARK, LIGHT, contrast
from sensord.clock import SystemClock

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

SCREEN = {"width": 1920, "height": 1080}


@pytest.fixture
def address():
    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, lambda at_ms: room(128, at_ms)), clock)) as found:
        yield found


def watched(browser, **options):
    """A page whose complaints and requests are kept."""
    page = browser.new_page(**{"viewport": SCREEN, **options})
    page.complaints, page.asked = [], []
    page.on(
        "console",
        lambda message: page.complaints.append(message.text) if message.type in {"error", "warning"} else None,
    )
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("request", lambda request: page.asked.append(request.url))
    return page


def seen(page, condition, within_s):
    """Wait for a condition in the page; asked from outside, since its content policy forbids eval inside."""

    def asked():
        try:
            return page.evaluate(condition)
        except Error:  # the page is just being loaded anew
            return False

    wait_until(asked, within_s=within_s, what=condition)


def test_every_page_is_without_complaint_and_asks_nobody_else(browser, address) -> None:
    for path in ("/", "/nest/A-05", "/alarms", "/probes", "/round", "/review?nest=A-05", "/colonies", "/nest/Z-01"):
        page = watched(browser)
        page.goto(address + path, wait_until="networkidle")
        assert [] == page.complaints, path
        assert {address} == {
            re.match(r"\w+://[^/]+", url)[0] for url in page.asked if not url.startswith(("data:", "blob:"))
        }
        page.close()


def test_the_nest_page_draws_its_chart(browser, address) -> None:
    page = watched(browser)
    page.goto(address + "/nest/A-05")
    page.wait_for_selector("#nest-chart .scatterlayer .trace path.js-line")
    assert "A-05" == page.inner_text("h1")
    assert 4 == page.locator("#nest-chart .shapelayer path").count()
    page.get_by_text("week").click()
    seen(page, "document.querySelector('#nest-chart .js-plotly-plot').layout.uirevision === 'A-05/7'", 15)
    assert [] == page.complaints
    page.close()


CAPITALS = """(selector) => {
  const drawing = document.createElement('canvas').getContext('2d');
  return [...document.querySelectorAll(selector)].filter((element) => element.offsetParent).map((element) => {
    const style = getComputedStyle(element);
    drawing.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
    return drawing.measureText('H').actualBoundingBoxAscent;
  });
}"""


def test_letters_are_large_enough_at_1080p_with_128_nests(browser, address) -> None:
    """16 arc minutes at 3 m are 14.0 mm, 50 px of 0.277 mm; at 1 m 4.7 mm, 17 px (24-inch screen at 1920 x 1080)."""
    page = watched(browser)
    page.goto(address, wait_until="networkidle")
    assert 128 == page.locator(".card:visible").count()
    needs = page.evaluate(CAPITALS, ".needs b, .needs span")
    assert len(needs) >= 2
    assert min(needs) >= 50
    assert min(page.evaluate(CAPITALS, ".num, .days")) >= 17
    overflow = page.evaluate("[document.documentElement.scrollHeight, document.documentElement.scrollWidth]")
    assert overflow[0] <= 1080
    assert overflow[1] <= 1920
    cut = page.evaluate(
        "[...document.querySelectorAll('.nums')].filter((one) => one.scrollWidth > one.clientWidth + 1).length"
    )
    assert 0 == cut
    page.close()


@pytest.mark.parametrize("nests", [48, 128])
def test_a_species_name_is_whole_and_beside_the_drawn_tube(browser, nests) -> None:
    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, lambda at_ms: room(nests, at_ms)), clock)) as address:
        page = watched(browser)
        page.goto(address, wait_until="networkidle")
        found = page.evaluate(
            """[...document.querySelectorAll('.card .kin')].map((name) => [name.scrollWidth <= name.clientWidth,
            name.getBoundingClientRect().left >= name.parentElement.querySelector('.nest-drawing').getBoundingClientRect().right - 1])"""
        )
        page.close()
    assert len(found) > nests / 2
    assert {(True, True)} == {tuple(one) for one in found}


def test_letters_grow_as_nests_are_fewer_and_a_thousand_nests_turn_pages(browser) -> None:
    sizes, clock = {}, SystemClock()
    for nests in (12, 48, 1_000):
        source = InventedRoom(clock, lambda at_ms, nests=nests: room(nests, at_ms, racks=min(8, nests // 4)))
        with serving(create_app(source, clock)) as address:
            page = watched(browser)
            page.goto(address, wait_until="networkidle")
            sizes[nests] = min(page.evaluate(CAPITALS, ".num"))
            shown = page.locator(".card:visible").count()
            if nests == 1_000:
                first = page.locator(".card:visible").first.get_attribute("data-nest")
                assert shown < 200
                page.keyboard.press("PageDown")
                assert first != page.locator(".card:visible").first.get_attribute("data-nest")
            else:
                assert nests == shown
            assert [] == page.complaints
            page.close()
    assert sizes[12] > sizes[48] > sizes[1_000] >= 17


@pytest.mark.parametrize(("scheme", "colours"), [("light", LIGHT), ("dark", DARK)])
def test_colours_in_the_browser_are_those_that_were_checked(browser, address, scheme, colours) -> None:
    page = watched(browser, color_scheme=scheme)
    page.goto(address, wait_until="networkidle")
    read = "(one) => { const s = getComputedStyle(document.querySelector(one)); return [s.color, s.backgroundColor]; }"

    def hexed(text):
        return "#" + "".join(f"{int(part):02x}" for part in re.findall(r"\d+", text)[:3])

    for state in ("act", "drift"):
        ink, ground = (hexed(text) for text in page.evaluate(read, f'.card[data-state="{state}"]'))
        assert colours[f"{state}-card"] == ground
        assert contrast(hexed(page.evaluate(read, f'.card[data-state="{state}"] .num')[0]), ground) >= 4.5
        assert contrast(ink, ground) >= 4.5
    assert colours["ground"] == hexed(page.evaluate(read, "body")[1])
    page.close()


def test_each_state_has_a_shape_of_its_own(browser, address) -> None:
    page = watched(browser)
    page.goto(address, wait_until="networkidle")
    shapes = page.evaluate(
        """Object.fromEntries(['ok', 'drift', 'act', 'blind'].map((state) => [state,
        [...new Set([...document.querySelectorAll(`.card[data-state=${state}]`)].map(
          (card) => card.querySelector('.mark use')?.getAttribute('href') ?? 'none'))].sort()]))"""
    )
    assert {
        "ok": ["none"],
        "drift": ["#m-drift-high", "#m-drift-low"],
        "act": ["#m-act"],
        "blind": ["#m-blind"],
    } == shapes
    box = page.locator('.card[data-state="act"] .mark').first.bounding_box()
    assert box["height"] >= 50  # 16 arc minutes at 3 m
    page.close()


def test_a_dead_server_is_noticed_within_30_s_and_its_return_too(browser) -> None:
    """Real time: the notice is the point. The port stays the same, as it does when a station restarts."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    clock = SystemClock()
    app = create_app(InventedRoom(clock, lambda at_ms: room(12, at_ms)), clock)
    page = watched(browser)
    with serving(app, port) as address:
        page.goto(address, wait_until="networkidle")
        assert "" == page.inner_text("#notice")
    seen(page, "document.getElementById('notice').textContent.includes('No contact')", 30)
    box = page.locator("#notice").bounding_box()
    assert box["width"] == SCREEN["width"]
    assert min(page.evaluate(CAPITALS, "#notice")) >= 36
    with serving(app, port):
        seen(page, "document.getElementById('notice').textContent === ''", 15)
        assert "old" not in (page.get_attribute("body", "class") or "").split()
    page.close()


def test_a_page_of_an_older_build_reloads_itself(browser, address) -> None:
    page = watched(browser)
    page.goto(address, wait_until="networkidle")
    page.evaluate("window.stays = true")
    answer = {"build": "another", "mark": "x"}
    page.route(
        "**/wall.json*", lambda route: route.fulfill(body=json.dumps(answer), content_type="application/json"), times=1
    )
    seen(page, "window.stays === undefined", 15)
    page.close()


def test_a_change_reaches_the_wall_without_a_reload(browser) -> None:
    clock, state = SystemClock(), {"dry": False}

    def make(at_ms):
        return room(12, at_ms, troubles=state["dry"])

    with serving(create_app(InventedRoom(clock, make), clock)) as address:
        page = watched(browser)
        page.goto(address, wait_until="networkidle")
        page.evaluate("window.stays = true")
        state["dry"] = True
        wait_until(
            lambda: page.evaluate("document.querySelector('.card[data-nest=\"B-02\"]').dataset.state") == "act",
            within_s=15, what="the dry nest shown",
        )  # fmt: skip
        assert page.evaluate("window.stays")
        page.close()


@pytest.mark.parametrize(("scheme", "colours"), [("light", LIGHT), ("dark", DARK)])
def test_the_nest_page_s_own_controls_can_be_read_in_both_schemes(browser, address, scheme, colours) -> None:
    page = watched(browser, color_scheme=scheme)
    page.goto(address + "/nest/A-05")
    page.wait_for_selector(".windows a")
    found = page.evaluate("getComputedStyle(document.querySelector('.windows a')).color")
    ink = "#" + "".join(f"{int(part):02x}" for part in re.findall(r"\d+", found)[:3])
    assert contrast(ink, colours["ground"]) >= 4.5
    page.close()
