"""Whether another hub is at work under our hub's name: pure, told of every receipt, no clock asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sensord.link.receipts import Receipt

AFTER_S: Final = 60.0
"""Receipts for packs of our own former outbox that were still on their way come sooner than that."""
FORGET_S: Final = 900.0


@dataclass(frozen=True, slots=True)
class Namesake:
    """What is known of an outbox that is not ours and yet gets receipts under our hub's name.

    Attributes:
        last: its furthest receipt. first_s: when the first of them came (seconds of a monotonic clock). seen_s: when it was
            last seen to go on, at least ``AFTER_S`` after the first.
    """

    last: Receipt | None = None
    first_s: float = 0.0
    seen_s: float | None = None

    def hear(self, receipt: Receipt, now_s: float) -> Namesake:
        """A receipt for an outbox that is not ours. One that says no more than before is a repeat of the station's."""
        if self.last is None or receipt.spool != self.last.spool:
            return Namesake(receipt, now_s)
        if receipt.upto <= self.last.upto:
            return self
        goes_on = now_s - self.first_s >= AFTER_S
        return Namesake(receipt, self.first_s, now_s if goes_on else self.seen_s)

    def spool(self, now_s: float) -> str:
        """Its name while it is at work, else empty."""
        at_work = self.seen_s is not None and now_s - self.seen_s < FORGET_S
        return self.last.spool if self.last is not None and at_work else ""
