"""WCAG 2.2 A and AA by axe-core over the grids, labels and probes, signed in and not, also while a cell is edited or bad."""

from __future__ import annotations

import pytest
from keeper_room import keeper_room, served, sign_in
from playwright.sync_api import expect
from test_accessible import violations

from sensord.clock import DAY_MS, to_ms
from sensord.model import Nest, NestKind, Place, Placement, Reading

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PATHS = (
    "/colonies",
    "/placements",
    "/labels",
    "/labels?size=tube&paper=letter",
    "/probes",
    "/colony?name=A-1",
    "/probe?name=hub-a/p1",
)


@pytest.fixture
def room(tmp_path, clock):
    """Two nests, one probe that stands and one that does not."""
    room = keeper_room(tmp_path, clock)
    now_ms = to_ms(clock.now())
    room.registry.put_nests([Nest(name, NestKind.TUBE, "ant room", "A", "Lasius niger") for name in ("A-1", "A-2")])
    room.registry.put_placements([Placement("hub-a/p1", "A-1", "ant room", Place.WET_END, now_ms - DAY_MS)])
    room.store.write([Reading(f"hub-a/p{n}", now_ms - 1_000, 24.0, 70.0) for n in (1, 2)])
    return room


@pytest.mark.parametrize(("scheme", "screen"), [("light", (390, 844)), ("dark", (1920, 1080))])
def test_no_page_has_a_violation_for_visitor_or_keeper(browser, room, scheme, screen) -> None:
    found = {}
    with served(room) as address:
        page = browser.new_page(viewport={"width": screen[0], "height": screen[1]}, color_scheme=scheme)
        for who in ("visitor", "keeper"):
            if who == "keeper":
                sign_in(page, room, address)
            for path in PATHS:
                page.goto(address + path, wait_until="networkidle")
                found[who, path] = violations(page)
                wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
                if wide > 0:
                    found[who, path].append(f"{wide} px wider than the screen")
        page.close()
    assert {} == {where: lines for where, lines in found.items() if lines}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_cell_being_edited_and_a_bad_one_have_no_violation(browser, room, scheme) -> None:
    with served(room) as address:
        page = browser.new_page(viewport={"width": 1180, "height": 820}, color_scheme=scheme)
        sign_in(page, room, address)
        page.goto(address + "/colonies", wait_until="networkidle")
        stage = page.locator(".grid .tabulator-row").first.locator('[tabulator-field="stage"]')
        stage.click()
        page.keyboard.press("Enter")
        assert [] == violations(page)
        page.keyboard.type("ancient")
        page.keyboard.press("Enter")
        assert [] == violations(page)
        page.get_by_role("button", name="Check and save").click()
        expect(page.locator(".tabulator-cell.bad")).to_have_count(1)
        assert [] == violations(page)
        page.close()
