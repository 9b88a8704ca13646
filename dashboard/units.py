"""Temperatures as the reader wants them, °C or °F: the only place that knows how. Everything inside stays in °C.

°F = °C x 9/5 + 32, a difference without the 32 (NIST Special Publication 811, 2008, B.8 and B.9).
"""

from __future__ import annotations

import re

CELSIUS, FAHRENHEIT = "C", "F"
UNITS = (CELSIUS, FAHRENHEIT)
_KINDS = {
    "dry": "%", "wet": "%", "hot": "degrees", "cold": "degrees", "swing": "change", "reservoir": "d", "reservoir_empty": "mL",
}  # fmt: skip
_NUMBER = r"[-\N{MINUS SIGN}]?\d+(?:\.\d+)?"
_IN_WORDS = re.compile(
    rf"(?P<swing>swing\w*[^.;]{{0,40}}?)?(?:(?P<low>{_NUMBER})(?P<to> to | and |\N{{EN DASH}}))?"
    rf"(?P<value>{_NUMBER})\s?°C(?P<change>/h| h\b| away| apart| warmer| colder| above| below| less| in (?:an hour|12 h|twelve hours))?"
    rf"(?:(?P<limit_is> \(limit )(?P<limit>{_NUMBER}))?"
)
"""A temperature in a sentence: a range or a limit that shares its unit, and the words that make it a difference."""


def sign(unit: str) -> str:
    """``°C`` or ``°F``."""
    return f"°{unit}"


def degrees(temp_c: float, unit: str) -> float:
    """A temperature."""
    return temp_c * 9 / 5 + 32 if unit == FAHRENHEIT else temp_c


def difference(change_c: float, unit: str) -> float:
    """A difference of temperatures."""
    return change_c * 9 / 5 if unit == FAHRENHEIT else change_c


def written(temp_c: float, unit: str, digits: int = 1) -> str:
    """A temperature with its unit. An SHT31 knows ±0.2 °C (its data sheet), so a tenth is all that is worth showing."""
    return f"{degrees(temp_c, unit) + 0.0:.{digits}f} {sign(unit)}"


def short(temp_c: float, unit: str) -> str:
    """As the bands have it: no more digits than it needs, a tenth at most."""
    return f"{round(degrees(temp_c, unit), 1):g} {sign(unit)}"


def of_kind(kind: str, value: float | None, unit: str) -> str:
    """The worst or the limit of an alarm or exposure of that kind, with its unit; empty where there is none."""
    if value is None:
        return ""
    what = _KINDS.get(kind, "")
    if what == "degrees":
        return written(value, unit)
    if what == "change":
        return f"{difference(value, unit):.1f} {sign(unit)}"
    if what == "d":
        return f"{round(value, 1):g} d"
    return f"{value:.1f} {what}".rstrip()


def in_words(words: str, unit: str) -> str:
    """Sentences made elsewhere, in °C, with every temperature in the reader's unit and as many digits as it had."""
    return words if unit == CELSIUS else _IN_WORDS.sub(lambda found: _said(found, unit), words)


def _said(found: re.Match[str], unit: str) -> str:
    change = found["change"] or ""
    as_wanted = difference if change or found["swing"] else degrees

    def number(text: str) -> str:
        digits = len(text.partition(".")[2])
        return f"{as_wanted(float(text.replace(chr(0x2212), '-')), unit):.{digits}f}"

    low = number(found["low"]) + found["to"] if found["low"] else ""
    limit = found["limit_is"] + number(found["limit"]) if found["limit"] else ""
    return f"{found['swing'] or ''}{low}{number(found['value'])} {sign(unit)}{change}{limit}"
