"""A wall stays on for weeks: a simulated stretch of refreshes in real Chromium leaves no node, listener or heap behind.

Two hours by default; for a week, 120,960 refreshes and about half an hour: ``SOAK_HOURS=168 pytest tests/dashboard/test_soak.py -s``.
"""

from __future__ import annotations

import dataclasses
import itertools
import os

import pytest
from browser import serving
from invented_room import InventedRoom, nest_now, room

from dashboard.app import create_app
from dashboard.pages.wall import refresh_json
from dashboard.snapshot import HubNow
from sensord.clock import SystemClock, to_ms

pytestmark = [pytest.mark.chromium, pytest.mark.slow, pytest.mark.timeout(3_600)]

HOURS = int(os.environ.get("SOAK_HOURS", "2"))
NESTS = 12

CLOCKWORK = """
window.beats = []; window.simulated = 0; window.asks = 0;
window.setInterval = (call, ms) => { beats.push([call, ms]); return beats.length; };
performance.now = () => simulated;
"""
"""The page's own timers, wound by the test: before anything of the page runs."""

ASK_EVERY_MS = 5_000
A_MINUTE, AN_HOUR = 12, 720
"""Refreshes, at one in five seconds."""
WIND = """async ([refreshes, askEveryMs, everyFar]) => {
  const asked = window.fetch, turn = new MessageChannel(), kept = window.kept;
  let pending = null;
  const near = () => {  // half an hour with some nests, half an hour with others; now and then a failure, or nonsense
    const still = asks % 3 ? `{"build":"${document.body.dataset.build}","mark":"x"}` : '';
    const body = asks % 701 ? still || kept[Math.floor(asks / 360) % 2 * 60 + asks / 3 % 60] : '<html>';
    return Promise.resolve(new Response(body, { status: asks % 499 ? 200 : 503 }));
  };
  window.fetch = (...given) => {
    asks += 1;
    return (pending = (asks % everyFar ? near() : asked(...given)).then(async (answer) => {
      const words = await answer.text();
      return { ok: answer.ok, status: answer.status, json: async () => JSON.parse(words) };
    }));
  };
  const later = () => new Promise((go) => { turn.port1.onmessage = go; turn.port2.postMessage(0); });
  const ask = async (call) => {
    pending = null;
    call();
    if (!pending) { throw new Error('the page did not ask'); }
    await pending.catch(() => 0);
    await later();  // by then it is drawn
  };
  for (let done = 0; done < refreshes;) {
    simulated += 1000;
    for (const [call, ms] of beats) {
      if (simulated % ms) { continue; }
      if (ms === askEveryMs) { await ask(call); done += 1; } else { call(); }
    }
  }
  window.fetch = asked;
}"""
"""So many refreshes, a second of simulated time after the other, each waited for. One in so many goes to the server, the
others are answered in the page, so that a week takes minutes; one in three brings new numbers at every nest, where a room
that is scanned once a minute brings them in one of twelve."""


def snapshots(at_ms):
    """A room that is never still: every number moves, alarms come and go, a hub falls out, nests come and go."""
    for turn in range(120):
        now = room(NESTS, at_ms + 5_000 * turn, troubles=turn % 40 < 25)
        nests = [
            dataclasses.replace(one, air=dataclasses.replace(one.air, rh_pct=(one.air.rh_pct + 1.3 * turn) % 100))
            for one in now.nests
        ]
        if turn >= 60:
            nests[3:5] = [nest_now(f"N-{turn // 30}", at_ms, rack="Rack A", days=turn / 10)]
        hubs = (HubNow("hub-a", "down", at_ms), *now.hubs[1:]) if turn % 50 > 44 else now.hubs
        beats = tuple(dataclasses.replace(one, note="not well" if turn % 60 > 55 else "") for one in now.processes)
        yield dataclasses.replace(now, nests=tuple(nests), hubs=hubs, processes=beats)


class Kept(InventedRoom):
    """A source that holds one snapshot."""

    def __init__(self, clock, held) -> None:
        super().__init__(clock, None)
        self.held = held

    def _now(self):
        return self.held


def bodies_of(clock) -> list[str]:
    """The answers to 120 refreshes."""
    return [refresh_json(Kept(clock, one), "") for one in snapshots(to_ms(clock.now()))]


def answering(app, bodies):
    """The application, its refreshes made before."""
    turns = itertools.cycle([one.encode() for one in bodies])

    def answer(environ, start_response):
        if environ["PATH_INFO"] != "/wall.json":
            return app(environ, start_response)
        start_response("200 OK", [("Content-Type", "application/json")])
        return [next(turns)]

    return answer


def wind(page, refreshes, every_far=A_MINUTE) -> None:
    """Let so many refreshes happen."""
    page.evaluate(WIND, [refreshes, ASK_EVERY_MS, every_far])


class Counted:
    """What Chromium holds after a forced collection."""

    def __init__(self, page) -> None:
        self._devtools = page.context.new_cdp_session(page)
        self._devtools.send("HeapProfiler.enable")

    def now(self) -> tuple[int, int, int]:
        """DOM nodes, listeners and kilobytes of heap: the least of several counts, as collection takes its time."""
        counts = []
        for _ in range(6):
            self._devtools.send("HeapProfiler.collectGarbage")
            dom = self._devtools.send("Memory.getDOMCounters")
            heap = self._devtools.send("Runtime.getHeapUsage")["usedSize"] // 1_000
            counts.append((dom["nodes"], dom["jsEventListeners"], heap))
        return tuple(min(column) for column in zip(*counts, strict=True))


def test_a_wall_that_stays_on_stays_as_light_as_it_was(browser) -> None:
    """Counted after every hour, in which the server is gone for a minute and comes back on the same port."""
    clock = SystemClock()
    app = create_app(InventedRoom(clock, lambda at_ms: room(NESTS, at_ms)), clock)
    page = browser.new_page(viewport={"width": 1000, "height": 700})  # fewer pixels to draw
    page.add_init_script(CLOCKWORK)
    bodies = bodies_of(clock)
    port, serve, counts = 0, answering(app, bodies), []
    for hour in range(HOURS + 1):
        with serving(serve, port) as address:
            port = int(address.rpartition(":")[2])
            if hour == 0:
                page.goto(address, wait_until="networkidle")
                page.evaluate("(bodies) => { window.kept = bodies; }", bodies)
                counted = Counted(page)
                wind(page, A_MINUTE)
            else:
                wind(page, AN_HOUR - A_MINUTE)
            assert "" == page.inner_text("#notice")
        wind(page, A_MINUTE, every_far=1)
        assert "No contact" in page.inner_text("#notice")
        counts.append(counted.now())
        print(f"{hour} h: nodes, listeners, heap kB {counts[-1]}", flush=True)
    assert page.evaluate("window.kept.length")  # all the while it did not just reload
    assert HOURS * AN_HOUR * ASK_EVERY_MS <= page.evaluate("simulated")
    page.close()
    _, first, *later = counts  # in the first hour it warms up
    for nodes, listeners, heap in later:
        # One card kept by each refresh would be 20,000 nodes and 1,500 kB in an hour.
        assert nodes <= first[0] + 1_000
        assert listeners <= first[1] + 2
        assert heap <= first[2] * 1.1 + 200
