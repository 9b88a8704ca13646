"""A cell of a table that people fill in: text to value, or one clear line."""

from __future__ import annotations

from sensord.errors import InputError


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
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise InputError(
            f"{name} = {text[:60]!r}: allowed is a number from {low:g} to {high:g}, or blank where {blank}"
        )
    return value
