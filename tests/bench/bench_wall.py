"""The wall's speed beside the plain way: every reading of the last day drawn raw, and the whole page rebuilt each time.

    python tests/bench/bench_wall.py [--smoke]

Server time is from asking the in-process client to its compressed answer, from a real embedded store; the snapshot is read
anew for each refresh. 'All new' has a new reading at every nest before each refresh, 'one scan of 16' as many as a hub brings
at once, 'nothing new' shares the snapshot for a second as several walls do. Paint is real Chromium's, each time another
process with an empty profile, over loopback; 'drawn' is the first frame after all nests stand and fit the screen.
"""

from __future__ import annotations

import argparse
import gzip
import random
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from browser import open_browser, serving  # noqa: E402

from dashboard.app import create_app  # noqa: E402
from dashboard.data import Data  # noqa: E402
from sensord.clock import DAY_MS, MINUTE_MS, SystemClock, to_ms  # noqa: E402
from sensord.config import load_config  # noqa: E402
from sensord.model import Nest, NestKind, Place, Placement, Reading  # noqa: E402
from sensord.wiring import Room  # noqa: E402

ZIPPED = {"Accept-Encoding": "gzip"}
CHANCE = random.Random(1)
ALLOWED = {
    (128, "refresh, all new"): (30, 40),
    (1_000, "refresh, all new"): (150, None),
    (128, "first paint"): (1_000, None),
    (128, "all nests drawn"): (1_000, None),
}
"""Milliseconds (median) and kilobytes."""
DRAWN = """
const look = () => {
  const racks = document.getElementById('racks'), nests = document.querySelectorAll('.card, .plain').length;
  const fits = !racks || racks.style.getPropertyValue('--u');
  if (document.readyState === 'complete' && nests && fits) { requestAnimationFrame(() => { window.drawn = performance.now(); }); }
  else { requestAnimationFrame(look); }
};
requestAnimationFrame(look);
"""
PAINTED = """(async () => {
  const first = () => performance.getEntriesByName('first-contentful-paint')[0];
  while (!window.drawn || !first()) { await new Promise(requestAnimationFrame); }
  return [first().startTime, window.drawn];
})()"""


def main(arguments: list[str] | None = None) -> int:
    """Print the table; 1 where something takes longer than it may."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true", help="few nests, few turns: does it run at all")
    smoke = parser.parse_args(arguments).smoke
    print(f"{'nests':>6} {'way':<28} {'median':>10} {'worst':>10} {'on the wire':>12} {'plain takes':>12}")
    slow: list[str] = []
    for nests in (16,) if smoke else (128, 1_000):
        with tempfile.TemporaryDirectory() as folder:
            slow += measure(Path(folder), nests, 3 if smoke else 25)
    print("\n".join(slow))
    return 1 if slow else 0


class Table:
    """Rows as they are measured, each with how many times as long the plain way takes."""

    def __init__(self, nests: int) -> None:
        self._nests, self._plain_ms, self.slow = nests, 0.0, []

    def row(self, way: str, spent: list[float], size: int = 0, *, plain: bool = False) -> None:
        """Print it."""
        median = statistics.median(spent)
        self._plain_ms = median if plain else self._plain_ms
        times = f"{self._plain_ms / median:>9.1f} x" if self._plain_ms and not plain else ""
        wire = f"{size / 1000:>9.1f} kB" if size else ""
        print(f"{self._nests:>6} {way:<28} {median:>7.1f} ms {max(spent):>7.1f} ms {wire:>12} {times:>12}", flush=True)
        most_ms, most_kb = ALLOWED.get((self._nests, way), (None, None))
        if (most_ms and median > most_ms) or (most_kb and size > most_kb * 1_000):
            self.slow.append(f"TOO MUCH: {self._nests} nests, {way}: allowed {most_ms} ms, {most_kb or 'any'} kB")

    def time(self, way: str, turns: int, once, before=lambda: None, *, plain: bool = False) -> None:
        """Measure what ``once`` takes, not what comes before it."""
        spent, size = [], 0
        for _ in range(turns):
            before()
            begun = time.perf_counter()
            size = len(once())
            spent.append((time.perf_counter() - begun) * 1_000)
        self.row(way, spent, size, plain=plain)


def measure(folder: Path, nests: int, turns: int) -> list[str]:
    """One room: the server's work, then the browser's."""
    (folder / "station.toml").write_text('[station]\nname = "bench"\n', encoding="utf-8")
    room = Room(load_config(folder), SystemClock())
    names = fill(room, nests)
    data = Data(room)
    app = create_app(data, room.clock)
    client, table = app.test_client(), Table(nests)

    def ask(path: str) -> bytes:
        return client.get(path, headers=ZIPPED).data

    def scan(some: int):
        def before() -> None:
            read(room, CHANCE.sample(names, some))
            data.forget()

        return before

    ask("/wall.json")
    table.time("plain: all raw, whole page", max(2, turns // 10), lambda: plain(room, names), plain=True)
    table.time("refresh, all new", turns, lambda: ask("/wall.json"), scan(nests))
    table.time("refresh, one scan of 16", turns, lambda: ask("/wall.json"), scan(16))
    seen = client.get("/wall.json").get_json()["mark"]
    table.time("refresh, nothing new", turns, lambda: ask(f"/wall.json?seen={seen}"))
    table.time("first page", turns, lambda: ask("/"), scan(16))
    if shutil.which("chromium") or shutil.which("chromium-browser"):
        paint(table, app, plain(room, names), max(1, turns // 5))
    room.store.close()
    return table.slow


def fill(room: Room, nests: int) -> list[str]:
    """A day at one reading in five minutes, up to now."""
    now_ms = to_ms(room.clock.now())
    names = [f"N-{number:04d}" for number in range(nests)]
    room.registry.put_nests(
        [Nest(name, NestKind.TUBE, "room", f"Rack {i * 8 // nests}", "Lasius niger") for i, name in enumerate(names)]
    )
    room.registry.put_placements([Placement(f"hub/{name.lower()}", name, "room", Place.WET_END, 0) for name in names])
    for start_ms in range(now_ms - DAY_MS, now_ms, 5 * MINUTE_MS):
        read(room, names, start_ms)
    return names


def read(room: Room, names: list[str], at_ms: int | None = None) -> None:
    """A reading at each of these nests."""
    at_ms = to_ms(room.clock.now()) if at_ms is None else at_ms
    room.store.write(
        [Reading(f"hub/{name.lower()}", at_ms, CHANCE.gauss(24.5, 1.5), CHANCE.gauss(70, 8)) for name in names]
    )


def plain(room: Room, names: list[str]) -> bytes:
    """Every reading of a day of every nest as an SVG line, the whole page anew, compressed as well."""
    now_ms, parts = to_ms(room.clock.now()), []
    for name in names:
        found = room.store.raw(f"hub/{name.lower()}", now_ms - DAY_MS, now_ms)
        points = " ".join(
            f"{(at - now_ms) / 1000:.0f},{rh:.2f}" for at, rh in zip(found.at_ms, found.rh_pct, strict=True)
        )
        parts.append(f'<section class="plain"><h2>{name}</h2><svg><polyline points="{points}"/></svg></section>')
    return gzip.compress(("<!doctype html>" + "".join(parts)).encode(), 5)


def paint(table: Table, app, plain_page: bytes, turns: int) -> None:
    """First paint and all drawn, in another Chromium with an empty profile each time."""

    def plain_app(environ, start_response):
        start_response("200 OK", [("Content-Type", "text/html"), ("Content-Encoding", "gzip")])
        return [plain_page if environ["PATH_INFO"] == "/" else gzip.compress(b"")]

    for which, served in (("plain: ", plain_app), ("", app)):
        first, drawn = zip(*(painted(served) for _ in range(turns)), strict=True)
        if which:
            table.row("plain: first paint", list(first), plain=True)
            table.row("plain: all nests drawn", list(drawn), plain=True)
        else:
            table.row("first paint", list(first))
            table.row("all nests drawn", list(drawn))


def painted(app) -> tuple[float, float]:
    """Milliseconds from the start of the navigation to the first paint, and to the frame in which all stands."""
    with serving(app) as address, open_browser() as browser:
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        page.add_init_script(DRAWN)
        page.goto(address, wait_until="load")
        found = tuple(page.evaluate(PAINTED))
        page.wait_for_load_state("networkidle")
        return found


if __name__ == "__main__":
    sys.exit(main())
