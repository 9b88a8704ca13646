"""A wall stays on for weeks: refreshes in which every number changes must leave no more nodes and no larger heap behind."""

from __future__ import annotations

import dataclasses

import pytest
from browser import serving
from invented_room import InventedRoom, room
from waiting import wait_until

from dashboard.app import create_app
from sensord.clock import SystemClock

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

ASK_EVERY_MS = 5_000
SETTLE, SOAK = 60, 600
"""Refreshes until all is warm, and in the soak: in each of them every nest's numbers, the needs and the notice change."""


class Restless(InventedRoom):
    """No two snapshots are alike."""

    asked = 0

    def snapshot(self):
        self.asked += 1
        now = super().snapshot()
        shift = self.asked % 7
        nests = tuple(
            dataclasses.replace(one, air=dataclasses.replace(one.air, rh_pct=(one.air.rh_pct + shift) % 100))
            for one in now.nests
        )
        beats = tuple(dataclasses.replace(one, note=f"complaint {shift}" if shift > 4 else "") for one in now.processes)
        return dataclasses.replace(now, nests=nests, processes=beats)


def held(devtools) -> tuple[int, int]:
    """DOM nodes and bytes of heap after collection, as Chromium counts them."""
    devtools.send("HeapProfiler.collectGarbage")
    counted = {one["name"]: one["value"] for one in devtools.send("Performance.getMetrics")["metrics"]}
    return int(counted["Nodes"]), int(counted["JSHeapUsedSize"])


def test_refreshes_leave_nothing_behind(browser) -> None:
    clock = SystemClock()
    source = Restless(clock, lambda at_ms: room(48, at_ms))
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.clock.install()
    devtools = page.context.new_cdp_session(page)
    devtools.send("Performance.enable")

    def refresh(times):
        until = source.asked + times

        def asked():
            page.clock.run_for(ASK_EVERY_MS)
            return source.asked >= until

        wait_until(asked, within_s=240, what=f"{times} refreshes")

    with serving(create_app(source, clock)) as address:
        page.goto(address, wait_until="networkidle")
        page.evaluate("window.stays = true")
        refresh(SETTLE)
        nodes, heap = held(devtools)
        refresh(SOAK)
        nodes_after, heap_after = held(devtools)
        assert page.evaluate("window.stays")  # it did not just reload
        page.close()
    assert nodes_after <= nodes * 1.05
    # one card kept by each refresh would be 700 kB, a whole wall 34 MB
    assert heap_after <= heap * 1.15 + 200_000
