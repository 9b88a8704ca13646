"""QR codes (ISO/IEC 18004) as inline SVG, black on white whatever the reader's colours are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import segno
from markupsafe import Markup

QUIET_MODULES = 4
"""White modules around a code, as the standard asks."""


@dataclass(frozen=True, slots=True)
class Code:
    """A code and how many modules it is wide, its quiet zone included."""

    svg: Markup
    modules: int


@lru_cache(maxsize=4_096)  # a code takes about 4 ms, a sheet of a large room half a second
def code_of(address: str, name: str) -> Code:
    """The code of an address, with error correction M: a scratch may take a seventh of it.

    Args:
        name: what it leads to, for who cannot see it.
    """
    found = segno.make(address, error="m", micro=False)
    svg = found.svg_inline(border=QUIET_MODULES, dark="#000", omitsize=True, svgclass="code", lineclass=None)
    named = Markup('<svg role="img" aria-label="{}" ').format(name)
    return Code(named + Markup(svg.removeprefix("<svg ")), int(found.symbol_size(border=QUIET_MODULES)[0]))  # noqa: S704 - digits
