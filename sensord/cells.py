"""A cell of a table that people fill in: text to value, or one clear line."""

from __future__ import annotations

import math
import re

from sensord.errors import InputError

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)


def plain_number(text: str) -> float:
    """The number that the text is, NaN where it is none.

    ``float`` alone also takes ``1_0`` for 10, ``nan``, and digits of other scripts: slips that must not pass for a number.
    """
    return float(text) if NUMBER.fullmatch(text) else math.nan


def not_utf8(text: str) -> bool:
    """Whether bytes that are no UTF-8 were read into the text: they stand in it as lone surrogates."""
    return not text.isascii() and any("\ud800" <= sign <= "\udfff" for sign in text)


def number_of(name: str, text: str, low: float, high: float, blank: str) -> float | None:
    """The number in a cell, None where it is blank.

    Args:
        name: of the column. low, high: what is allowed, ends included, in the column's own unit.
        blank: what a blank means, for the message.

    Raises:
        InputError: no number, or outside.
    """
    if not text:
        return None
    value = plain_number(text)
    if not low <= value <= high:
        raise InputError(
            f"{name} = {text[:60]!r}: allowed is a number from {low:g} to {high:g}{_with_point(text)}, or blank where {blank}"
        )
    return value


def _with_point(text: str) -> str:
    """A word more for somebody whose spreadsheet writes 21,5."""
    whole, comma, rest = text.partition(",")
    return " with a point" if comma and whole.strip("+-").isdecimal() and rest.isdecimal() else ""
