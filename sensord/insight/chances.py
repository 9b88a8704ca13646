"""How improbable something is by chance alone, exactly, and with many looks allowed for. Pure, without a library.

Fisher's exact test: Fisher 1935, The Design of Experiments, chapter 2. Many looks: Holm 1979, Scand. J. Stat. 6:65-70.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sensord.errors import InputError

RARE = 0.05
"""What chance alone does less often than that is worth a sentence (common practice)."""


def at_least(hits: int, drawn: int, marked: int, everybody: int) -> float:
    """Chance that of ``drawn`` out of ``everybody``, ``marked`` of whom carry a mark, ``hits`` or more carry it.

    The upper tail of the hypergeometric distribution: the one-sided exact test of Fisher.

    Raises:
        InputError: more drawn or marked than there are, or anything negative.
    """
    if not (0 <= drawn <= everybody and 0 <= marked <= everybody and hits >= 0):
        raise InputError(
            f"chance of {hits} among {drawn} drawn, {marked} marked of {everybody}: allowed is a part of all"
        )
    all_ways = math.comb(everybody, drawn)
    ways = sum(
        math.comb(marked, found) * math.comb(everybody - marked, drawn - found)
        for found in range(hits, min(drawn, marked) + 1)
    )
    return ways / all_ways


def holm(chances: Sequence[float]) -> list[float]:
    """Each chance with all the looks allowed for, in the order given; never above 1."""
    order = sorted(range(len(chances)), key=lambda number: chances[number])
    found, least = [1.0] * len(chances), 0.0
    for rank, number in enumerate(order):
        least = max(least, min(1.0, chances[number] * (len(chances) - rank)))
        found[number] = least
    return found


def in_words(chance: float) -> str:
    """A chance as a keeper says it: ``1 in 2,000``; for frequent ones a share."""
    if chance >= 0.2:
        return f"{round(10 * chance)} in 10"
    once_in = 1.0 / max(chance, 1e-9)
    digits = max(0, int(math.log10(once_in)))
    return f"1 in {round(once_in, -digits + 1) if digits > 1 else round(once_in):,.0f}"


def p_of(chance: float) -> str:
    """A p value as a table has it: two digits, and no smaller than anybody needs."""
    return "< 0.0001" if chance < 1e-4 else f"{chance:.2g}"


def p_is(chance: float) -> str:
    """The same in a sentence."""
    told = p_of(chance)
    return f"p {told}" if told.startswith("<") else f"p = {told}"
