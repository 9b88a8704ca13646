"""WCAG 2.2 A and AA as axe-core checks it, over every page that the application has, light and dark, signed in and not."""

from __future__ import annotations

import dataclasses
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import serving
from every_page import pages_of
from invented_room import DEAD, InventedRoom, room
from keeper_room import keeper_room, sign_in

from dashboard.app import create_app
from dashboard.snapshot import HubNow, ProcessNow
from dashboard.writing import Writing
from sensord.clock import SystemClock

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], "resultTypes": ["violations"]}
SCREENS = {"wall": (1920, 1080), "tablet": (1180, 820), "phone": (390, 844)}
WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


class Whole:
    """The dashboard over an invented room, with a keeper who can sign in."""

    def __init__(self, folder, make) -> None:
        clock = SystemClock()
        self.source, self.kept = InventedRoom(clock, make), keeper_room(folder, clock)
        self.app = create_app(self.source, clock, writing=Writing(self.kept))

    def pages(self) -> list[str]:
        return pages_of(self.app, self.source, DEAD)


def violations(page) -> list[str]:
    """What axe-core finds, one line an element."""
    found = Axe().run(page, options=RULES).response
    assert found["testEngine"]["version"].startswith("4.")
    return [
        f"{one['id']}: {' '.join(node['target'])}: {node['failureSummary']}"
        for one in found["violations"]
        for node in one["nodes"]
    ]


def complaints(page, path: str) -> list[str]:
    """What the page and the browser complain of, hosts asked beside this one, and a page wider than its screen."""
    found = violations(page)
    wide = page.evaluate(WIDER)
    found += [f"{wide} px wider than the screen"] if wide > 0 else []
    here = re.match(r"\w+://[^/]+", page.url)[0]
    found += [f"asks {url}" for url in page.asked if not url.startswith((here, "data:", "blob:"))]
    found += page.said
    page.asked.clear()
    page.said.clear()
    return [f"{path}: {line}" for line in found]


@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    ("scheme", "screen", "who"),
    [("light", "wall", "visitor"), ("dark", "phone", "visitor"), ("light", "phone", "keeper"), ("dark", "wall", "keeper"),
     ("dark", "tablet", "keeper")],
)  # fmt: skip
def test_no_page_has_a_violation_a_complaint_or_another_host(browser, tmp_path, scheme, screen, who) -> None:
    whole, found = Whole(tmp_path, lambda at_ms: room(48, at_ms)), []
    width, height = SCREENS[screen]
    with serving(whole.app) as address:
        page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
        page.asked, page.said = [], []
        page.on("console", lambda one: page.said.append(one.text) if one.type in {"error", "warning"} else None)
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("request", lambda request: page.asked.append(request.url))
        if who == "keeper":
            sign_in(page, whole.kept, address)
        pages = whole.pages()
        assert {"/", "/round", "/alarms", "/probes", "/colonies", "/review", "/nest/A-06", "/sign-in"} <= set(pages)
        for path in pages:
            page.goto(address + path, wait_until="networkidle")
            if path.startswith("/nest/"):
                page.wait_for_selector("#nest-facts small")
            found += complaints(page, path)
        page.goto(address + "/none", wait_until="networkidle")
        found += [f"/none: {line}" for line in violations(page)]
        page.close()
    assert "" == "\n".join(found)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_wall_that_is_old_or_partly_so_has_no_violation(browser, tmp_path, scheme) -> None:
    """Greyed nests can still be read: a hub that is down, the recorder dead."""
    found = []
    for changes in (
        lambda at_ms: {"hubs": (HubNow("hub-a", "down", at_ms),)},
        lambda at_ms: {"processes": (ProcessNow("record", at_ms - 90_000),)},
    ):
        make = lambda at_ms, changes=changes: dataclasses.replace(room(24, at_ms), **changes(at_ms))  # noqa: E731
        with serving(Whole(tmp_path / str(len(found)), make).app) as address:
            page = browser.new_page(viewport={"width": 1920, "height": 1080}, color_scheme=scheme)
            page.goto(address, wait_until="networkidle")
            assert page.inner_text("#line")
            found.append(violations(page))
            page.close()
    assert [[], []] == found


def test_a_violation_would_be_found(browser, tmp_path) -> None:
    """The check itself: a nameless button on the page is seen."""
    with serving(Whole(tmp_path, lambda at_ms: room(5, at_ms)).app) as address:
        page = browser.new_page()
        page.goto(address + "/alarms")
        page.evaluate("document.querySelector('main').innerHTML = '<h1>x</h1><button></button>'")
        assert any(line.startswith("button-name") for line in violations(page))
        page.close()
