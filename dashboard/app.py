"""Puts the dashboard together. Nothing is built at import; pages are registered one by one."""

from __future__ import annotations

from flask import Flask, Response

from dashboard.pages import alarms, colonies, elsewhere, health, nest, probes, review, wall
from dashboard.pages import round as todays_round
from dashboard.shell import ASSETS, build_id, content_policy, guard, keep_out
from dashboard.snapshot import Source
from dashboard.theme import theme_css
from sensord.clock import Clock


def create_app(data: Source, clock: Clock, open_to: str = "") -> Flask:
    """The dashboard as a WSGI application. The nest pages are a Dash application inside it, under ``/nest/``.

    Args:
        open_to: the network that may look beside loopback, in CIDR form; empty for nobody.
    """
    server = Flask("dashboard", static_folder=str(ASSETS), static_url_path="/assets")
    server.config["SEND_FILE_MAX_AGE_DEFAULT"] = 86_400
    css = theme_css() + (ASSETS / "look.css").read_text(encoding="utf-8")

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
    review.register(server, data)
    elsewhere.register(server)
    charts = nest.register(server, data, clock)
    keep_out(server, open_to)
    guard(server, {"/nest/": content_policy(charts.csp_hashes())})
    return server
