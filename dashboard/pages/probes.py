"""``/probes``: every probe, its quality, how it stands to its siblings, its calibration; every hub and what waits there.

``/probe`` is one probe through time.
"""

from __future__ import annotations

from urllib.parse import quote

from flask import Flask, abort, request
from markupsafe import Markup

from dashboard import text
from dashboard import text_keeping as words
from dashboard.access import signed_in
from dashboard.components.drawing import SYMBOLS, mark
from dashboard.components.grid import sheets
from dashboard.components.service import list_html, part_html, service_html, take_html
from dashboard.components.tables import table
from dashboard.pages.probe_checked import checked_html
from dashboard.probing import Overview, ProbeLine, overview_of
from dashboard.shell import failed, page
from dashboard.snapshot import HubNow, Snapshot, Source
from dashboard.text_access import OUT_SHORT
from dashboard.units import difference, sign, written
from dashboard.viewmodels import local, moment, natural
from sensord.errors import NestclimateError
from sensord.keeping.round import CALIBRATE_EVERY_DAYS
from sensord.model import Placement

Rows = list[list[object]]
_PROBE_HEADS = (
    "probe", "where", "quality", "against siblings", "checked", "temperature", "humidity", "last heard",
)  # fmt: skip
_HUB_HEADS = ("hub", "state", "since", "last heard", "outbox", "version", "boot")


def register(server: Flask, source: Source) -> None:
    """Add the pages."""

    @server.get("/probes")
    def probes() -> str:
        try:
            snapshot, keeping = source.snapshot(), source.keeping
            found = overview_of(source.probes(), snapshot, keeping.checks(), keeping.calibrated())
            body = probes_html(found, snapshot, keeping.hubs(), may_write=signed_in() is not None)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        main = Markup('{}{}<main class="wide"><h1>Probes</h1>{}</main>').format(sheets("keeping.css"), SYMBOLS, body)
        return page("Probes", main, here="/probes", scripts=("contact.js",))

    @server.get("/probe")
    def probe() -> str:
        name = request.args.get("name", "")
        try:
            snapshot, past = source.snapshot(), source.keeping.probe(name)
            if past is None:
                abort(404)
            found = overview_of(source.probes(), snapshot, source.keeping.checks(), source.keeping.calibrated())
        except NestclimateError as error:
            return page(name, Markup("<main><h1>{}</h1><p>{}</p></main>").format(name, failed(error)))
        line = next((one for one in found.lines if one.name == name), None)
        now = table(_PROBE_HEADS, [_line(line, snapshot)]) if line else ""
        others = [one.name for one in found.lines if one.name != name and one.at_ms is not None]
        body = Markup('<main class="wide"><h1>{}</h1>{}{}<h2>Placements</h2>{}{}</main>').format(
            name, now, _service(past.placements, name, snapshot), _placements(past.placements, name, snapshot),
            checked_html(past, snapshot, others, may_write=signed_in() is not None),
        )  # fmt: skip
        return page(name, Markup("{}{}{}").format(sheets("keeping.css"), SYMBOLS, body), here="/probes")


def _service(placements: tuple[Placement, ...], name: str, snapshot: Snapshot) -> Markup:
    """Out of service, or the way there; a probe that was never placed has no alarms."""
    nest = next((one.nest for one in placements if one.holds(snapshot.at_ms)), None)
    taken = snapshot.taken(nest, name)
    may_write = signed_in() is not None and bool(placements)
    return part_html(taken, f"probe {name}", snapshot, may_write=may_write)


def probes_html(found: Overview, snapshot: Snapshot, named: tuple[str, ...], *, may_write: bool) -> Markup:
    """What is out of service, hubs, then probes, those with trouble first; values raw, as the probe gave them."""
    hubs: Markup | str = Markup("<p>{}</p>").format(words.NO_HUBS)
    heard = [_hub(hub, snapshot) for hub in snapshot.hubs]
    never = [_hub_never_heard(name) for name in named if name not in {hub.name for hub in snapshot.hubs}]
    if heard or never:
        hubs = table(_HUB_HEADS, [*never, *heard])
    ways = Markup('<p class="ways"><a href="/placements">{}</a></p>').format(words.PLACEMENTS)
    ways += list_html(snapshot, may_write=may_write)
    if may_write and (subjects := _subjects(found, snapshot, named)):
        ways += take_html(subjects)
    if not found.lines:
        return Markup("{}<h2>Hubs</h2>{}<h2>Probes</h2><p>{}</p>").format(ways, hubs, words.PROBES_EMPTY)
    rows = [_line(line, snapshot) for line in found.lines]
    return Markup(
        '{}<h2>Hubs</h2>{}<h2>Probes</h2>{}<p class="soft">{}</p>{}<p class="soft">{}</p>'
    ).format(ways, hubs, _unplaced(found), _checked(found, snapshot), table(_PROBE_HEADS, rows), words.DRIFT_HOW)  # fmt: skip


def _subjects(found: Overview, snapshot: Snapshot, named: tuple[str, ...]) -> list[str]:
    """Hubs and placed probes that are in service."""
    placed = [line.name for line in found.lines if line.placement is not None]
    hubs = {*named} | {name.partition("/")[0] for name in placed if "/" in name}
    all_of = [*(f"hub {name}" for name in hubs), *(f"probe {name}" for name in placed)]
    out = {one.subject for one in snapshot.out_of_service}
    return sorted((each for each in all_of if each not in out), key=natural)


def _unplaced(found: Overview) -> Markup:
    many = sum(line.placement is None for line in found.lines)
    if not many:
        return Markup("")
    return Markup("<p>{}</p>").format(words.UNPLACED.format(probes=text.count_of(many, "probe is", "probes are")))


def _checked(found: Overview, snapshot: Snapshot) -> str:
    if found.checked_ms is None:
        return words.PROBE_SOON
    at = moment(found.checked_ms, snapshot.at_ms, snapshot.time_zone)
    form = words.PROBE_CHECK_FAILED if found.problem else words.PROBE_CHECKED
    return form.format(at=at, reason=found.problem)


def _hub(hub: HubNow, snapshot: Snapshot) -> list[object]:
    state = _word("ok" if hub.state == "up" else "blind", hub.state)
    if any(one.subject == f"hub {hub.name}" for one in snapshot.out_of_service):
        state += Markup("<br>") + _word("service", OUT_SHORT)
    fault = hub.faults.get(hub.name, "")
    if fault:
        state += Markup('<br><small class="fault">{}</small>').format(fault)
    since = moment(hub.since_ms, snapshot.at_ms, snapshot.time_zone) if hub.since_ms else ""
    waits = text.count_of(hub.outbox_rows, "reading waits", "readings wait") if hub.outbox_rows else "empty"
    if hub.outbox_oldest_ms and hub.outbox_rows:
        waits += f", oldest {text.age(snapshot.at_ms - hub.outbox_oldest_ms)}"
    boot = Markup('<span title="{}">{}</span>').format(hub.boot, hub.boot[:8]) if hub.boot else ""
    return [hub.name, state, since, text.age(snapshot.at_ms - hub.heard_ms), waits, hub.version, boot]


def _hub_never_heard(name: str) -> list[object]:
    return [name, _word("blind", words.HUB_NEVER), *[""] * (len(_HUB_HEADS) - 2)]


def _line(line: ProbeLine, snapshot: Snapshot) -> list[object]:
    unit = snapshot.temperature_unit
    quality = _word(line.shape, line.quality)
    taken = snapshot.taken(line.placement.nest if line.placement else None, line.name)
    if taken is not None:
        quality += Markup("<br>") + service_html(taken, snapshot, f"probe {line.name}")
    if line.why:
        quality += Markup('<br><small class="fault">{}</small>').format(line.why)
    return [
        Markup('<a href="/probe?name={}">{}</a>').format(quote(line.name), line.name),
        _where(line.placement, line.name),
        quality,
        _against(line, unit),
        _calibrated(line, snapshot),
        "" if line.temp_c is None else written(line.temp_c, unit),
        "" if line.rh_pct is None else f"{line.rh_pct:.0f} %",
        words.NEVER if line.at_ms is None else text.age(snapshot.at_ms - line.at_ms),
    ]


def _where(placed: Placement | None, probe: str) -> object:
    if placed is None:
        return Markup('{}: <a href="/placements?probe={}">{}</a>').format(
            words.NOT_PLACED, quote(probe), words.PLACE_IT
        )
    place = text.PLACES[placed.place]
    if placed.nest is None:
        return f"{placed.room}, {place}"
    return Markup('<a href="/nest/{}">{}</a>, {}').format(quote(placed.nest), placed.nest, place)


def _against(line: ProbeLine, unit: str) -> object:
    if line.check is None or line.placement is None:
        return ""
    siblings = f"{text.count_of(line.check.siblings, 'sibling', 'siblings')}, {line.check.hours} h"
    parts = []
    if line.check.temp_diff_c is not None:
        parts.append(f"{round(difference(line.check.temp_diff_c, unit), 1) + 0.0:+.1f} {sign(unit)}")
    if line.check.rh_diff_pct is not None:
        parts.append(f"{round(line.check.rh_diff_pct) + 0:+d} %")
    if not parts:
        return Markup('<span class="soft">{}: {}</span>').format(words.TOO_FEW, siblings)
    side = "high" if (line.check.temp_diff_c or line.check.rh_diff_pct or 0) > 0 else "low"
    told = _word("drift", ", ".join(parts), side) if line.check.apart else ", ".join(parts)
    return Markup('{}<br><small class="soft">{}</small>').format(told, siblings)


def _calibrated(line: ProbeLine, snapshot: Snapshot) -> object:
    if line.calibrated_ms is None:
        return words.NEVER
    age_ms = snapshot.at_ms - line.calibrated_ms
    told = f"{text.age(age_ms)} ago"
    return _word("drift", told) if age_ms >= CALIBRATE_EVERY_DAYS * 86_400_000 else told


def _word(shape: str, word: str, side: str = "") -> Markup:
    return Markup('<span class="word">{}{}</span>').format(mark(shape, side), word)


def _placements(placements: tuple[Placement, ...], name: str, snapshot: Snapshot) -> Markup:
    if not placements:
        return Markup("<p>{}</p>").format(_where(None, name))
    zone = snapshot.time_zone
    rows: Rows = [
        [
            _where(one, name),
            "" if one.distance_mm is None else f"{one.distance_mm:g} mm",
            local(one.since_ms, zone, "%-d %b %Y %H:%M"),
            words.STILL if one.until_ms is None else local(one.until_ms, zone, "%-d %b %Y %H:%M"),
        ]
        for one in reversed(placements)
    ]
    return table(("where", "from the cotton", "from", "until"), rows)
