"""Debian's Chromium under playwright. In continuous integration a missing Chromium is a failure, elsewhere a skip."""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
from collections.abc import Iterator

import pytest

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking", "--disable-sync",
    "--disable-component-update", "--disable-default-apps", "--no-first-run", "--disable-domain-reliability",
)  # fmt: skip


def chromium_path() -> str:
    """Where Chromium is; skips, or fails where CI is set."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if not path:
        reason = "Chromium is not installed: apt-get install chromium"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(reason)
    return path


@contextlib.contextmanager
def open_browser() -> Iterator:
    """A headless browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@contextlib.contextmanager
def serving(app, port: int = 0) -> Iterator[str]:
    """The application under waitress on loopback, as in production; gives its address."""
    from waitress.server import create_server

    server = create_server(app, host="127.0.0.1", port=port, threads=8, clear_untrusted_proxy_headers=False)
    closing = threading.Event()

    def run() -> None:
        try:
            server.run()
        except OSError:  # waitress may be looking at a connection that is closed under it
            if not closing.is_set():
                raise

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        closing.set()
        server.close()
        server.task_dispatcher.shutdown()
        thread.join(5)
        for channel in tuple(server.active_channels.values()):  # connections that a browser still keeps open
            channel.handle_close()


@pytest.fixture(scope="module")
def browser():
    """One browser a test file."""
    with open_browser() as opened:
        yield opened
