"""The day's round as it is kept between two makings: what was noted since leaves it at once, and can be undone for half a day."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from dashboard.filling import chores_of
from dashboard.snapshot import Chore, Done, RoundNow
from sensord.clock import HOUR_MS
from sensord.errors import NestclimateError
from sensord.model import Entry
from sensord.wiring import Room

if TYPE_CHECKING:
    from sensord.insight.outlook import NestOutlook

DONE_SHOWN_MS = 12 * HOUR_MS
_log = logging.getLogger(__name__)


class KeptRound:
    """Made by one thread, asked by many: what it keeps is exchanged as a whole.

    It remembers the newest entry of the journal as it was when the round was made. An entry written since, whatever instant
    it speaks of, ends the line that asked for it; an entry withdrawn brings the line back.
    """

    def __init__(self) -> None:
        self._kept: tuple[RoundNow | None, int] = (None, 0)

    def make(self, room: Room, at_ms: int, upto: int, outlook: Sequence[NestOutlook] | None) -> None:
        """Make it anew, carrying over what was done.

        Args:
            upto: the newest entry before anything was read for it. outlook: of now; None where there is none to be had.
        """
        try:
            before = self.now(room, at_ms)
            done = before.done if before else ()
            self._kept = (RoundNow(at_ms, chores_of(room.rounds.at(at_ms, outlook)), done=done), upto)
        except NestclimateError as error:
            _log.warning("the round cannot be made now: %s", error)
            self._kept = (RoundNow(at_ms, problem=str(error)), self._kept[1])

    def now(self, room: Room, at_ms: int) -> RoundNow | None:
        """As last made, less what was done since; None before the first."""
        made, upto = self._kept
        if made is None or made.problem:
            return made
        earlier = min((one.entry for one in made.done), default=upto + 1)
        entries = dict(room.registry.entries_after(min(upto, earlier - 1)))
        return _settled(made, upto, entries, at_ms)


def _settled(made: RoundNow, upto: int, entries: dict[int, Entry], at_ms: int) -> RoundNow:
    """The round with each line where it belongs: to be done, or done by one of these entries of the journal."""
    done = [one for one in made.done if one.entry in entries and at_ms - one.at_ms < DONE_SHOWN_MS]
    withdrawn = [one.chore for one in made.done if one.entry not in entries and one.chore not in made.chores]
    open_: list[Chore] = []
    for chore in (*made.chores, *withdrawn):
        ended = _ended_by(chore, upto, entries)
        if ended is None:
            open_.append(chore)
        else:
            done.append(Done(chore, ended, entries[ended].by, at_ms))
    return replace(made, chores=tuple(open_), done=tuple(done))


def _ended_by(chore: Chore, upto: int, entries: dict[int, Entry]) -> int | None:
    """The first entry written since that says this line is done."""
    return next(
        (
            id_
            for id_, entry in entries.items()
            if id_ > upto and entry.nest == chore.nest and str(entry.kind) in chore.ended_by
        ),
        None,
    )
