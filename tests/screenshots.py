"""Pictures of every page, light and dark, at three sizes, signed in and not: python tests/screenshots.py FOLDER.

Over an invented room, or over a configured one with --config DIR; there --user NAME asks for the password and shows what
that user sees. The pages are found in the application.
"""

from __future__ import annotations

import argparse
import getpass
import itertools
import sys
import tempfile
from pathlib import Path
from urllib.parse import urlsplit

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]

from browser import open_browser, serving  # noqa: E402
from every_page import name_of, pages_of  # noqa: E402
from invented_room import DEAD, InventedRoom, room  # noqa: E402
from keeper_room import KEEPER, PASSWORD, app_of, keeper_room  # noqa: E402

from dashboard.access import COOKIE  # noqa: E402
from dashboard.app import create_app  # noqa: E402
from dashboard.writing import Writing  # noqa: E402
from sensord.clock import SystemClock, to_ms  # noqa: E402
from sensord.config import load_config  # noqa: E402
from sensord.wiring import Room  # noqa: E402

SIZES = {"wall": (1920, 1080), "tablet": (1180, 820), "phone": (390, 844)}
ANSWER_WITHIN_MS = 60_000
"""A review of a real room takes a while."""


def main(arguments: list[str] | None = None) -> int:
    """Take them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("--nests", type=int, default=54, help="of the invented room (54)")
    parser.add_argument("--config", type=Path, help="a configured room instead")
    parser.add_argument("--user", default="", help="with --config: also what this user sees; asks for the password")
    parser.add_argument("--only", default="", help="pages whose address contains this")
    args = parser.parse_args(arguments)
    args.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        app, source, dead, token = configured(args) if args.config else invented(args.nests, Path(scratch))
        pages = [path for path in pages_of(app, source, dead) if args.only in path]
        with serving(app) as address, open_browser() as browser:
            for whose, scheme, size in itertools.product(("", "keeper") if token else ("",), ("light", "dark"), SIZES):
                page = new_page(browser, address, scheme, size, token if whose else "")
                for path in pages:
                    picture(
                        page,
                        address + path,
                        args.folder / f"{'-'.join(filter(None, (name_of(path), size, scheme, whose)))}.png",
                    )
                page.close()
    print(f"{len(pages)} pages are in {args.folder}: {', '.join(pages)}")
    return 0


def invented(nests: int, scratch: Path):
    """The application over an invented room, its source, a dead nest and a keeper's session."""
    clock = SystemClock()
    source = InventedRoom(clock, lambda at_ms: room(nests, at_ms))
    kept = keeper_room(scratch, clock)
    token = kept.users.sign_in(KEEPER, PASSWORD, to_ms(clock.now()))
    return create_app(source, clock, writing=Writing(kept)), source, DEAD, token


def configured(args):
    """The same over a real room, which is only read."""
    real = Room(load_config(args.config), SystemClock())
    app, source = app_of(real)
    source.refresh()
    token = ""
    if args.user:
        token = real.users.sign_in(args.user, getpass.getpass(f"{args.user}'s password: "), to_ms(real.clock.now()))
        if token is None:
            sys.exit(f"{args.user}: no such user, or another password")
    dead = next((one.nests[-1][0] for one in source.colonies() if one.died_ms and one.nests), "")
    return app, source, dead, token


def new_page(browser, address: str, scheme: str, size: str, token: str):
    """An empty page of that size, with a session where one is given."""
    width, height = SIZES[size]
    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
    if token:
        host = urlsplit(address).hostname
        page.context.add_cookies([{"name": COOKIE, "value": token, "domain": host, "path": "/"}])
    return page


def picture(page, address: str, file: Path) -> None:
    """One page as it is seen, once it has stopped to load."""
    page.goto(address, wait_until="networkidle", timeout=ANSWER_WITHIN_MS)
    page.screenshot(path=file)


if __name__ == "__main__":
    sys.exit(main())
