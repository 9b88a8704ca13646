"""WCAG 2.2 A and AA as axe-core checks it, over the pages of review and losses and over a saved report."""

from __future__ import annotations

import threading

import pytest
from browser import serving
from invented_reviews import InventedReviews, reviewed
from invented_room import InventedRoom, room
from test_accessible import violations

from dashboard.app import create_app
from sensord.clock import SystemClock
from sensord.insight.review_report import html_of

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PATHS = (
    "/review", "/review?nest=Z-01", "/review?nest=Z-01&nest=Z-02", "/review?nest=Z-01&beside=A-01", "/losses",
    "/review?nest=Z-99", "/review?nest=Z-03",
)  # fmt: skip
END_MS = 1_775_044_800_000


class OneIsSlow(InventedReviews):
    """The review of Z-03 is never ready, so that the page of an answer in the making is looked at too."""

    def __init__(self, room_) -> None:
        super().__init__(room_)
        self.end = threading.Event()

    def answer(self, asked, say):
        if getattr(asked, "nests", ()) == ("Z-03",):
            say("Reading the air of Z-03 and its siblings")
            self.end.wait(240)
        return super().answer(asked, say)


@pytest.fixture(scope="module")
def address():
    clock = SystemClock()
    source = InventedRoom(clock, lambda at_ms: room(24, at_ms))
    source.reviews = OneIsSlow(source)
    with serving(create_app(source, clock)) as found:
        yield found
        source.reviews.end.set()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", [(1920, 1080), (390, 844)], ids=["wall", "phone"])
def test_no_page_of_review_or_losses_has_a_violation(browser, address, scheme, screen) -> None:
    page = browser.new_page(viewport={"width": screen[0], "height": screen[1]}, color_scheme=scheme)
    found = {}
    for path in PATHS:
        page.goto(address + path)
        page.wait_for_selector(
            "#working" if path.endswith("Z-03") else "main .review, main .choose, main [role=alert]", state="attached"
        )
        found[path] = violations(page)
    page.close()
    assert {path: [] for path in PATHS} == found


def test_a_saved_report_has_no_violation(browser, tmp_path) -> None:
    """Somebody with a screen reader can read it years later."""
    file = tmp_path / "report.html"
    file.write_text(html_of([reviewed("Z-01", END_MS, 30, END_MS)], room="Cellar"), encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    assert [] == violations(page)
    page.close()
