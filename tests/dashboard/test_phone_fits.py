"""Every page on a phone, in a room of the longest names there may be: nothing is wider than the screen, nothing is cut."""

from __future__ import annotations

import pytest
from browser import serving
from every_page import pages_of
from invented_room import nest_now
from keeper_room import app_of, keeper_room, sign_in
from playwright.sync_api import expect

from dashboard.pages.alarms import alarms_html
from dashboard.snapshot import AlarmNow, Snapshot
from sensord.clock import DAY_MS, HOUR_MS, to_ms
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Stage

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
LONGEST = ("W" * 32, "Growing colony MMMMM No. 0000001")
HUB, PROBE = "h" * 32, "p" * 32
CUT = """[...document.querySelectorAll('main td, main h1, main a')].filter((one) => {
  const box = one.getBoundingClientRect(), held = one.closest('.scroll, .tabulator');
  return box.width && box.right > innerWidth + 1 && !(held && getComputedStyle(held).overflowX === 'auto');
}).map((one) => one.textContent.slice(0, 60))"""


@pytest.fixture
def room(tmp_path, clock):
    """Two nests, one dead; a probe, a calibration due, and a journal."""
    made, now_ms = keeper_room(tmp_path, clock), to_ms(clock.now())
    made.registry.put_nests([
        Nest(name, NestKind.TUBE, "Conservatory under the very roof", "Rack by the window, left hand", "Acromyrmex octospinosus",
             colony=f"Colony {name}"[:32], stage=Stage.FOUNDING, reservoir_ml=8.0)
        for name in LONGEST
    ])  # fmt: skip
    made.registry.put_placements(
        [
            Placement(
                f"{HUB}/{PROBE}", LONGEST[0], "Conservatory under the very roof", Place.WET_END, now_ms - 9 * DAY_MS
            )
        ]
    )
    made.store.write_rows([(f"{HUB}/{PROBE}", now_ms - hour * HOUR_MS, 24.0 + hour % 3, 70.0) for hour in range(200)])
    made.registry.add_entries([
        Entry(now_ms - 8 * DAY_MS, LONGEST[0], EntryKind.FILL, 8.0, "mL"),
        Entry(now_ms - DAY_MS, LONGEST[1], EntryKind.DIED),
    ])  # fmt: skip
    return made


@pytest.mark.slow
@pytest.mark.chromium
def test_no_page_is_wider_than_a_phone_and_no_word_is_cut(browser, room) -> None:
    app, source = app_of(room)
    source.refresh()
    pages = pages_of(app, source, LONGEST[1])
    with serving(app) as address:
        page = browser.new_page(**PHONE)
        sign_in(page, room, address)
        found = {}
        for path in pages:
            page.goto(address + path, wait_until="networkidle")
            wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            found[path] = (max(0, wide), [] if path in {"/", "/labels"} else page.evaluate(CUT))
        page.goto(f"{address}/probes")
        expect(page.locator(".stack td[data-head=quality]").first).to_be_in_viewport(ratio=0)
        page.close()
    assert len(pages) >= 12
    assert {path: (0, []) for path in pages} == found


def test_alarms_stand_by_urgency_then_unseen_then_newest() -> None:
    now_ms = 10 * DAY_MS

    def alarm(id_, priority, hours, **changes):
        return AlarmNow(
            id_, "hot", priority, "unacknowledged", now_ms - hours * HOUR_MS, "A-1", worst=40.0, limit=35.0, **changes
        )

    alarms = (
        alarm("low-new", "low", 1),
        alarm("high-old", "high", 9),
        alarm("over", "high", 2, returned_ms=now_ms),
        alarm("medium-seen", "medium", 2, acknowledged_ms=now_ms),
        alarm("medium", "medium", 5),
    )
    page = str(alarms_html((), Snapshot("Ants", "UTC", now_ms, (nest_now("A-1", now_ms),), alarms), may_write=False))
    order = sorted(
        ("low-new", "high-old", "over", "medium-seen", "medium"), key=lambda id_: page.index(f'/alarms/{id_}"')
    )
    assert order == ["high-old", "medium", "medium-seen", "low-new", "over"]
    assert "high priority, since" in page
