"""A hub's status message: written by the hub (and its last will), read by the station."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sensord.clock import iso, parse_instant, to_ms
from sensord.errors import InputError, PayloadError


@dataclass(frozen=True, slots=True)
class Status:
    """How a hub is.

    Attributes:
        state: ``up`` or ``down``. since_ms: since when; None where the hub does not know the time. In a last will it is
            when the hub came up, for nobody can know beforehand when it will vanish.
        rows, oldest_ms: readings waiting in its outbox, and the date of the oldest.
        given_up: readings thinned out because the outbox was full. undated: readings whose time was never learnt.
        faults: what ails each probe that does not answer as it should, one line each.
    """

    state: str
    since_ms: int | None = None
    boot: str = ""
    version: str = ""
    rows: int = 0
    oldest_ms: int | None = None
    given_up: int = 0
    undated: int = 0
    faults: Mapping[str, str] = field(default_factory=dict)


def encode_status(status: Status) -> bytes:
    """The payload; ``given_up``, ``undated`` and ``faults`` only where there are any."""
    outbox: dict[str, Any] = {"rows": status.rows, "oldest": _instant(status.oldest_ms)}
    outbox |= {name: count for name in ("given_up", "undated") if (count := getattr(status, name))}
    document: dict[str, Any] = {
        "state": status.state,
        "since": _instant(status.since_ms),
        "boot": status.boot,
        "version": status.version,
        "outbox": outbox,
    }
    if status.faults:
        document["faults"] = dict(sorted(status.faults.items()))
    return json.dumps(document).encode()


def decode_status(payload: bytes) -> Status:
    """A status from its payload; what is missing takes its default, what is unknown is passed over.

    Raises:
        PayloadError: it is no status.
    """
    try:
        document = json.loads(payload)
        outbox = document.get("outbox") or {}
        status = Status(
            state=document["state"],
            since_ms=_ms(document.get("since")),
            boot=_text(document.get("boot", "")),
            version=_text(document.get("version", "")),
            rows=_count(outbox.get("rows", 0)),
            oldest_ms=_ms(outbox.get("oldest")),
            given_up=_count(outbox.get("given_up", 0)),
            undated=_count(outbox.get("undated", 0)),
            faults={_text(probe): _text(line) for probe, line in (document.get("faults") or {}).items()},
        )
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise PayloadError(f"status: cannot be decoded ({str(error)[:120]!r})") from None
    if status.state not in ("up", "down"):
        raise PayloadError(f"status: state = {str(status.state)[:60]!r}: allowed is 'up' or 'down'")
    return status


def _instant(at_ms: int | None) -> str | None:
    return None if at_ms is None else iso(at_ms)


def _ms(text: Any) -> int | None:
    return None if text is None else to_ms(parse_instant(_text(text)))


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise InputError(f"{value!r:.60} is no text")
    return value[:400]


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**63:
        raise InputError(f"{value!r:.60} is no whole number from 0")
    return value
