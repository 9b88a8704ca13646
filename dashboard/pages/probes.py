"""``/probes``: every probe, where it sits and when it was last heard; every hub and what waits in its outbox."""

from __future__ import annotations

from flask import Flask
from markupsafe import Markup

from dashboard import text
from dashboard.components.drawing import SYMBOLS, mark
from dashboard.pages.alarms import table
from dashboard.pages.wall import failed
from dashboard.shell import page
from dashboard.snapshot import HubNow, ProbeNow, Snapshot, Source
from dashboard.units import written
from sensord.errors import NestclimateError

_PROBE_HEADS = ("probe", "nest or room", "place", "temperature", "humidity", "last heard")
_HUB_HEADS = ("hub", "state", "last heard", "outbox", "version")


def register(server: Flask, source: Source) -> None:
    """Add the page."""

    @server.get("/probes")
    def probes() -> str:
        try:
            body = probes_html(source.probes(), source.snapshot())
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        return page("Probes", Markup("{}<main><h1>Probes</h1>{}</main>").format(SYMBOLS, body), here="/probes")


def probes_html(probes: tuple[ProbeNow, ...], snapshot: Snapshot) -> Markup:
    """Hubs, then probes; values raw, as the probe gave them."""
    hubs = (
        Markup("<h2>Hubs</h2>{}").format(table(_HUB_HEADS, [_hub(hub, snapshot.at_ms) for hub in snapshot.hubs]))
        if snapshot.hubs
        else ""
    )
    if not probes:
        return Markup("{}<p>{}</p>").format(hubs, text.NO_PROBES)
    rows = [_probe(probe, snapshot) for probe in probes]
    return Markup("{}<h2>Probes, raw readings</h2>{}").format(hubs, table(_PROBE_HEADS, rows))


def _hub(hub: HubNow, now_ms: int) -> list[object]:
    state = Markup('<span class="word">{}{}</span>').format(mark("ok" if hub.state == "up" else "blind", ""), hub.state)
    waits = text.count_of(hub.outbox_rows, "reading waits", "readings wait") if hub.outbox_rows else "empty"
    if hub.outbox_oldest_ms and hub.outbox_rows:
        waits += f", oldest {text.age(now_ms - hub.outbox_oldest_ms)}"
    return [hub.name, state, text.age(now_ms - hub.heard_ms), waits, hub.version]


def _probe(probe: ProbeNow, snapshot: Snapshot) -> list[object]:
    placed = probe.placement
    where = placed.nest or placed.room if placed else "not placed"
    heard: object = "never" if probe.at_ms is None else text.age(snapshot.at_ms - probe.at_ms)
    if probe.at_ms is None or snapshot.at_ms - probe.at_ms > snapshot.silent_after_ms:
        heard = Markup('<span class="word">{}{}</span>').format(mark("blind", ""), heard)
    temp = "" if probe.temp_c is None else written(probe.temp_c, snapshot.temperature_unit)
    humidity = "" if probe.rh_pct is None else f"{probe.rh_pct:.0f} %"
    return [probe.name, where, text.PLACES[placed.place] if placed else "", temp, humidity, heard]
