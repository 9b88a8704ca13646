"""The topics of the line: built and taken apart here only.

``nestclimate/1/HUB/readings/SPOOL/SEQ``, ``nestclimate/1/HUB/readings`` (foreign sensors),
``nestclimate/1/HUB/receipts``, ``nestclimate/1/HUB/status``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from sensord.errors import PayloadError
from sensord.model import HUB_OR_PROBE

ROOT: Final = "nestclimate/1"
ALL_READINGS: Final = f"{ROOT}/+/readings/#"
"""Matches both kinds of readings: ``#`` stands for the parent level too (MQTT 3.1.1 section 4.7.1.2)."""
ALL_STATUS: Final = f"{ROOT}/+/status"
LARGEST_SEQ: Final = 2**63 - 1
_SPOOL: Final = re.compile(r"[A-Za-z0-9_-]{1,64}")
_SEQ: Final = re.compile(r"[1-9][0-9]{0,18}")


@dataclass(frozen=True, slots=True)
class ReadingsTopic:
    """Where a pack came on. ``spool`` and ``seq`` are None for a foreign sensor: recorded, no receipt."""

    hub: str
    spool: str | None = None
    seq: int | None = None


@dataclass(frozen=True, slots=True)
class ReceiptsTopic:
    """Receipts for a hub."""

    hub: str


@dataclass(frozen=True, slots=True)
class StatusTopic:
    """The status of a hub."""

    hub: str


def readings(hub: str, spool: str, seq: int) -> str:
    """Where a pack of an outbox goes; ``seq`` is the last sequence number inside."""
    return f"{ROOT}/{hub}/readings/{spool}/{seq}"


def foreign_readings(hub: str) -> str:
    """Where a pack of no outbox goes: recorded, no receipt."""
    return f"{ROOT}/{hub}/readings"


def receipts(hub: str) -> str:
    """Where the receipts for a hub go."""
    return f"{ROOT}/{hub}/receipts"


def status(hub: str) -> str:
    """Where a hub's status goes."""
    return f"{ROOT}/{hub}/status"


def parse(topic: str) -> ReadingsTopic | ReceiptsTopic | StatusTopic:
    """What a topic means.

    Raises:
        PayloadError: none of ours, or a name or number in it that is not allowed.
    """
    match topic.split("/"):
        case ["nestclimate", "1", hub, *rest] if HUB_OR_PROBE.fullmatch(hub):
            match rest:
                case ["readings"]:
                    return ReadingsTopic(hub)
                case ["readings", spool, seq] if _SPOOL.fullmatch(spool) and _SEQ.fullmatch(seq):
                    if int(seq) <= LARGEST_SEQ:
                        return ReadingsTopic(hub, spool, int(seq))
                case ["receipts"]:
                    return ReceiptsTopic(hub)
                case ["status"]:
                    return StatusTopic(hub)
                case _:
                    pass
        case _:
            pass
    raise PayloadError(
        f"topic {topic[:120]!r}: allowed are {ROOT}/HUB/readings, {ROOT}/HUB/readings/SPOOL/SEQ and {ROOT}/HUB/status"
    )
