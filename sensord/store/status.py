"""The last status of every hub, as it told itself or as its last will did."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

from sensord.clock import parse_instant, to_ms
from sensord.db import migrate, transaction
from sensord.errors import PayloadError

_STEPS = (
    """CREATE TABLE hub_status (
        hub TEXT PRIMARY KEY, state TEXT NOT NULL, since_ms INTEGER, boot TEXT NOT NULL, version TEXT NOT NULL,
        outbox_rows INTEGER, oldest_ms INTEGER, heard_at_ms INTEGER NOT NULL
    ) WITHOUT ROWID""",
    "ALTER TABLE hub_status ADD COLUMN faults TEXT NOT NULL DEFAULT '{}'",
)
MOST_FAULTS = 1000
LONGEST_FAULT = 300


@dataclass(frozen=True, slots=True)
class HubStatus:
    """What a hub said of itself last.

    Attributes:
        state: ``up`` or ``down``. since_ms: since when. outbox_rows: readings not yet on a receipt; oldest_ms: of them.
        heard_at_ms: when we heard it. None where it did not say.
        faults: what ails the hub's bus (by the hub's name) or one of its probes (by full name), one line each.
    """

    hub: str
    state: str
    since_ms: int | None
    boot: str
    version: str
    outbox_rows: int | None
    oldest_ms: int | None
    heard_at_ms: int
    faults: Mapping[str, str] = field(default_factory=dict)


def decode_status(hub: str, payload: bytes, now_ms: int) -> HubStatus:
    """A status from its payload.

    Raises:
        PayloadError: it is none; one line.
    """
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        raise PayloadError("status: is no JSON") from None
    if not isinstance(document, dict) or document.get("state") not in ("up", "down"):
        raise PayloadError('status: allowed is {"state": "up"|"down", ...}')
    outbox = document.get("outbox")
    outbox = outbox if isinstance(outbox, dict) else {}
    return HubStatus(
        hub=hub,
        state=document["state"],
        since_ms=_instant(document.get("since")),
        boot=_text(document.get("boot")),
        version=_text(document.get("version")),
        outbox_rows=_whole(outbox.get("rows")),
        oldest_ms=_instant(outbox.get("oldest")),
        heard_at_ms=now_ms,
        faults=_faults(hub, document.get("faults")),
    )


class HubStatuses:
    """The statuses, in station.db."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        migrate(connection, "hub_status", _STEPS)

    def put(self, statuses: Sequence[HubStatus]) -> None:
        """Note them inside a transaction of the caller's; the last one of a hub stays."""
        self._connection.executemany(
            "INSERT OR REPLACE INTO hub_status VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    s.hub,
                    s.state,
                    s.since_ms,
                    s.boot,
                    s.version,
                    s.outbox_rows,
                    s.oldest_ms,
                    s.heard_at_ms,
                    json.dumps(dict(s.faults)),
                )
                for s in statuses
            ],
        )

    def add(self, status: HubStatus) -> None:
        """Note one. Durable on return."""
        with transaction(self._connection):
            self.put([status])

    def all(self) -> dict[str, HubStatus]:
        """The last status of every hub ever heard."""
        rows = self._connection.execute("SELECT * FROM hub_status ORDER BY hub").fetchall()
        names = [column.name for column in fields(HubStatus)]
        return {row[0]: HubStatus(**dict(zip(names, (*row[:-1], json.loads(row[-1])), strict=True))) for row in rows}


def _instant(value: Any) -> int | None:
    """Milliseconds of ISO 8601 text, or of seconds since 1970; None for none. What is neither is an error."""
    if value is None:
        return None
    try:
        if isinstance(value, str):
            return to_ms(parse_instant(value))
        if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e11:
            return round(value * 1000)
    except (ValueError, OverflowError):
        pass
    raise PayloadError("status: an instant in it is not ISO 8601")


def _whole(value: Any) -> int | None:
    fits = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**62
    return value if fits else None


def _faults(hub: str, found: Any) -> dict[str, str]:
    """Lines of the hub itself and of its own probes; whatever else stands there is left out."""
    if not isinstance(found, dict):
        return {}
    known = {
        name: _text(line, LONGEST_FAULT)
        for name, line in list(found.items())[:MOST_FAULTS]
        if (name == hub or name.startswith(f"{hub}/")) and isinstance(line, str) and line.strip()
    }
    return dict(sorted(known.items()))


def _text(value: Any, most: int = 64) -> str:
    return value[:most].encode(errors="backslashreplace").decode() if isinstance(value, str) else ""
