"""The nest as it stands now: a few large words, and its bands with sources."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from dash import html

from dashboard import text, text_nest
from dashboard.components.service import service_words
from dashboard.snapshot import NestNow, Snapshot
from dashboard.units import CELSIUS, in_words, short, sign
from dashboard.viewmodels import card_of, local
from sensord.keeping.bands import Band, Bands


def facts(now: NestNow, snapshot: Snapshot) -> list[Any]:
    """The nest in a few large words."""
    card = card_of(now, snapshot)
    place = text.PLACES[now.placement.place] if now.placement else text.NO_PROBE
    temp = card.temp.replace("°", f" {sign(snapshot.temperature_unit)}")
    taken = snapshot.taken(now.nest.name, now.placement.probe if now.placement else None)
    return _facts(
        ("state", ": ".join(part for part in (text.STATES[card.state], card.reason) if part)),
        ("alarms", service_words(taken, snapshot, f"nest {now.nest.name}") if taken else ""),
        ("species", now.species or now.nest.species),
        ("season", text_nest.SEASONS.get(now.season, "")),
        (f"humidity, {place}", card.rh + (f", {card.rh_trend}" if card.rh_trend else "")),
        (f"temperature, {place}", temp + (f", {card.temp_trend}" if card.temp_trend else "")),
        ("water left", card.days),
        ("reading is old", card.age),
    )


def gone(now: NestNow, snapshot: Snapshot) -> list[Any]:
    """A nest whose colony died: when, and where to look why."""
    died_ms = now.died_ms or 0
    day = local(died_ms, snapshot.time_zone, "%Y-%m-%d")
    link = html.A(text.REVIEW_IT, href=f"/review?nest={quote(now.nest.name)}&day={day}")
    return _facts(
        ("state", text.DIED.format(at=local(died_ms, snapshot.time_zone, "%-d %b %Y %H:%M"))),
        ("species", now.species or now.nest.species),
        ("why", link),
    )


def _facts(*rows: tuple[str, Any]) -> list[Any]:
    return [html.Div([html.Small(label), value]) for label, value in rows if value]


def provenance(bands: Bands | None, degrees: str = CELSIUS) -> list[Any]:
    """The bands in force, each number with where it comes from."""
    if bands is None:
        return []
    rows = []
    for quantity, name in text.BANDS.items():
        band: Band = getattr(bands, quantity)
        for number, edge in enumerate(text.EDGES):
            value, source = band.edge(number)
            amount = short(value, degrees) if quantity == "temp_c" else f"{value:g} %"
            rows.append((f"{name}, {edge}", amount, in_words(source, degrees) or text.NO_SOURCE))
    return [html.H2(text.BANDS_TITLE), table(("", "", "source"), rows)]


def table(heads: Sequence[str], rows: Sequence[Sequence[Any]]) -> html.Div:
    """A plain table that scrolls sideways on a phone, by keyboard too."""
    head = html.Thead(html.Tr([html.Th(word, scope="col") if word else html.Td() for word in heads]))
    body = html.Tbody([html.Tr([html.Td(cell) for cell in row]) for row in rows])
    return html.Div(html.Table([head, body]), className="scroll", tabIndex=0)
