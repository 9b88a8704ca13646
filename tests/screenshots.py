"""Pictures of every page, light and dark, at three sizes, signed in and not: python tests/screenshots.py FOLDER.

Over an invented room, or over a configured one with --config DIR; there --user NAME asks for the password (a line of
standard input, where that is no terminal) and shows what that user sees. The pages are found in the application. What a
browser's console says against a page, and a page wider than its screen, is printed and makes the exit status 1.
"""

from __future__ import annotations

import argparse
import contextlib
import getpass
import itertools
import sys
import tempfile
from collections.abc import Iterator
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
from sensord.clock import SystemClock, clock_from_environment, to_ms  # noqa: E402
from sensord.config import load_config  # noqa: E402
from sensord.errors import NestclimateError  # noqa: E402
from sensord.wiring import Room  # noqa: E402

SIZES = {"wall": (1920, 1080), "tablet": (1024, 768), "phone": (390, 844)}
LOUD = {"error", "warning"}
ANSWER_WITHIN_MS = 60_000
"""A review of a real room takes a while."""


def main(arguments: list[str] | None = None) -> int:
    """Take them all."""
    args = options(arguments)
    args.folder.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory() as scratch, looked_at(args, Path(scratch)) as (app, source, dead, token):
            pages = [path for path in pages_of(app, source, dead) if args.only in path]
            with serving(app) as address, open_browser() as browser:
                faults = take_all(browser, address, pages, token, args)
    except NestclimateError as error:
        print("\n".join(error.problems), file=sys.stderr)
        return error.exit_status
    print(f"{len(pages)} pages are in {args.folder}: {', '.join(pages)}")
    print("\n".join(faults) or "no console spoke, no page is wider than its screen")
    return 1 if faults else 0


def options(arguments: list[str] | None) -> argparse.Namespace:
    """What was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("--nests", type=int, default=54, help="of the invented room (54)")
    parser.add_argument("--config", type=Path, help="a configured room instead")
    parser.add_argument("--user", default="", help="with --config: also what this user sees; asks for the password")
    parser.add_argument("--only", default="", help="pages whose address contains this")
    parser.add_argument("--size", choices=SIZES, action="append", help="only this size; may be given again")
    parser.add_argument("--full", action="store_true", help="each page to its end, not only its first screen")
    return parser.parse_args(arguments)


def take_all(browser, address: str, pages: list[str], token: str, args: argparse.Namespace) -> list[str]:
    """A picture of each page in each way; what was wrong with any of them, a line each."""
    faults: list[str] = []
    for whose, scheme, size in itertools.product(
        ("", "keeper") if token else ("",), ("light", "dark"), args.size or SIZES
    ):
        page = new_page(browser, address, scheme, size, token if whose else "")
        said: list[str] = []
        page.on("console", lambda message, said=said: said.append(message.text) if message.type in LOUD else None)
        page.on("pageerror", lambda error, said=said: said.append(str(error)))
        for path in pages:
            said.clear()
            file = args.folder / f"{'-'.join(filter(None, (name_of(path), size, scheme, whose)))}.png"
            said += picture(page, address + path, file, full=args.full)
            faults += [f"{path} ({size}, {scheme}{', ' * bool(whose)}{whose}): {line}" for line in said]
        page.close()
    return faults


@contextlib.contextmanager
def looked_at(args: argparse.Namespace, scratch: Path) -> Iterator[tuple]:
    """The application to look at, its source, a dead nest where there is one, and a session that ends afterwards."""
    if not args.config:
        yield invented(args.nests, scratch)
        return
    real = Room(load_config(args.config), clock_from_environment())
    token = session_of(real, args.user) if args.user else ""
    app, source = app_of(real)
    source.refresh()
    dead = next((one.nests[-1][0] for one in source.colonies() if one.died_ms and one.nests), "")
    try:
        yield app, source, dead, token
    finally:
        if token:
            real.users.sign_out(token)


def session_of(real: Room, user: str) -> str:
    """A session of that user, who gives the password."""
    ask = getpass.getpass if sys.stdin.isatty() else lambda _: sys.stdin.readline().rstrip("\n")
    token = real.users.sign_in(user, ask(f"{user}'s password: "), to_ms(real.clock.now()))
    if token is None:
        sys.exit(f"{user}: no such user, or another password")
    return token


def invented(nests: int, scratch: Path):
    """The application over an invented room, its source, a dead nest and a keeper's session."""
    clock = SystemClock()
    source = InventedRoom(clock, lambda at_ms: room(nests, at_ms))
    kept = keeper_room(scratch, clock)
    token = kept.users.sign_in(KEEPER, PASSWORD, to_ms(clock.now()))
    return create_app(source, clock, writing=Writing(kept)), source, DEAD, token


def new_page(browser, address: str, scheme: str, size: str, token: str):
    """An empty page of that size, with a session where one is given."""
    width, height = SIZES[size]
    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
    if token:
        host = urlsplit(address).hostname
        page.context.add_cookies([{"name": COOKIE, "value": token, "domain": host, "path": "/"}])
    return page


def picture(page, address: str, file: Path, *, full: bool) -> list[str]:
    """One page as it is seen, once it has stopped to load; a line where it is wider than its screen."""
    page.goto(address, wait_until="networkidle", timeout=ANSWER_WITHIN_MS)
    page.screenshot(path=file, full_page=full)
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return [f"{wide} px wider than the screen"] if wide > 0 else []


if __name__ == "__main__":
    sys.exit(main())
