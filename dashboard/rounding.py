"""The day's round as it is kept between two makings: what was noted since leaves it at once, and can be undone all day.

It is kept in station.db as well, so that a restart of the dashboard forgets nothing that was ticked.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from dashboard.filling import chores_of
from dashboard.snapshot import Chore, Done, RoundNow
from sensord.clock import DAY_MS, HOUR_MS, from_ms
from sensord.errors import NestclimateError
from sensord.keeping.kept_round import KeptRoundText
from sensord.model import Entry
from sensord.wiring import Room

if TYPE_CHECKING:
    from sensord.insight.outlook import NestOutlook

DONE_SHOWN_MS = 12 * HOUR_MS
"""What was done is shown so long at least, and to the end of the room's day."""
_log = logging.getLogger(__name__)


class KeptRound:
    """Made by one thread, asked by many: what it keeps is exchanged as a whole.

    It remembers the newest entry of the journal as it was when the round was made. An entry written since, whatever instant
    it speaks of, ends the line that asked for it; an entry withdrawn brings the line back.
    """

    def __init__(self) -> None:
        self._kept: tuple[RoundNow | None, int] = (None, 0)
        self._put: tuple[Any, ...] = ()

    def make(self, room: Room, at_ms: int, upto: int, outlook: Sequence[NestOutlook] | None) -> None:
        """Make it anew, carrying over what was done.

        Args:
            upto: the newest entry before anything was read for it. outlook: of now; None where there is none to be had.
        """
        try:
            before = self.now(room, at_ms)
            done = before.done if before else ()
            self._kept = (RoundNow(at_ms, chores_of(room.rounds.at(at_ms, outlook)), done=done), upto)
            self._put_away(room)
        except NestclimateError as error:
            _log.warning("the round cannot be made now: %s", error)
            self._kept = (RoundNow(at_ms, problem=str(error)), self._kept[1])

    def now(self, room: Room, at_ms: int) -> RoundNow | None:
        """As last made, less what was done since; None before the first."""
        if self._kept[0] is None:
            self._kept = kept_of(KeptRoundText(room.connection).get(), at_ms)
        made, upto = self._kept
        if made is None or made.problem:
            return made
        earlier = min((one.entry for one in made.done), default=upto + 1)
        entries = dict(room.registry.entries_after(min(upto, earlier - 1)))
        found = _settled(made, upto, entries, at_ms)
        return replace(found, done=tuple(one for one in found.done if _is_of_today(one, room, at_ms)))

    def _put_away(self, room: Room) -> None:
        """Into station.db, where it says something new."""
        made, upto = self._kept
        assert made is not None
        says = (made.chores, made.done, upto)
        if says != self._put:
            KeptRoundText(room.connection).put(json.dumps({"upto": upto, **asdict(made)}))
            self._put = says


def kept_of(text: str, at_ms: int) -> tuple[RoundNow | None, int]:
    """The round that was put away and its newest entry; none where it is of another day or another version's."""
    try:
        given = json.loads(text) if text else {}
        chores = tuple(_chore(one) for one in given["chores"])
        done = tuple(Done(_chore(one["chore"]), one["entry"], one["by"], one["at_ms"]) for one in given["done"])
        made, upto = RoundNow(int(given["at_ms"]), chores, done=done), int(given["upto"])
    except (KeyError, TypeError, ValueError):
        return None, 0
    return (made, upto) if abs(at_ms - made.at_ms) < DAY_MS else (None, 0)


def _chore(given: dict[str, Any]) -> Chore:
    return Chore(**{**given, "ended_by": tuple(given["ended_by"])})


def _is_of_today(one: Done, room: Room, at_ms: int) -> bool:
    days = {from_ms(each).astimezone(room.config.zone).date() for each in (one.at_ms, at_ms)}
    return len(days) == 1 or at_ms - one.at_ms < DONE_SHOWN_MS


def _settled(made: RoundNow, upto: int, entries: dict[int, Entry], at_ms: int) -> RoundNow:
    """The round with each line where it belongs: to be done, or done by one of these entries of the journal."""
    done = [one for one in made.done if one.entry in entries]
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
