"""What only a browser shows: states, letters, colours, a dead server noticed, no other host asked."""

from __future__ import annotations

import dataclasses
import json
import re
import socket

import pytest
from browser import serving
from invented_room import InventedRoom, nest_now, room
from playwright.sync_api import Error
from waiting import wait_until

from dashboard.app import create_app
from dashboard.snapshot import HubNow
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
    for path in (
        "/",
        "/nest/A-05",
        "/alarms",
        "/probes",
        "/round",
        "/review?nest=A-05",
        "/colonies",
        "/nest/Z-01",
        "/placements",
        "/labels",
    ):
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
    seen(page, "document.querySelector('#nest-chart .js-plotly-plot').layout.uirevision === 'A-05/days=7/0'", 15)
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
    assert max(overflowing(page)) <= 0
    page.close()


CUT_OFF = """(() => {
  const cut = (element) => getComputedStyle(element).overflowX !== 'visible' && element.offsetParent && !element.closest('.scroll, pre')
    && (element.scrollWidth > element.clientWidth + 1);
  const inside = (element) => { const box = element.getBoundingClientRect(), card = element.closest('.card').getBoundingClientRect();
    return !box.width || (box.left >= card.left - 1 && box.right <= card.right + 1 && box.top >= card.top - 1.5 && box.bottom <= card.bottom + 1.5); };
  const named = (element) => `${element.className}: ${element.textContent}`;
  return [...document.querySelectorAll('body *')].filter(cut).map(named).concat(
    [...document.querySelectorAll('.card *')].filter((element) => element.offsetParent && !inside(element)).map(named));
})()"""
"""What is cut off by an element that hides its overflow, and what sticks out of its card."""


def overflowing(page) -> list[int]:
    """How far the page is longer and wider than its screen."""
    return page.evaluate(
        "[document.documentElement.scrollHeight - innerHeight, document.documentElement.scrollWidth - innerWidth]"
    )


@pytest.mark.parametrize("screen", [(1920, 1080), (1180, 820), (390, 844)], ids=["wall", "tablet", "phone"])
@pytest.mark.parametrize("nests", [5, 54, 128, 300])
def test_no_word_on_the_wall_is_cut_off(browser, nests, screen) -> None:
    """Nor at 100 % and twelve degrees below zero, for species with the longest names."""

    def make(at_ms):
        made = room(nests, at_ms, racks=min(8, max(1, nests // 4)))
        wet = nest_now("Z-1", at_ms, rack="Rack A", rh=100.0, temp=-12.4, species="Acromyrmex octospinosus", days=1.0)
        return dataclasses.replace(made, nests=(*made.nests[1:], wet))

    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, make), clock)) as address:
        page = watched(browser, viewport={"width": screen[0], "height": screen[1]})
        page.goto(address, wait_until="networkidle")
        cut, (_, wider) = page.evaluate(CUT_OFF), overflowing(page)
        page.close()
    assert [] == cut
    assert wider <= 0


@pytest.mark.parametrize("screen", [(1920, 1080), (1024, 768), (390, 844)], ids=["wall", "tablet", "phone"])
def test_a_long_name_of_a_rack_fits_its_one_shelf(browser, screen) -> None:
    """Its whole name is read, in smaller letters or two lines, and makes its shelf no higher."""
    racks = ("Larch", "window side", "Rack 1", "Rack 2", "Rack 3")

    def make(at_ms):
        made = room(55, at_ms, racks=5)
        nests = [
            dataclasses.replace(one, nest=dataclasses.replace(one.nest, room="wine cooler", rack=racks[number // 11]))
            for number, one in enumerate(made.nests)
        ]
        alone = dataclasses.replace(nests[-1], nest=dataclasses.replace(nests[-1].nest, room="cellar", rack="Larch"))
        return dataclasses.replace(made, nests=(*nests[:-1], alone))

    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, make), clock)) as address:
        page = watched(browser, viewport={"width": screen[0], "height": screen[1]})
        page.goto(address, wait_until="networkidle")
        racks_seen = page.evaluate(TITLES)
        page.close()
    assert len(racks_seen) == 6
    for name, longer, wider, shelf in racks_seen:
        assert (longer <= 0, wider <= 0) == (True, True), name
        assert shelf <= 4 or screen[0] > 900, name  # elsewhere a neighbour may make its row higher


TITLES = """[...document.querySelectorAll('.rack')].map((rack) => {
  const title = rack.querySelector('h2'), cards = [...rack.querySelectorAll('.card')];
  return [title.textContent, title.scrollHeight - title.clientHeight, title.scrollWidth - title.clientWidth,
    rack.getBoundingClientRect().bottom - Math.max(...cards.map((card) => card.getBoundingClientRect().bottom))];
})"""
"""Of each rack its name, by how much that is too long and too wide, and how much higher the rack is than its cards."""


@pytest.mark.parametrize("racks", [3, 7, 8, 16, 30])
@pytest.mark.parametrize("down", [False, True], ids=["all run", "hub down"])
def test_128_nests_fit_one_screen_on_however_many_racks(browser, racks, down) -> None:
    """Shelves of their own, side by side or all in one run: numbers stay 17 px high, marks 50, and nothing is turned."""

    def make(at_ms):
        made = room(128, at_ms)
        nests = tuple(
            dataclasses.replace(one, nest=dataclasses.replace(one.nest, rack=f"Rack {number * racks // 128}"))
            for number, one in enumerate(made.nests)
        )
        hubs = (HubNow("hub-a", "down", at_ms), *made.hubs[1:]) if down else made.hubs
        return dataclasses.replace(made, nests=nests, hubs=hubs)

    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, make), clock)) as address:
        page = watched(browser)
        page.goto(address, wait_until="networkidle")
        assert 128 == page.locator(".card:visible").count()
        assert max(overflowing(page)) <= 0
        assert min(page.evaluate(CAPITALS, ".num, .days")) >= 17
        assert min(page.evaluate(MARKS)) >= 50
        assert min(page.evaluate(CAPITALS, ".needs b, .needs span")) >= 50
        page.close()


MARKS = """[...document.querySelectorAll('.card:not([data-state=ok]) .mark')].map((mark) => {
  const box = mark.getBoundingClientRect();
  return Math.min(box.height, box.width * 56 / 26);
})"""
"""How high each mark is drawn: it keeps its shape, so that its box alone does not tell."""


def test_the_species_is_short_on_the_card_and_whole_in_its_title(browser, address) -> None:
    page = watched(browser)
    page.goto(address, wait_until="networkidle")
    card = page.locator('.card[data-nest="A-05"]')
    assert "C. nicobarensis" == card.locator(".kin").inner_text()
    assert "Camponotus nicobarensis" == card.get_attribute("title")
    assert "Camponotus nicobarensis" in card.get_attribute("aria-label")
    page.close()


def test_the_shorter_the_column_of_a_nest_that_is_due_the_longer_the_bar_that_calls(browser) -> None:
    """All columns are drawn on one length and stand at the cotton; what is gone is filled once the water is low."""
    days = {"A-1": 40.0, "A-2": 12.0, "A-3": 6.0, "A-4": 1.0}

    def make(at_ms):
        return dataclasses.replace(
            room(1, at_ms), nests=tuple(nest_now(name, at_ms, days=left) for name, left in days.items())
        )

    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, make), clock)) as address:
        page = watched(browser)
        page.goto(address, wait_until="networkidle")
        drawn = page.evaluate(
            """[...document.querySelectorAll('.card')].map((card) => ['.water', '[class^=gone]'].map((part) => {
            const found = card.querySelector(part), glass = card.querySelector('.glass').getBoundingClientRect();
            return found ? found.getBoundingClientRect().width / glass.width : 0; }))"""
        )
        page.close()
    water, gone = zip(*drawn, strict=True)
    assert list(water) == sorted(water, reverse=True)
    assert 0 == gone[0] == gone[1] < gone[2] < gone[3]
    assert 0.44 < water[0] < 0.48
    assert water[3] < 0.03


def test_letters_grow_as_nests_are_fewer_and_a_thousand_nests_turn_pages(browser) -> None:
    """Every nest is on exactly one page, under the name of its rack."""
    sizes, clock = {}, SystemClock()
    for nests in (5, 12, 48, 128, 1_000):
        source = InventedRoom(clock, lambda at_ms, nests=nests: room(nests, at_ms, racks=min(8, max(1, nests // 4))))
        with serving(create_app(source, clock)) as address:
            page = watched(browser)
            page.goto(address, wait_until="networkidle")
            sizes[nests] = min(page.evaluate(CAPITALS, ".num"))
            if nests < 1_000:
                assert nests == page.locator(".card:visible").count()
            else:
                on_pages = pages_of(page)
                assert len(on_pages) <= 9
                assert 1_000 == sum(len(cards) for cards, _ in on_pages)
                assert 1_000 == len({card for cards, _ in on_pages for card in cards})
                for cards, racks in on_pages:
                    assert {card[0] for card in cards} == {rack[-1] for rack in racks}
            assert [] == page.complaints
            page.close()
    assert sizes[5] > sizes[12] > sizes[48] > sizes[128] >= 17
    assert sizes[1_000] >= 17


def pages_of(page) -> list[tuple[list[str], list[str]]]:
    """Names of the nests and racks on each page that is turned, by the keyboard."""
    found = []
    for _ in range(int(page.inner_text("#pager").split("/")[1])):
        assert max(overflowing(page)) <= 0
        cards = page.evaluate(
            "[...document.querySelectorAll('.card')].filter((one) => one.offsetParent).map((one) => one.dataset.nest)"
        )
        racks = page.evaluate(
            "[...document.querySelectorAll('h2')].filter((one) => one.offsetParent).map((one) => one.textContent)"
        )
        found.append((cards, racks))
        page.keyboard.press("PageDown")
    return found


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
    assert min(page.evaluate(MARKS)) >= 50  # 16 arc minutes at 3 m
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
