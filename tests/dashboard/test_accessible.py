"""WCAG 2.2 A and AA as axe-core checks it, over every page, light and dark, on the wall's screen and on a phone."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import serving
from invented_room import DEAD, InventedRoom, room

from dashboard.app import create_app
from sensord.clock import SystemClock

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], "resultTypes": ["violations"]}
PATHS = (
    "/",
    "/round",
    "/alarms",
    "/probes",
    "/colonies",
    f"/review?nest={DEAD}",
    "/nest/A-05",
    f"/nest/{DEAD}",
    "/none",
)


@pytest.fixture(scope="module")
def address():
    clock = SystemClock()
    with serving(create_app(InventedRoom(clock, lambda at_ms: room(48, at_ms)), clock)) as found:
        yield found


def violations(page) -> list[str]:
    """What axe-core finds, one line an element."""
    found = Axe().run(page, options=RULES).response
    assert found["testEngine"]["version"].startswith("4.")
    return [
        f"{one['id']}: {' '.join(node['target'])}: {node['failureSummary']}"
        for one in found["violations"]
        for node in one["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", [(1920, 1080), (390, 844)], ids=["wall", "phone"])
def test_no_page_has_a_violation(browser, address, scheme, screen) -> None:
    page = browser.new_page(viewport={"width": screen[0], "height": screen[1]}, color_scheme=scheme)
    found = {}
    for path in PATHS:
        page.goto(address + path, wait_until="networkidle")
        if path.startswith("/nest/"):
            page.wait_for_selector("#nest-facts small")
        found[path] = violations(page)
    page.close()
    assert {path: [] for path in PATHS} == found


def test_a_violation_would_be_found(browser, address) -> None:
    """The check itself: pale words and a nameless button on the page are seen."""
    page = browser.new_page()
    page.goto(address + "/alarms")
    page.evaluate("document.querySelector('main').innerHTML = '<h1>x</h1><button></button>'")
    assert any(line.startswith("button-name") for line in violations(page))
    page.close()
