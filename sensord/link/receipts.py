"""Receipts: the recorder's word to a hub that every reading up to sequence number N is stored.

A broker may drop packs in the middle, so the recorder must not take the newest SEQ for all before it. Each pack of our
hubs says in ``after`` which sequence number before it is still waiting in the outbox (0: none). Whoever holds all up to
``after`` and this pack holds all up to its SEQ; the readings of any other pack are stored too, but its receipt stays
where it was, and the hub, seeing no progress, sends again from its oldest waiting row.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from sensord.errors import PayloadError
from sensord.link.senml import Pack
from sensord.link.topics import LARGEST_SEQ


@dataclass(frozen=True, slots=True)
class Receipt:
    """All readings of outbox ``spool`` up to sequence number ``upto`` are stored."""

    spool: str
    upto: int


def advance(upto: int | None, seq: int, pack: Pack) -> int:
    """The receipt to give after this pack was stored. Never less than before.

    Args:
        upto: the receipt given so far; None for an outbox never heard of.
        seq: the last sequence number in the pack, from its topic.
        pack: a pack without ``after`` (another maker's hub) is taken to hold consecutive numbers, one a reading.
    """
    if pack.after is None:
        if upto is None:
            return seq
        follows = seq - len(pack.readings) <= upto
    else:
        follows = pack.after <= (upto or 0)
    return max(upto or 0, seq) if follows else upto or 0


def encode_receipt(receipt: Receipt) -> bytes:
    """The payload of a receipt."""
    return json.dumps({"spool": receipt.spool, "upto": receipt.upto}).encode()


def decode_receipt(payload: bytes) -> Receipt:
    """A receipt from its payload.

    Raises:
        PayloadError: it is none.
    """
    try:
        document = json.loads(payload)
        spool, upto = document["spool"], document["upto"]
    except (ValueError, TypeError, KeyError, RecursionError):
        raise PayloadError('receipt: allowed is {"spool": "…", "upto": N}') from None
    if not isinstance(spool, str) or isinstance(upto, bool) or not isinstance(upto, int):
        raise PayloadError('receipt: allowed is {"spool": "…", "upto": N}')
    if not 0 <= upto <= LARGEST_SEQ:
        raise PayloadError(f"receipt: upto is outside 0 to {LARGEST_SEQ}")
    return Receipt(spool, upto)
