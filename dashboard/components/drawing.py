"""Nests and marks as inline SVG. Colours come from the style sheet by class, so that light and dark share one drawing.

A tube and a formicarium keep their water on the same length, so that the eye compares columns across a whole shelf. What
a reservoir that is due has lost is filled in colour: the shorter the column, the longer the bar that calls.
"""

from __future__ import annotations

from functools import cache, lru_cache

from markupsafe import Markup

_WATER_FROM, _WATER_LONG = 4.0, 84.0

SYMBOLS = Markup(
    '<svg class="symbols" aria-hidden="true">'
    '<symbol id="up" viewBox="0 0 10 10"><path d="M1 9 9 1M3 1h6v6" /></symbol>'
    '<symbol id="down" viewBox="0 0 10 10"><path d="M1 1 9 9M9 3v6H3" /></symbol>'
    '<symbol id="m-act" viewBox="0 0 26 56"><rect x="0" y="0" width="26" height="56" rx="3" class="f-act" />'
    '<path d="M9 8h8l-2 25h-4z" class="f-on" /><circle cx="13" cy="44" r="4.4" class="f-on" /></symbol>'
    '<symbol id="m-drift-high" viewBox="0 0 26 56"><path d="M13 2 26 54H0z" class="f-drift" /></symbol>'
    '<symbol id="m-drift-low" viewBox="0 0 26 56"><path d="M13 54 26 2H0z" class="f-drift" /></symbol>'
    '<symbol id="m-blind" viewBox="0 0 26 56"><path d="M2.5 2.5h21v51h-21zl21 51m0-51-21 51" class="ring" /></symbol>'
    '<symbol id="m-service" viewBox="0 0 26 56"><path d="M2.5 2.5h21v51h-21z" class="ring" stroke-dasharray="8 5" /></symbol>'
    "</svg>"
)
"""Shapes used many times, drawn once a page."""


@cache
def mark(state: str, side: str) -> Markup:
    """The shape of a state: a full block with a call sign, a wedge that points the way it went, a crossed frame; an
    open dashed frame around what is out of service; none while well."""
    if state == "ok":
        return Markup("")
    shape = f"drift-{side or 'high'}" if state == "drift" else state
    return Markup('<svg class="mark"><use href="#m-{}"/></svg>').format(shape)


@cache
def arrow(trend: str) -> Markup:
    """A small arrow up or down; an empty place of the same size while steady or unknown."""
    if trend not in {"up", "down"}:
        return Markup('<s class="trend"></s>')
    return Markup('<svg class="trend"><use href="#{}"/></svg>').format(trend)


@lru_cache(maxsize=4_096)
def housing(kind: str, water: float | None, call: str = "") -> Markup:
    """The nest as what it is.

    Args:
        kind: formicarium, else a tube.
        water: the share of the reservoir that is left, 0 to 1; None where unknown.
        call: empty while there is enough; drift or act where the water is low or due.
    """
    shape = _FORMICARIUM if kind == "formicarium" else _TUBE
    return Markup('<svg class="nest-drawing" viewBox="0 0 188 20" preserveAspectRatio="xMinYMid">{}{}</svg>').format(
        _water(water, call), shape
    )


_TUBE = Markup(
    '<path d="M89 2.5h13v15H89zM171 2.5h13v15h-13z" class="cotton"/><path d="M182 1H11a9 9 0 0 0 0 18h171" class="glass"/>'
)
"""A tube lying: water from the closed end, wet cotton, the chamber, the plug at its mouth."""
_FORMICARIUM = Markup(
    '<path d="M113 10h60" class="passage"/><path d="M100 10a12 6 0 0 1 24 0 12 6 0 0 1-24 0m32 0a12 6 0 0 1 24 0 12 6 0 0 1-24 0'
    'm28 0a10 6 0 0 1 20 0 10 6 0 0 1-20 0" class="chamber"/><rect x="1" y="1" width="186" height="18" rx="2" class="glass"/>'
    '<path d="M91 1v18" class="glass"/>'
)
"""A box: its wet end at the left, chambers joined by a passage."""


def _water(share: float | None, call: str) -> Markup:
    """The column stands at the cotton and shrinks from the far end."""
    if share is None:
        return Markup('<path d="M12 10h70" class="unknown"/>')
    empty = _WATER_LONG * (1 - share)
    gone = Markup('<path d="M{:g} 5h{:.1f}v10H{:g}z" class="gone-{}"/>').format(
        _WATER_FROM + 3, max(0.0, empty - 5), _WATER_FROM + 3, call
    )
    column = Markup('<rect x="{:.1f}" y="2.5" width="{:.1f}" height="15" rx="3" class="water"/>').format(
        _WATER_FROM + empty, _WATER_LONG - empty
    )
    return (gone if call else Markup("")) + column
