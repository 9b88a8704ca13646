"""Nests and marks as inline SVG. Colours come from the style sheet by class, so that light and dark share one drawing."""

from __future__ import annotations

from markupsafe import Markup

_WATER_FROM, _WATER_LONG = 5.0, 56.0

SYMBOLS = Markup(
    '<svg class="symbols" aria-hidden="true">'
    '<symbol id="up" viewBox="0 0 10 10"><path d="M1 9 9 1M3 1h6v6" /></symbol>'
    '<symbol id="down" viewBox="0 0 10 10"><path d="M1 1 9 9M9 3v6H3" /></symbol>'
    '<symbol id="m-act" viewBox="0 0 30 56"><rect x="0" y="0" width="30" height="56" rx="3" class="f-act" />'
    '<path d="M11 8h8l-2 25h-4z" class="f-on" /><circle cx="15" cy="44" r="4.4" class="f-on" /></symbol>'
    '<symbol id="m-drift-high" viewBox="0 0 30 56"><path d="M15 12 29 42H1z" class="f-drift" /></symbol>'
    '<symbol id="m-drift-low" viewBox="0 0 30 56"><path d="M15 44 29 14H1z" class="f-drift" /></symbol>'
    '<symbol id="m-blind" viewBox="0 0 30 56"><circle cx="15" cy="28" r="11" class="ring" />'
    '<path d="M7 36 23 20" class="ring" /></symbol>'
    "</svg>"
)
"""Shapes used many times, drawn once a page."""


def mark(state: str, side: str) -> Markup:
    """The shape of a state: a full block with a call sign, a wedge that points the way it went, a struck ring; none while well."""
    if state == "ok":
        return Markup("")
    shape = f"drift-{side or 'high'}" if state == "drift" else state
    return Markup('<svg class="mark"><use href="#m-{}"/></svg>').format(shape)


def arrow(trend: str) -> Markup:
    """A small arrow up or down; an empty place of the same size while steady or unknown."""
    if trend not in {"up", "down"}:
        return Markup('<s class="trend"></s>')
    return Markup('<svg class="trend"><use href="#{}"/></svg>').format(trend)


def housing(kind: str, water: float | None) -> Markup:
    """The nest as what it is. ``water`` is the share of the reservoir that is left, 0 to 1, or None where unknown."""
    return (_formicarium if kind == "formicarium" else _tube)(water)


def _tube(water: float | None) -> Markup:
    """A tube lying: water from the closed end, wet cotton, the chamber, the plug at its mouth."""
    long = _WATER_LONG * (water or 0.0)
    start = _WATER_FROM + _WATER_LONG - long
    column = _unknown(_WATER_FROM + 4, _WATER_LONG - 8) if water is None else _column(start, long, 16)
    return Markup(
        '<svg class="nest-drawing" viewBox="0 0 100 20" preserveAspectRatio="xMinYMid">{}'
        '<rect x="61" y="2.5" width="11" height="15" class="cotton"/><rect x="91" y="2.5" width="8" height="15" class="cotton"/>'
        '<path d="M97 1H13a9 9 0 0 0 0 18h84" class="glass"/></svg>'
    ).format(column)


def _formicarium(water: float | None) -> Markup:
    """A box with its wet end at the left and chambers joined by a passage."""
    column = _unknown(8, 34) if water is None else _column(5, 40 * water, 14)
    return Markup(
        '<svg class="nest-drawing" viewBox="0 0 100 20" preserveAspectRatio="xMinYMid">{}<path d="M47 1v18" class="glass"/>'
        '<path d="M60 10h28" class="passage"/><ellipse cx="61" cy="10" rx="9" ry="6" class="chamber"/>'
        '<ellipse cx="86" cy="10" rx="9" ry="6" class="chamber"/>'
        '<rect x="1.5" y="1" width="97" height="18" rx="2" class="glass"/></svg>'
    ).format(column)


def _column(start: float, long: float, high: int) -> Markup:
    y = (20 - high) / 2
    return Markup('<rect x="{:.1f}" y="{:g}" width="{:.1f}" height="{}" rx="3" class="water"/>').format(
        start, y, long, high
    )


def _unknown(start: float, long: float) -> Markup:
    return Markup('<path d="M{:g} 10h{:g}" class="unknown"/>').format(start, long)
