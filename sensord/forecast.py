"""The outlook of a whole room: reads what is new, lets every nest's story go on from its checkpoint, and keeps checkpoints.

Checkpoints stand on weeks, three days back at least, so that late readings still count. ``at`` may be any instant: one
before the checkpoints is answered from the beginning, using nothing later, and keeps nothing.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS
from sensord.errors import InputError
from sensord.insight.balance import Floats, usual_power
from sensord.insight.history import NEST_PLACES, History
from sensord.insight.ledger import Event, events_of
from sensord.insight.nest_air import AirHours, nest_temp_c, power_of, rack_temp_c
from sensord.insight.outlook import Known, NestOutlook, outlooks
from sensord.insight.story import Story, samples
from sensord.insight.wetness import expected_baseline
from sensord.keeping.outlook_cache import Checkpoint
from sensord.model import Entry, Nest, Place, Placement

_WEEK_MS = 7 * DAY_MS
_SETTLED_MS = 3 * DAY_MS
_LEAD_MS = (
    15 * DAY_MS
)  # read before a checkpoint: gaps are bridged by the week before, as warm as in the week before that
_FRESH_MS = 14 * DAY_MS  # a probe silent for longer is no basis
_FORMAT = "15"  # raise it whenever the model changes: old checkpoints are then dropped


class Journal(Protocol):
    """What the forecast needs of the registry."""

    def nests(self, at_ms: int | None = None) -> list[Nest]:
        """Every nest as it stood."""

    def history(self) -> list[Nest]:
        """Every state of every nest, ascending: nests are moved from room to room."""

    def placements(
        self, at_ms: int | None = None, nest: str | None = None, probe: str | None = None
    ) -> list[Placement]:
        """Placements of a nest, of a probe, or that hold at an instant."""

    def entries(self, *, until_ms: int | None = None) -> list[Entry]:
        """The journal, ascending."""

    def alive(self, at_ms: int) -> set[str]:
        """Names of the nests whose colony lives."""


class Cache(Protocol):
    """Where checkpoints are kept."""

    def all(self) -> dict[str, Checkpoint]:
        """Each nest's."""

    def put(self, checkpoints: Iterable[Checkpoint]) -> None:
        """Keep these."""

    def drop(self, nests: Iterable[str]) -> None:
        """Drop these nests'."""


@dataclass(slots=True)
class _Case:
    """A nest on the way from its checkpoint to the instant asked for."""

    nest: Nest
    journal: list[Event]
    stands: list[Placement]
    rooms: list[tuple[int, str]]  # where it stood, each since when
    rest: str  # what else the digest depends on: calibrations and room probes
    story: Story | None
    from_ms: int
    keeps: bool  # no checkpoint of a later time is there
    own: AirHours | None = None

    @property
    def rack(self) -> tuple[str, str]:
        """Room and rack."""
        return self.nest.room, self.nest.rack

    def air(self, rooms: dict[str, AirHours]) -> AirHours:
        """The air of its room, and of those it stood in before while it stood there."""
        found = rooms[self.rooms[0][1]].since(self.from_ms)
        for since_ms, room in self.rooms[1:]:
            there = np.arange(len(found.temp_c)) >= (since_ms - self.from_ms) / HOUR_MS
            air = rooms[room].since(self.from_ms)
            temp_c, vapour_pa = np.where(there, (air.temp_c, air.vapour_pa), (found.temp_c, found.vapour_pa))
            found = AirHours(self.from_ms, temp_c, vapour_pa)
        return found

    def heard(self, room: AirHours, upto_ms: int) -> int:
        """Hours measured in the days before an instant, in the nest and in its room."""
        from_ms = upto_ms - _LEAD_MS
        airs = [room] if self.own is None else [room, self.own]
        return sum(int(air.since(from_ms).measured[: _LEAD_MS // HOUR_MS].sum()) for air in airs)

    def missed(self, room: AirHours) -> bool:
        """Whether more was measured before the checkpoint than it was made from."""
        story = self.story
        return story is not None and story.heard is not None and story.heard != self.heard(room, story.ledger.upto_ms)

    def seat(self, at_ms: int) -> Placement | None:
        """The probe in the nest at an instant, the one nearest to the cotton."""
        there = [one for one in self.stands if one.holds(at_ms)]
        return min(there, key=lambda one: NEST_PLACES.index(one.place), default=None)


class Forecast:
    """Answers when each reservoir of the room runs dry. Belongs to the thread of its history and cache."""

    def __init__(self, history: History, journal: Journal, cache: Cache) -> None:
        self._history, self._journal, self._cache = history, journal, cache

    def at(self, at_ms: int, nests: Sequence[str] = ()) -> list[NestOutlook]:
        """The outlook at an instant of these nests (none named: of all whose colony lives), using nothing later.

        Raises:
            InputError: a nest that did not stand then.
            StoreError: store or registry cannot be read.
        """
        standing = self._journal.nests(at_ms)
        missing = sorted(set(nests) - {nest.name for nest in standing})
        if missing:
            raise InputError(
                *(
                    f"nest {name!r}: is not known at that time; 'nestclimate export nests' lists them"
                    for name in missing
                )
            )
        wanted = set(nests) or self._journal.alive(at_ms)
        known = self._tell(self._cases(standing, at_ms), at_ms)
        if known is None:  # late readings: those nests begin anew
            known = self._tell(self._cases(standing, at_ms), at_ms) or []
        return [one for one in outlooks(known, at_ms) if one.nest in wanted]

    def _cases(self, standing: Sequence[Nest], at_ms: int) -> list[_Case]:
        kept = self._cache.all()
        journal, stands, rooms_of = defaultdict(list), defaultdict(list), defaultdict(list)
        housed: dict[str, Nest] = {}  # the first state of the housing it has now
        for state in self._journal.history():
            if (state.since_ms or 0) <= at_ms:
                rooms_of[state.name].append((state.since_ms or 0, state.room))
                if state.name not in housed or _housing(state) != _housing(housed[state.name]):
                    housed[state.name] = state
        for entry in self._journal.entries(until_ms=at_ms + 1):
            if entry.nest in housed and entry.at_ms >= (housed[entry.nest].since_ms or 0):
                journal[entry.nest].append(entry)
        for one in self._journal.placements():
            if one.nest is not None and one.place in NEST_PLACES and one.since_ms <= at_ms:
                stands[one.nest].append(one)
        calibrations = self._history.calibrations_version()
        rooms = repr(
            sorted(
                (one.probe, one.since_ms, one.room)
                for one in self._journal.placements()
                if one.place == Place.ROOM and one.since_ms <= at_ms
            )
        )
        return [
            _case(
                nest,
                sorted(events_of(journal[nest.name]), key=lambda event: event.order),
                stands[nest.name],
                rooms_of[nest.name],
                kept.get(nest.name),
                calibrations + rooms,
                at_ms,
            )
            for nest in standing
        ]

    def _tell(self, cases: Sequence[_Case], at_ms: int) -> list[Known] | None:
        """What every nest knows; None where readings came in late, whose checkpoints are then dropped."""
        checkpoint_ms = (at_ms - _SETTLED_MS) // _WEEK_MS * _WEEK_MS
        rooms = self._rooms(cases, at_ms)
        self._read_own(cases, at_ms)
        airs = [case.air(rooms) for case in cases]
        late = [case.nest.name for case, air in zip(cases, airs, strict=True) if case.missed(air)]
        if late:
            self._cache.drop(late)
            return None
        racks = _racks(cases, rooms)
        known, checkpoints = [], []
        for case, air in zip(cases, airs, strict=True):
            one, checkpoint = _follow(case, air, racks.get(case.rack), (checkpoint_ms, at_ms))
            known.append(one)
            checkpoints.extend(checkpoint)
        self._cache.put(checkpoints)
        return known

    def _read_own(self, cases: Sequence[_Case], at_ms: int) -> None:
        """Each nest's own probe, from where the neighbour farthest back needs it: racks share their warmth."""
        since: dict[tuple[str, str], int] = {}
        for case in cases:
            since[case.rack] = min(case.from_ms, since.get(case.rack, case.from_ms))
        for case in cases:
            from_ms = since[case.rack] if case.nest.rack else case.from_ms
            if any(_until(one) > from_ms for one in case.stands):
                case.own = self._history.place_hours(case.nest.name, NEST_PLACES, from_ms, at_ms)

    def _rooms(self, cases: Sequence[_Case], at_ms: int) -> dict[str, AirHours]:
        """Each room's air, read once, from where the nest farthest back needs it."""
        since: dict[str, int] = {}
        for case in cases:
            for _, room in case.rooms:
                since[room] = min(case.from_ms, since.get(room, case.from_ms))
        return {room: self._history.room_hours(room, from_ms, at_ms) for room, from_ms in since.items()}


def _housing(nest: Nest) -> tuple[object, ...]:
    """Another tube under the same name has another conductance: what the old one taught is not its own."""
    return nest.kind, nest.bore_mm, nest.chamber_mm


def _case(
    nest: Nest,
    journal: list[Event],
    stands: list[Placement],
    rooms: list[tuple[int, str]],
    kept: Checkpoint | None,
    rest: str,
    at_ms: int,
) -> _Case:
    """Go on from the checkpoint if nothing it came from has changed, else from the first entry on."""
    story = None
    keeps = kept is None or kept.upto_ms <= at_ms
    if kept is not None and keeps and kept.digest == _digest(nest, journal, stands, rooms, rest, kept.upto_ms):
        story = Story.from_bytes(kept.state)
        keeps = story.read_until_ms <= at_ms
        story = story if keeps else None
    if story is None and journal:
        story = Story.begin(nest, journal)
    from_ms = (story.ledger.upto_ms if story else at_ms - 2 * DAY_MS) - _LEAD_MS
    return _Case(nest, journal, stands, rooms, rest, story, from_ms // HOUR_MS * HOUR_MS, keeps)


def _digest(
    nest: Nest,
    journal: Sequence[Event],
    stands: Sequence[Placement],
    rooms: Sequence[tuple[int, str]],
    rest: str,
    upto_ms: int,
) -> str:
    """Changes whenever anything changes that a checkpoint was made from."""
    used = (
        _FORMAT,
        (nest.kind, rooms, nest.rack, nest.bore_mm, nest.chamber_mm, nest.reservoir_ml, nest.plug),
        [(event.at_ms, event.kind, event.amount) for event in journal if event.at_ms <= upto_ms],
        [(one.probe, one.place, one.since_ms, min(_until(one), upto_ms), one.distance_mm) for one in stands if one.since_ms <= upto_ms],
        rest,
    )  # fmt: skip
    return hashlib.sha256(repr(used).encode()).hexdigest()


def _racks(cases: Sequence[_Case], rooms: dict[str, AirHours]) -> dict[tuple[str, str], Floats]:
    """How warm it is on each rack whose nests have probes, on its room's grid."""
    probed = defaultdict(list)
    for case in cases:
        if case.own is not None and case.nest.rack:
            probed[case.rack].append(case.own)
    found = {key: rack_temp_c(airs, rooms[key[0]]) for key, airs in probed.items()}
    return {key: temp_c for key, temp_c in found.items() if temp_c is not None}


def _follow(
    case: _Case, room: AirHours, rack: Floats | None, instants: tuple[int, int]
) -> tuple[Known, list[Checkpoint]]:
    """Let one nest's story go on to the instant, by way of the checkpoint where that lies ahead."""
    checkpoint_ms, at_ms = instants
    own = case.own.since(case.from_ms) if case.own is not None else None
    basis = _basis(case, room, at_ms)
    story, seat = case.story, case.seat(at_ms)
    if story is None:
        return Known(case.nest, None, basis), []
    rack_here = None if rack is None else rack[len(rack) - len(room.temp_c) :]
    temp_c, warmer_c = nest_temp_c(own, room, rack_here, story.warmer_c)
    w0 = expected_baseline(seat.place, seat.distance_mm, case.nest.chamber_mm, case.nest.plug)[0] if seat else 0.5
    power = power_of(temp_c, room, own, w0)
    hours = samples(own, room) if own is not None else []
    checkpoints = []
    for until_ms in (checkpoint_ms, at_ms):
        if until_ms > story.ledger.upto_ms:
            story.follow(case.nest, case.seat(until_ms))
            story.advance(case.journal, power, hours, until_ms)
            if until_ms == checkpoint_ms:
                story.heard, story.read_until_ms = case.heard(room, until_ms), at_ms
                story.warmer_c = float(warmer_c[(until_ms - case.from_ms) // HOUR_MS - 1])
                state = story.to_bytes()
                if case.keeps:
                    digest = _digest(case.nest, case.journal, case.stands, case.rooms, case.rest, until_ms)
                    checkpoints.append(Checkpoint(case.nest.name, until_ms, digest, state))
                story = Story.from_bytes(state)  # rounded, so that going on now is going on from the checkpoint
    recent = story.recent_daily
    if not len(recent):
        recent = np.array([usual_power() if power is None else power.hourly.mean()])
    cotton = story.cotton_at(at_ms)
    gradient = story.gradient(case.nest, seat, at_ms)
    return Known(case.nest, story.ledger, basis, cotton, recent, gradient), checkpoints


def _basis(case: _Case, room: AirHours, at_ms: int) -> str:
    if case.own is not None and case.seat(at_ms) is not None and _lately(case.own, at_ms):
        return "own probe"
    return "room probe" if _lately(room, at_ms) else "none"


def _lately(air: AirHours, at_ms: int) -> bool:
    since = max(0, (at_ms - _FRESH_MS - air.start_ms) // HOUR_MS)
    return bool(np.isfinite(air.vapour_pa[since:]).any())


def _until(one: Placement) -> int:
    return 2**62 if one.until_ms is None else one.until_ms
