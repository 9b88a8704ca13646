"""A hub's status message, its last will too. The station reads it in sensord/store/status.py."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sensord.clock import iso


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


def _instant(at_ms: int | None) -> str | None:
    return None if at_ms is None else iso(at_ms)
