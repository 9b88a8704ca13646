"""SenML packs in JSON (RFC 8428): what hubs and foreign sensors publish, decoded to readings and back.

A reading is two records, ``HUB/PROBE/temperature`` in ``Cel`` and ``HUB/PROBE/humidity`` in ``%RH``, of one time.
Other quantities in a pack are left alone. Packs of our own hubs carry one more label, ``after`` (receipts.py);
the standard lets receivers pass over labels they do not know.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sensord.errors import InputError, PayloadError
from sensord.model import Reading, check_probe

VERSION: Final = 10
LARGEST_BYTES: Final = 4_000_000
RELATIVE_BELOW_S: Final = 2**28
LATEST_S: Final = 4_102_444_800
"""2100-01-01. A later time is milliseconds taken for seconds, or worse."""
QUANTITIES: Final = {"temperature": ("Cel", -273.15, 1_000.0), "humidity": ("%RH", -10.0, 150.0)}
"""Unit of each quantity, and the widest range any sensor could mean: beyond it is a mistake, not air."""
_NUMBERS: Final = ("bt", "bv", "bs", "v", "s", "t", "ut")
_TEXTS: Final = ("bn", "bu", "n", "u", "vs", "vd")
_VALUES: Final = ("v", "vs", "vb", "vd")


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record: base fields applied, time absolute.

    Attributes:
        unit: empty where none was given. time_s: seconds since 1970. value: None where it is no number.
    """

    name: str
    unit: str
    time_s: float
    value: float | None


@dataclass(frozen=True, slots=True)
class Pack:
    """What a pack says. ``after``: see receipts.py; None in packs that do not carry it."""

    readings: list[Reading]
    after: int | None


def encode(readings: Iterable[Reading], after: int | None = None) -> bytes:
    """One pack of readings that all belong to one hub and carry at least one value each.

    Raises:
        InputError: there is none, a probe has no hub, two hubs are mixed, or a reading is empty.
    """
    rows = sorted(readings, key=lambda reading: reading.at_ms)
    hubs = {reading.probe.rpartition("/")[0] for reading in rows}
    if len(hubs) != 1 or "" in hubs:
        raise InputError(f"a pack holds readings of one hub, not of {sorted(hubs) or 'none'}")
    if any(row.temp_c is None and row.rh_pct is None for row in rows):
        raise InputError("a reading without temperature and humidity cannot be sent")
    base_ms = rows[0].at_ms // 1000 * 1000
    records = [record for row in rows for record in _records(row, base_ms)]
    head: dict[str, Any] = {"bn": f"{hubs.pop()}/", "bt": base_ms // 1000}
    if after is not None:
        head["after"] = after
    records[0] = head | records[0]
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def _records(row: Reading, base_ms: int) -> Iterator[dict[str, Any]]:
    probe = row.probe.rpartition("/")[2]
    time = {"t": (row.at_ms - base_ms) / 1000} if row.at_ms != base_ms else {}
    if row.temp_c is not None:
        yield {"n": f"{probe}/temperature", "u": "Cel", "v": row.temp_c} | time
    if row.rh_pct is not None:
        yield {"n": f"{probe}/humidity", "u": "%RH", "v": row.rh_pct} | time


def decode(payload: bytes, now_ms: int, hub: str) -> list[Reading]:
    """The readings of a pack, in its order. See ``decode_pack``."""
    return decode_pack(payload, now_ms, hub).readings


def decode_pack(payload: bytes, now_ms: int, hub: str) -> Pack:
    """A pack received on a topic of ``hub``.

    Args:
        payload: SenML JSON.
        now_ms: the receiver's time, which relative times (below 2**28 s) and records without any count from.
        hub: the hub the topic names; every name in the pack must belong to it.

    Raises:
        PayloadError: no SenML of version 10 or lower, nothing of ours in it, or a value, unit, name or time that is
            not allowed; one line.
    """
    records = _parse(payload)
    readings = _pair(resolve(records, now_ms), hub)
    if not readings:
        raise PayloadError("the pack holds no temperature and no humidity")
    after = records[0].get("after")
    if after is not None and (isinstance(after, bool) or not isinstance(after, int) or not 0 <= after < 2**63):
        raise PayloadError(f"after = {_short(after)}: allowed is a whole number from 0")
    return Pack(readings, after)


def _parse(payload: bytes) -> list[dict[str, Any]]:
    if len(payload) > LARGEST_BYTES:
        raise PayloadError(f"the pack has {len(payload)} bytes, allowed are {LARGEST_BYTES}")
    try:
        document = json.loads(payload.decode("utf-8"), parse_constant=_refuse_constant)
    except PayloadError:
        raise
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else _short(str(error))
        raise PayloadError(f"not JSON: {reason}") from None
    if not isinstance(document, list) or not document or not all(isinstance(item, dict) for item in document):
        raise PayloadError("not SenML: allowed is a list of one or more records")
    return document


def _refuse_constant(name: str) -> None:
    raise PayloadError(f"not JSON: {name} is no number of JSON")


def resolve(records: Sequence[dict[str, Any]], now_ms: int) -> list[Record]:
    """Base fields applied and times made absolute (RFC 8428 section 4.6). Records without a value are left out.

    Raises:
        PayloadError: a label of the wrong type, a version not understood, a label that must be understood, a name or
            time that is not allowed, or a record with a name and no value.
    """
    base: dict[str, Any] = {}
    resolved = []
    for number, record in enumerate(records, 1):
        _check_labels(record, number)
        base |= {label: record[label] for label in ("bn", "bt", "bu", "bv", "bver") if label in record}
        if not any(label in record for label in _VALUES):
            if "n" in record and "s" not in record and "bs" not in record:
                raise PayloadError(f"record {number}: has a name but no value")
            continue
        value = record.get("v")
        resolved.append(
            Record(
                _name(base.get("bn", "") + record.get("n", ""), number),
                record.get("u", base.get("bu", "")),
                _time_s(base.get("bt", 0.0), record.get("t", 0.0), now_ms, number),
                None if value is None else base.get("bv", 0.0) + value,
            )
        )
    return resolved


def _check_labels(record: dict[str, Any], number: int) -> None:
    for label, value in record.items():
        if label.endswith("_"):
            raise PayloadError(f"record {number}: the label {_short(label)} must be understood, and is not")
        if label in _NUMBERS:
            record[label] = _number(value, f"record {number}: {label}")
        elif label in _TEXTS and not isinstance(value, str):
            raise PayloadError(f"record {number}: {label} = {_short(value)}: allowed is text")
        elif label == "vb" and not isinstance(value, bool):
            raise PayloadError(f"record {number}: vb = {_short(value)}: allowed is true or false")
        elif label == "bver" and (isinstance(value, bool) or not isinstance(value, int) or not 0 < value <= VERSION):
            raise PayloadError(f"record {number}: bver = {_short(value)}: allowed is a version up to {VERSION}")
    if sum(label in record for label in _VALUES) > 1:
        raise PayloadError(f"record {number}: has more than one value")


def _number(value: Any, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadError(f"{what} = {_short(value)}: allowed is a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PayloadError(f"{what}: the number is too large")
    return number


def _name(name: str, number: int) -> str:
    """RFC 8428 section 4.5.1: letters, digits and ``-:./_``, the first a letter or digit."""
    allowed = name.isascii() and all(letter.isalnum() or letter in "-:./_" for letter in name)
    if not allowed or not name[:1].isalnum():
        raise PayloadError(f"record {number}: name {_short(name)}: allowed are letters, digits and -:./_")
    return name


def _time_s(base_s: float, time_s: float, now_ms: int, number: int) -> float:
    total_s = base_s + time_s
    if total_s < RELATIVE_BELOW_S:
        total_s += now_ms / 1000
    if not RELATIVE_BELOW_S <= total_s < LATEST_S:
        raise PayloadError(f"record {number}: time {total_s:.0f}: allowed are seconds since 1970, up to the year 2100")
    return total_s


def _pair(records: Iterable[Record], hub: str) -> list[Reading]:
    """Temperature and humidity of one probe and millisecond make one reading; the first value given counts."""
    found: dict[tuple[str, int], dict[str, float]] = {}
    for record in records:
        probe, _, quantity = record.name.rpartition("/")
        if quantity not in QUANTITIES:
            continue
        _check_probe_of(probe, hub)
        values = found.setdefault((probe, round(record.time_s * 1000)), {})
        values.setdefault(quantity, _value(record, quantity))
    return [
        Reading(probe, at_ms, values.get("temperature"), values.get("humidity"))
        for (probe, at_ms), values in found.items()
    ]


def _check_probe_of(probe: str, hub: str) -> None:
    try:
        check_probe(probe)
    except InputError as error:
        raise PayloadError(_short(str(error), 200)) from None
    if probe.rpartition("/")[0] != hub:
        raise PayloadError(f"probe {probe!r} does not belong to hub {hub!r}, whose topic it came on")


def _value(record: Record, quantity: str) -> float:
    unit, low, high = QUANTITIES[quantity]
    if record.value is None:
        raise PayloadError(f"{_short(record.name)}: the value is no number")
    if record.unit != unit:
        raise PayloadError(f"{_short(record.name)} is in {_short(record.unit)}: allowed is {unit}")
    if not low <= record.value <= high:
        raise PayloadError(f"{_short(record.name)} = {record.value:g} {unit}: allowed is {low:g} to {high:g}")
    return record.value


def _short(what: Any, length: int = 60) -> str:
    """Anything as one printable line of bounded length."""
    try:
        text = what if isinstance(what, str) else repr(what)
    except (ValueError, RecursionError):  # an integer of thousands of digits, or lists in lists in lists
        text = "a value too large to print"
    text = ascii(text)[1:-1] if not (text.isascii() and text.isprintable()) else text
    return text if len(text) <= length else f"{text[:length]}…"
