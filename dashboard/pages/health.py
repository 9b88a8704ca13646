"""``/healthz`` for whoever watches the station, ``/metrics`` for Prometheus (text exposition format 0.0.4)."""

from __future__ import annotations

import json
import math

from flask import Flask, Response

from dashboard.shell import failed
from dashboard.snapshot import ProcessNow, Snapshot, Source
from dashboard.wall_model import wall_of
from sensord.clock import Clock, iso, to_ms
from sensord.errors import NestclimateError
from sensord.health import LATE_AFTER_MS


def register(server: Flask, source: Source, clock: Clock) -> None:
    """Add both addresses."""

    @server.get("/healthz")
    def healthz() -> Response:
        try:
            body = health_of(source.health(), to_ms(clock.now()))
        except NestclimateError as error:
            body = {"ok": False, "processes": {}, "problem": failed(error)}
        return Response(json.dumps(body), status=200 if body["ok"] else 503, mimetype="application/json")

    @server.get("/metrics")
    def metrics() -> Response:
        try:
            body = metrics_of(source.snapshot())
        except NestclimateError as error:
            return Response(f"# {failed(error)}\n", status=503, mimetype="text/plain")
        return Response(body, content_type="text/plain; version=0.0.4; charset=utf-8")


def health_of(processes: tuple[ProcessNow, ...], now_ms: int) -> dict[str, object]:
    """Each process with its last beat; ok when all that should run do and none complains."""
    each = {
        process.name: {
            "last_beat": None if process.at_ms is None else iso(process.at_ms),
            "note": process.note,
            "ok": process.at_ms is not None and not process.note and now_ms - process.at_ms <= LATE_AFTER_MS,
        }
        for process in processes
    }
    return {"ok": all(process["ok"] for process in each.values()), "at": iso(now_ms), "processes": each}


def metrics_of(snapshot: Snapshot) -> str:
    """The room as gauges. A value that is unknown is left out, as Prometheus expects."""
    lines: list[str] = []
    counts = wall_of(snapshot).counts
    _gauge(
        lines, "nestclimate_nests", "nests by state", [({"state": state}, number) for state, number in counts.items()]
    )
    seen = [(now, now.air) for now in snapshot.nests if now.air]
    for name, doc, field in (
        ("temperature_celsius", "calibrated", "temp_c"),
        ("humidity_percent", "relative, calibrated", "rh_pct"),
    ):
        rows = [({"nest": now.nest.name}, getattr(air, field)) for now, air in seen if getattr(air, field) is not None]
        _gauge(lines, f"nestclimate_{name}", doc, rows)
    age = [({"nest": now.nest.name}, (snapshot.at_ms - air.at_ms) / 1_000) for now, air in seen]
    _gauge(lines, "nestclimate_reading_age_seconds", "age of the newest reading", age)
    days = [({"nest": now.nest.name}, now.water.days_p50) for now in snapshot.nests if now.water]
    _gauge(lines, "nestclimate_reservoir_days_left", "median outlook", days)
    _gauge(
        lines,
        "nestclimate_outbox_rows",
        "readings that wait on a hub",
        [({"hub": hub.name}, hub.outbox_rows) for hub in snapshot.hubs],
    )
    _gauge(
        lines,
        "nestclimate_hub_up",
        "1 while the hub is up",
        [({"hub": hub.name}, int(hub.state == "up")) for hub in snapshot.hubs],
    )
    beats = [
        ({"process": p.name}, (snapshot.at_ms - p.at_ms) / 1_000) for p in snapshot.processes if p.at_ms is not None
    ]
    _gauge(lines, "nestclimate_beat_age_seconds", "age of each process's last beat", beats)
    return "\n".join(lines) + "\n"


def _gauge(lines: list[str], name: str, doc: str, rows: list[tuple[dict[str, str], float]]) -> None:
    lines += [f"# HELP {name} {doc}", f"# TYPE {name} gauge"]
    for labels, value in rows:
        if not math.isfinite(value):
            continue
        inner = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
        lines.append(f"{name}{{{inner}}} {value:g}")


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
