"""Pages that the screen does not show yet say so, and name the command that does; unknown addresses are a plain 404."""

from __future__ import annotations

from collections.abc import Callable

from flask import Flask
from markupsafe import Markup
from werkzeug.exceptions import NotFound

from dashboard import text
from dashboard.shell import page


def register(server: Flask) -> None:
    """Add the pages and the 404."""
    titles = dict(text.PAGES)
    for path, command in text.COMMAND_FOR.items():
        server.add_url_rule(path, f"elsewhere{path}", view_func=_pointer(titles[path], path, command))

    @server.errorhandler(404)
    def missing(error: NotFound) -> tuple[str, int]:
        del error
        return page("nestclimate", Markup("<main><h1>404</h1><p>{}</p></main>").format(text.NOT_FOUND)), 404


def _pointer(title: str, path: str, command: str) -> Callable[[], str]:
    body = Markup("<main><h1>{}</h1><p>{}</p><pre>{}</pre></main>").format(title, text.NOT_HERE, command)

    def show() -> str:
        return page(title, body, here=path)

    return show
