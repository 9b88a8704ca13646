"""Puts the dashboard together. Nothing is built at import; pages are registered one by one."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from flask import Flask, Response

from dashboard import access, keeping_writes
from dashboard.desk import Desk
from dashboard.pages import (
    alarms,
    colonies,
    elsewhere,
    health,
    labels,
    losses,
    nest,
    placements,
    probes,
    review,
    sign_in,
    wall,
    writes,
)
from dashboard.pages import round as todays_round
from dashboard.shell import ASSETS, build_id, content_policy, guard
from dashboard.snapshot import Source
from dashboard.theme import theme_css
from dashboard.writing import Writing
from sensord.clock import Clock


def create_app(
    data: Source, clock: Clock, open_to: str = "", *, writing: Writing | None = None, hosts: Collection[str] = ()
) -> Flask:
    """The dashboard as a WSGI application. The nest pages are a Dash application inside it, under ``/nest/``.

    Args:
        open_to: the network that may look beside loopback, in CIDR form; empty for nobody.
        writing: the door for users and writes; None for a dashboard that only shows.
        hosts: names this server goes by beside localhost, in lower case.
    """
    server = Flask(__name__, static_folder=str(ASSETS), static_url_path="/assets")
    server.config["SEND_FILE_MAX_AGE_DEFAULT"] = 86_400
    access.install(server, clock, writing, open_to, hosts)
    css = theme_css() + "".join(file.read_text(encoding="utf-8") for file in _styles())

    @server.get("/look/<name>.css")
    def look(name: str) -> Response:
        del name  # only there so that a new build has a new address
        return Response(css, mimetype="text/css", headers={"Cache-Control": "public, max-age=86400"})

    @server.get("/build")
    def build() -> Response:
        return Response(build_id(), mimetype="text/plain")

    wall.register(server, data)
    health.register(server, data, clock)
    alarms.register(server, data, clock)
    probes.register(server, data)
    todays_round.register(server, data)
    colonies.register(server, data)
    placements.register(server, data)
    labels.register(server, data)
    desk: review.Answers = Desk(data.reviews.answer, clock)
    review.register(server, data, desk)
    losses.register(server, data, desk)
    sign_in.register(server, clock, writing)
    writes.register(server, writing)
    keeping_writes.register(server, writing)
    elsewhere.register(server)
    charts = nest.register(server, data, clock)
    guard(server, {"/nest/": content_policy(charts.csp_hashes())})
    return server


def _styles() -> list[Path]:
    """The look of all pages first, then what only some of them need."""
    return [ASSETS / "look.css", *sorted(set(ASSETS.glob("*.css")) - {ASSETS / "look.css"})]
