"""``/labels``: sheets of labels to print, one a nest, each with a code that opens the nest's one-tap entries on a phone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from flask import Flask, request
from markupsafe import Markup
from werkzeug.datastructures import MultiDict

from dashboard import text_keeping as text
from dashboard.components.codes import Code, code_of
from dashboard.components.grid import sheets
from dashboard.keeping_snapshot import Address, Labelled
from dashboard.shell import failed, page
from dashboard.snapshot import Source
from sensord.errors import NestclimateError

ACROSS_DOWN = {
    ("sheet", "a4"): (3, 8),
    ("sheet", "letter"): (3, 8),
    ("tube", "a4"): (4, 16),
    ("tube", "letter"): (4, 15),
}
"""Labels across and down a page; ``labels.css`` gives their lengths."""
CODE_MM = {"sheet": 30.0, "tube": 14.0}
LONG_NAME = 10
LEAST_MODULE_MM = 0.25
"""Smaller than that a phone's camera tells no modules apart at the distance where it still is sharp (common practice)."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the page was asked for. No rack and no nest: all of them."""

    size: str
    paper: str
    racks: tuple[str, ...]
    nests: tuple[str, ...]


def register(server: Flask, source: Source) -> None:
    """Add the page."""

    @server.get("/labels")
    def labels() -> str:
        try:
            body = labels_html(source.keeping.labelled(), source.keeping.address(), asked_of(request.args))
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        main = Markup('{}<main class="labels"><h1>{}</h1>{}</main>').format(sheets("labels.css"), text.LABELS, body)
        return page(text.LABELS, main, scripts=("labels.js",))


def asked_of(args: MultiDict[str, str]) -> Asked:
    """From the query; what it does not know is the usual."""
    size, paper = args.get("size", ""), args.get("paper", "")
    nests = (name.strip() for part in args.getlist("nest") for name in part.split(","))
    return Asked(
        size if size in text.LABEL_SIZES else "sheet",
        paper if paper in text.LABEL_PAPERS else "a4",
        tuple(args.getlist("rack")),
        tuple(name for name in nests if name),
    )


def chosen(nests: Sequence[Labelled], asked: Asked) -> list[Labelled]:
    """Those of the racks, and those named."""
    if not asked.racks and not asked.nests:
        return list(nests)
    return [nest for nest in nests if rack_of(nest) in asked.racks or nest.name in asked.nests]


def rack_of(nest: Labelled) -> str:
    """A rack of a room, in one word for the query."""
    return f"{nest.room}/{nest.rack}"


def address_of(link: str, nest: str) -> str:
    """Where the code of a nest leads."""
    return f"{link}/nest/{quote(nest, safe='')}#entries"


def labels_html(nests: Sequence[Labelled], address: Address, asked: Asked) -> Markup:
    """What to choose, what stands in the way, and the sheets."""
    if not nests:
        return Markup('<p>{} <a href="/colonies">Colonies</a></p>').format(text.LABELS_EMPTY)
    wanted = chosen(nests, asked)
    codes = [code_of(address_of(address.link, nest.name), nest.name) for nest in wanted]
    problem = Markup('<p class="stop" role="note">{}</p>').format(address.problem) if address.problem else ""
    fine = any(CODE_MM[asked.size] / code.modules < LEAST_MODULE_MM for code in codes)
    too_fine = Markup('<p class="stop" role="note">{}</p>').format(text.TOO_LONG) if fine else ""
    none = Markup("<p>{}</p>").format(text.LABELS_NONE) if not wanted else ""
    return Markup(
        '<div class="screen"><p>{} {}</p>{}{}{}{}</div><div class="sheets" tabindex="0" role="group" aria-label="{}">{}</div>'
    ).format(
        text.LABELS_HOW,
        text.LABELS_LEAD.format(link=address.link),
        problem,
        too_fine,
        _form(nests, asked),
        none,
        text.LABELS,
        _sheets(wanted, codes, asked),
    )


def _sheets(nests: Sequence[Labelled], codes: Sequence[Code], asked: Asked) -> Markup:
    across, down = ACROSS_DOWN[asked.size, asked.paper]
    full = across * down
    labels = [_label(nest, code) for nest, code in zip(nests, codes, strict=True)]
    return Markup("").join(
        Markup('<section class="sheet {} {}">{}</section>').format(
            asked.paper, asked.size, Markup("").join(labels[start : start + full])
        )
        for start in range(0, len(labels), full)
    )


def _label(nest: Labelled, code: Code) -> Markup:
    where = " \N{MIDDLE DOT} ".join(part for part in (nest.room, nest.rack) if part)
    return Markup('<div class="label{}">{}<p><b>{}</b><i>{}</i><small>{}</small></p></div>').format(
        " long" if len(nest.name) > LONG_NAME else "", code.svg, nest.name, nest.species, where
    )


def _form(nests: Sequence[Labelled], asked: Asked) -> Markup:
    racks = dict.fromkeys(rack_of(nest) for nest in nests)
    boxes = Markup("").join(
        Markup('<label><input type="checkbox" name="rack" value="{}"{}> {}</label>').format(
            rack, Markup(" checked") if rack in asked.racks else "", rack.strip("/")
        )
        for rack in racks
    )
    return Markup(
        '<form class="ask" action="/labels"><fieldset><legend>{} <small>{}</small></legend>{}</fieldset>'
        '<label>{} <input name="nest" value="{}" placeholder="{}"></label>{}{}'
        '<button>{}</button> <button type="button" id="print">{}</button> <small class="soft">{}</small></form>'
    ).format(
        text.RACKS,
        text.ALL_RACKS,
        boxes,
        text.ONLY_NESTS,
        ", ".join(asked.nests),
        text.ONLY_NESTS_HINT,
        _choice("size", text.LABEL_SIZES, asked.size),
        _choice("paper", text.LABEL_PAPERS, asked.paper),
        text.SHOW,
        text.PRINT,
        text.LABELS_PRINT,
    )


def _choice(name: str, words: dict[str, str], now: str) -> Markup:
    options = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(value, Markup(" selected") if value == now else "", word)
        for value, word in words.items()
    )
    return Markup('<label>{} <select name="{}">{}</select></label>').format(name, name, options)
