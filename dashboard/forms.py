"""Reads and checks what a page sends. Pure: bytes in, plain values out, or one line that says what is wrong."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Mapping
from datetime import date, datetime, time, tzinfo
from typing import Any

from sensord.clock import DAY_MS, MINUTE_MS, from_ms, parse_instant, parse_length, to_ms
from sensord.errors import InputError

LONGEST_TEXT = 2_000
OLDEST_MS = 5 * 365 * DAY_MS
"""An entry may be as old as that; older is a slip of the pen, and belongs to an import."""
SLACK_MS = 5 * MINUTE_MS
_TURNS = re.compile("[\u202a-\u202e\u2066-\u2069\u200e\u200f\u061c]")
"""Marks that turn the direction of text: what follows them on a page would read backwards."""

Given = Mapping[str, Any]


def parse(body: bytes) -> Given:
    """A JSON object.

    Raises:
        InputError: anything else, or nested deeper than anything that is asked for.
    """
    try:
        found = json.loads(body.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise InputError("body: allowed is one JSON object in UTF-8") from None
    if not isinstance(found, dict):
        raise InputError("body: allowed is one JSON object")
    return found


def only(given: Given, *keys: str) -> Given:
    """The same, if it holds no other keys.

    Raises:
        InputError: it does.
    """
    strange = sorted(set(given) - set(keys))
    if strange:
        raise InputError(f"{strange[0][:60]!r}: is no key here; allowed are {', '.join(keys)}")
    return given


def text(given: Given, key: str, *, required: bool = False, most: int = LONGEST_TEXT) -> str:
    """Text without control characters but line ends, and without marks that turn its direction; spaces trimmed.

    Raises:
        InputError: no text, missing, too long, or with such characters.
    """
    value = given.get(key)
    if value is None or value == "":
        if required:
            raise InputError(f"{key}: is missing")
        return ""
    if not isinstance(value, str):
        raise InputError(f"{key}: allowed is text")
    value = value.strip()
    if len(value) > most:
        raise InputError(f"{key}: has {len(value)} characters; allowed are up to {most}")
    if any(unicodedata.category(each) in ("Cc", "Cs") and each not in "\n\r\t" for each in value):
        raise InputError(f"{key}: allowed is text without control characters")
    if required and not value:
        raise InputError(f"{key}: is missing")
    return _TURNS.sub("", value)


def number(given: Given, key: str) -> float | None:
    """A finite number, also as text with a decimal point or comma; None where it is missing or blank.

    Raises:
        InputError: something else.
    """
    value = given.get(key)
    if value is None or value == "":
        return None
    if isinstance(value, str):
        value = value.strip().replace(",", ".") if len(value) <= 40 else "x"
    try:
        found = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if not math.isfinite(found):
        raise InputError(f"{key} = {str(given[key])[:40]!r}: allowed is a number, or blank")
    return found


def whole(given: Given, key: str) -> int:
    """A whole number from 1, as an id is.

    Raises:
        InputError: something else.
    """
    found = number(given, key)
    if found is None or found != int(found) or not 1 <= found < 2**53:
        raise InputError(f"{key} = {str(given.get(key))[:40]!r}: allowed is a whole number from 1")
    return int(found)


def instant(given: Given, key: str, now_ms: int) -> int:
    """When it was; now, to the second, where it is blank.

    Raises:
        InputError: no ISO 8601 with an offset, in the future, or more than five years ago.
    """
    value = text(given, key, most=40)
    if not value:
        return now_ms // 1_000 * 1_000
    try:
        at_ms = to_ms(parse_instant(value))
    except (InputError, OverflowError) as error:
        raise InputError(f"{key}: {error}") from None
    if at_ms > now_ms + SLACK_MS:
        raise InputError(f"{key} = {value!r}: lies in the future")
    if at_ms < now_ms - OLDEST_MS:
        raise InputError(f"{key} = {value!r}: lies more than five years back; 'nestclimate import journal' takes such")
    return min(at_ms, now_ms)


def day(given: Given, key: str, now_ms: int, zone: tzinfo) -> int:
    """Noon of a day in the room's time zone, written ``2026-04-01``; now where it is today or blank.

    Raises:
        InputError: no day, one to come, or more than five years ago.
    """
    value = text(given, key, most=40)
    now = from_ms(now_ms).astimezone(zone)
    try:
        found = date.fromisoformat(value) if value else now.date()
    except ValueError:
        raise InputError(f"{key} = {value!r}: allowed is a day such as {now.date()}") from None
    if found == now.date():
        return now_ms // 1_000 * 1_000
    if found > now.date() or (now.date() - found).days * DAY_MS > OLDEST_MS:
        raise InputError(f"{key} = {value!r}: allowed is a day of the last five years")
    return to_ms(datetime.combine(found, time(12), zone))


def duration(given: Given, key: str) -> int:
    """``30m``, ``2h`` or ``1d`` in milliseconds.

    Raises:
        InputError: another form.
    """
    value = text(given, key, required=True, most=20)
    try:
        return parse_length(value)
    except InputError as error:
        raise InputError(f"{key} = {value!r}: {error}") from None


def local_path(path: str) -> str:
    """A path of this dashboard to go on to, ``/`` for anything else: no other host, no scheme, nothing hidden in it."""
    plain = re.fullmatch(r"/(?![/\\])[A-Za-z0-9/._~%?=&+:,;@-]*(#[a-z0-9-]*)?", path or "")
    return path if plain and len(path) <= 400 and "/sign-in" not in path and "/sign-out" not in path else "/"


def _no_constant(name: str) -> Any:
    raise ValueError(name)
