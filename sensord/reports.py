"""Gathers what a report is made from: the review of one nest or of several, with all around them, step by step."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sensord import forewarning
from sensord.clock import DAY_MS
from sensord.errors import InputError
from sensord.insight.in_common import InCommon
from sensord.insight.review_article import Reviewed
from sensord.lives import Lives
from sensord.reviewing import Reviewing
from sensord.timelines import Timelines

if TYPE_CHECKING:
    from sensord.wiring import Room

MOST_NESTS = 24
YEAR_MS = 365 * DAY_MS
Say = Callable[[str], None]


def _quiet(words: str) -> None:
    del words


class Reports:
    """Makes reports of one room. Belongs to its thread; use a new one for each answer, for it keeps the air it read.

    Args:
        unit: of temperatures in figures, C or F; words and files are in °C.
    """

    def __init__(self, room: Room, unit: str = "C") -> None:
        self._room, self._unit = room, unit
        self._reviewing = Reviewing(room.history, room.registry, room.keeping)
        self._timelines = Timelines(room.history, room.registry, room.keeping, self._reviewing, room.alarm_log)
        self.lives = Lives(room.history, room.registry, self._reviewing, room.config.zone)

    def one(self, nest: str, at_ms: int, days: float, say: Say = _quiet) -> Reviewed:
        """The review of a nest as of an instant, with its timeline and what would have warned earlier.

        Raises:
            InputError: no such nest, or not yet, or days out of range. StoreError: something cannot be read.
        """
        review = self._reviewing.review(nest, at_ms, days, say)
        say(f"Looking up what was done to {nest}, and who reacted")
        timeline = self._timelines.of(review)
        say(f"Asking which alarm would have warned earlier of {nest}")
        return Reviewed(
            review, timeline, forewarning.warned(review, self._room), zone=self._room.config.zone, unit=self._unit
        )

    def several(
        self, nests: Sequence[str], at_ms: int, days: float, say: Say = _quiet
    ) -> tuple[list[Reviewed], InCommon | None]:
        """The reviews of nests in the order given, and what those that died have in common; None of fewer than two deaths.

        Raises:
            InputError: as ``one``; too many at once.
        """
        names = list(dict.fromkeys(nests))
        if len(names) > MOST_NESTS:
            raise InputError(f"review of {len(names)} nests: allowed is up to {MOST_NESTS} at once")
        for name in names:  # before any of them is reviewed, which takes a while
            self._reviewing.check(name, at_ms)
        found = [self.one(name, at_ms, days, say) for name in names]
        if sum(one.review.case.died_at_ms is not None for one in found) < 2:
            return found, None
        say("Looking for what they have in common")
        return found, self.lives.in_common(names, at_ms)

    def beside(
        self, left: tuple[str, int], right: tuple[str, int | None], days: float, say: Say = _quiet
    ) -> tuple[Reviewed, Reviewed]:
        """Two reviews to hold side by side.

        Args:
            left: a nest and an instant. right: another, or the same; instant None: the last of the left one, or of the
                same nest a year before.

        Raises:
            InputError: as ``one``; the same nest at the same time.
        """
        self._reviewing.check(*left)
        self._reviewing.check(right[0], max(left[1], right[1] or 0))
        one = self.one(*left, days, say)
        end_ms = one.review.case.until_ms
        if right[1] is None:
            right = (right[0], end_ms - YEAR_MS if right[0] == left[0] else end_ms)
        if right[0] == left[0] and right[1] == end_ms:
            raise InputError(f"review of {left[0]} beside itself: name another nest, or another time")
        return one, self.one(right[0], right[1] or 0, days, say)
