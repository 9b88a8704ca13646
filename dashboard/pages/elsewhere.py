"""Unknown addresses: a plain 404."""

from __future__ import annotations

from flask import Flask
from markupsafe import Markup
from werkzeug.exceptions import NotFound

from dashboard import text
from dashboard.shell import page


def register(server: Flask) -> None:
    """Add the 404."""

    @server.errorhandler(404)
    def missing(error: NotFound) -> tuple[str, int]:
        del error
        return page("nestclimate", Markup("<main><h1>404</h1><p>{}</p></main>").format(text.NOT_FOUND)), 404
