"""Pictures of the dashboard over an invented room: python tests/screenshots.py FOLDER [NESTS]."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]

from browser import open_browser, serving  # noqa: E402
from invented_room import InventedRoom, room  # noqa: E402

from dashboard.app import create_app  # noqa: E402
from sensord.clock import SystemClock  # noqa: E402

SIZES = {"wall": (1920, 1080), "tablet": (1180, 820), "phone": (390, 844)}
PATHS = {
    "wall": "/",
    "nest": "/nest/A-06",
    "alarms": "/alarms",
    "probes": "/probes",
    "round": "/round",
    "colonies": "/colonies",
    "review": "/review?nest=A-06",
}


def main(folder: Path, nests: int) -> None:
    """Every page, light and dark, at three sizes."""
    folder.mkdir(parents=True, exist_ok=True)
    clock = SystemClock()
    source = InventedRoom(clock, lambda at_ms: room(nests, at_ms))
    with serving(create_app(source, clock)) as address, open_browser() as browser:
        for scheme in ("light", "dark"):
            for size, (width, height) in SIZES.items():
                page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
                for name, path in PATHS.items():
                    page.goto(address + path, wait_until="networkidle")
                    page.screenshot(path=folder / f"{name}-{size}-{scheme}.png")
                page.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 128)
