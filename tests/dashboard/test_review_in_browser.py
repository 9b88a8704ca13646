"""Review as a keeper uses it in a browser: taps, progress, search, saving; and the saved report, offline and on paper."""

from __future__ import annotations

import re
import threading

import pypdfium2
import pytest
from browser import serving
from invented_reviews import DEAD, InventedReviews, reviewed
from invented_room import InventedRoom, room
from keeper_room import keeper_room, served, sign_in
from waiting import wait_until

from dashboard.app import create_app
from dashboard.review_snapshot import LossesAsked, ReviewAsked
from sensord.clock import DAY_MS, HOUR_MS, SystemClock, to_ms
from sensord.insight.review_report import html_of
from sensord.model import Nest, NestKind, Place, Placement, Reading, Stage

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

END_MS = 1_775_044_800_000
A4_PT = (595, 842)


@pytest.fixture(scope="module")
def source():
    return InventedRoom(SystemClock(), lambda at_ms: room(24, at_ms))


@pytest.fixture(scope="module")
def address(source):
    with serving(create_app(source, SystemClock())) as found:
        yield found


@pytest.fixture
def page(browser):
    opened = browser.new_page(viewport={"width": 390, "height": 844}, has_touch=True)
    opened.complaints = []
    opened.on("pageerror", lambda error: opened.complaints.append(str(error)))
    opened.on(
        "console", lambda said: opened.complaints.append(said.text) if said.type in {"error", "warning"} else None
    )
    yield opened
    assert [] == opened.complaints
    opened.close()


class Taps:
    """Counts taps."""

    def __init__(self, page) -> None:
        self.page, self.count = page, 0

    def tap(self, selector) -> None:
        self.count += 1
        self.page.locator(selector).first.tap()

    def save(self, selector):
        with self.page.expect_download() as saving:
            self.tap(selector)
        return saving.value


def shown(page, words) -> None:
    wait_until(lambda: words in page.inner_text("main"), within_s=20, what=words)


def test_from_a_dead_nest_to_the_saved_report_in_four_taps_or_fewer(page, address) -> None:
    """Its page is one tap from the wall; there the review is one tap away, and the report one more: three, or four with 'died'."""
    page.goto(address + "/nest/Z-01")
    page.wait_for_selector("a[href^='/review?nest=Z-01']")
    taps = Taps(page)
    taps.tap("a[href^='/review?nest=Z-01']")
    shown(page, "consistent with heat")
    saved = taps.save("text=Save the report")
    assert "review-Z-01.html" == saved.suggested_filename
    assert taps.count + len(("wall to nest", "died")) <= 4


def test_from_the_colonies_to_the_saved_report_in_two_taps(page, address) -> None:
    page.goto(address + "/colonies")
    taps = Taps(page)
    taps.tap("a[href*='/review?nest=Z-01']")
    shown(page, "consistent with heat")
    assert taps.save("text=Save the report").suggested_filename.endswith(".html")
    assert 2 == taps.count


def test_several_deaths_are_ticked_and_seen_together(page, address) -> None:
    page.goto(address + "/review")
    for nest in DEAD:
        page.locator(f"label:has(input[value='{nest}'])").tap()
    page.get_by_text("Look at those ticked together").tap()
    shown(page, "What these 3 have in common")


def test_the_search_leaves_what_was_meant(page, address) -> None:
    page.goto(address + "/review")
    page.locator("#search").fill("b-03")
    wait_until(lambda: 1 == page.locator(".choices li:visible").count(), within_s=5, what="one row")
    assert "B-03" in page.inner_text(".choices li:visible")


def test_the_page_says_what_it_does_and_shows_the_answer_by_itself(page) -> None:
    go_on = threading.Event()

    class Slow(InventedReviews):
        def answer(self, asked, say):
            say("Reading the air of Z-01 and its siblings")
            assert go_on.wait(60)
            return super().answer(asked, lambda words: None)

    source = InventedRoom(SystemClock(), lambda at_ms: room(3, at_ms))
    source.reviews = Slow(source)
    with serving(create_app(source, SystemClock())) as address:
        try:
            page.goto(address + "/review?nest=Z-01")
            shown(page, "Reading the air of Z-01 and its siblings")
            wait_until(lambda: "(1 s)" in page.inner_text("main"), within_s=10, what="seconds that count")
        finally:
            go_on.set()
        shown(page, "consistent with heat")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A report of three deaths over a month, as saved."""
    file = tmp_path_factory.mktemp("report") / "three.html"
    found = [reviewed(name, END_MS, 30, END_MS) for name in DEAD]
    file.write_text(html_of(found, room="Cellar"), encoding="utf-8")
    return file


def offline(browser, file):
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.asked = []
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(file.as_uri())
    return context, page


def test_the_report_is_complete_with_the_network_cut(browser, report) -> None:
    """It asks nobody for anything, draws every figure, and hands out its data."""
    context, page = offline(browser, report)
    assert [report.as_uri()] == page.asked
    figures = page.locator("figure svg")
    assert 12 == figures.count()  # three places and the water, of three nests
    for number in range(12):
        box = figures.nth(number).bounding_box()
        assert box["height"] > 100
        assert figures.nth(number).locator(".own").first.get_attribute("d").count("L") > 20
    with page.expect_download() as saving:
        page.get_by_text("Hour by hour as CSV").click()
    rows = saving.value.path().read_text(encoding="utf-8").splitlines()
    assert 3 * 3 * 30 * 24 + 1 == len(rows)
    context.close()


def pages_of(browser, file) -> list[str]:
    """The words on each page of paper."""
    context, page = offline(browser, file)
    with pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True)) as printed:
        context.close()
        assert {A4_PT} == {tuple(round(edge) for edge in one.get_size()) for one in printed}
        return [" ".join(one.get_textpage().get_text_range().split()) for one in printed]


def cut(pages) -> list[str]:
    """Figures whose first words and caption stand on different pages: the caption follows the lanes that end a figure."""
    found = []
    for number, words in enumerate(pages):
        for place in ("Wet end", "Outworld", "Room"):
            heads = words.count(f"{place}: Temperature"), words.count(f"{place}: Relative humidity")
            probe = {"Wet end": "Probe hub-a/z-01.", "Outworld": "Probe hub-a/z-01-out.", "Room": "Probe hub-a/room."}[
                place
            ]
            if {*heads, words.count(probe)} != {heads[0]}:
                found.append(f"page {number + 1}: {place}")
        if words.count("Wetness of the cotton, 0 to 1") != words.count("Wetness compares vapour"):
            found.append(f"page {number + 1}: water")
    return found


def test_no_figure_is_cut_on_paper(browser, report, tmp_path) -> None:
    """On A4 every figure stands on one page from its first word to its caption.

    A drawing is never cut by itself, its caption may be: with captions set far below, the rule still keeps them together,
    and without the rule they would be cut off, which shows that the test sees it.
    """
    pages = pages_of(browser, report)
    assert 9 == sum(words.count("Relative humidity, %") for words in pages)
    assert [] == cut(pages)
    text = report.read_text(encoding="utf-8").replace("</style>", "figcaption{margin-top:140mm}</style>")
    far, loose = tmp_path / "far.html", tmp_path / "loose.html"
    far.write_text(text, encoding="utf-8")
    loose.write_text(text.replace("figure{margin:1em 0;break-inside:avoid}", ""), encoding="utf-8")
    assert [] == cut(pages_of(browser, far))
    assert cut(pages_of(browser, loose))


def test_losses_are_saved_whole_too(browser, source, tmp_path) -> None:
    """The file of losses asks nobody, and its curves stand on one page with their caption."""
    file = tmp_path / "losses.html"
    file.write_text(source.reviews.answer(LossesAsked(), lambda words: None).document, encoding="utf-8")
    context, page = offline(browser, file)
    assert [file.as_uri()] == page.asked
    assert page.locator("figure svg .own").count() == 7
    context.close()
    pages = pages_of(browser, file)
    assert [words.count("Rack G (") for words in pages] == [words.count("Share surviving") for words in pages]


def test_nothing_is_wider_than_the_paper(browser, report) -> None:
    """In print no element sticks out of the 180 mm between the margins."""
    context, page = offline(browser, report)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": round(180 / 25.4 * 96), "height": 1000})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    context.close()


def test_losses_and_review_are_there_on_a_small_screen_without_sideways_scrolling(page, address) -> None:
    for path in ("/review", "/review?nest=Z-01", "/review?nest=Z-01&beside=A-01", "/losses"):
        page.goto(address + path)
        page.wait_for_selector("main h2")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


def test_the_invented_answer_is_a_real_review(source) -> None:
    """What these tests look at was weighed by the product, not written by hand."""
    told = source.reviews.answer(ReviewAsked(("Z-01",)), lambda words: None)
    assert re.search(r"\d+ h too hot, worst 39\.5 °C", told.article)


def test_from_found_dead_to_the_report_in_four_taps(page, tmp_path, clock) -> None:
    """A new user on a phone, signed in, at the wall of a real station: nest, died, yes, and the report is there."""
    kept = keeper_room(tmp_path, clock)
    now_ms = to_ms(clock.now())
    names = [f"A-{n}" for n in range(1, 7)]
    first_ms = now_ms - 20 * DAY_MS
    kept.registry.put_nests(
        [Nest(name, NestKind.TUBE, "ant room", "A", "Lasius niger", "", Stage.FOUNDING, first_ms) for name in names]
    )
    kept.registry.put_placements(
        [Placement(f"hub-a/{n.lower()}", n, "ant room", Place.WET_END, first_ms) for n in names]
    )
    kept.store.write([
        Reading(f"hub-a/{name.lower()}", first_ms + hour * HOUR_MS, 39.0 + hour % 3 / 10 if hot else 23.0 + hour % 5 / 10,
                80.0 + hour % 7 / 10)
        for name in names for hour in range(20 * 24) if (hot := name == "A-3" and hour > 20 * 24 - 40) is not None
    ])  # fmt: skip
    with served(kept) as address:
        sign_in(page, kept, address)
        page.goto(address + "/")
        taps = Taps(page)
        taps.tap("[data-nest='A-3']")
        page.wait_for_selector("details.died summary")
        taps.tap("details.died summary")
        taps.tap("details.died button")
        page.wait_for_selector("a[href^='/review?nest=A-3']")
        taps.tap("a[href^='/review?nest=A-3']")
        shown(page, "A-3: consistent with heat")
        assert page.locator("figure svg").count() >= 1
    assert taps.count <= 4
