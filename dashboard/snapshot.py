"""What the dashboard knows at one instant: plain values, no store behind them. ``data.py`` fills them in, tests invent them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from dashboard.nest_snapshot import Asked, History, Journal, PastLine
from sensord.keeping.bands import Bands
from sensord.model import Nest, Placement

if TYPE_CHECKING:
    from dashboard.keeping_snapshot import KeepingSource
    from dashboard.review_snapshot import ReviewSource


@dataclass(frozen=True, slots=True)
class Air:
    """The newest calibrated reading at a place and where it is heading.

    Attributes:
        at_ms: when it was taken. temp_c: °C; rh_pct: %; None where missing or not to be trusted.
        temp_trend_c_h, rh_trend_pct_h: change an hour, over the last hour or so; None where unknown.
        doubt: in one or two words why it is not to be trusted, empty while it is.
    """

    at_ms: int
    temp_c: float | None
    rh_pct: float | None
    temp_trend_c_h: float | None = None
    rh_trend_pct_h: float | None = None
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Water:
    """The outlook of one reservoir: days until dry, and mL left, each with its 10 % and 90 % quantile.

    Attributes:
        basis: what it rests on, own probe or room probe. cycles: refills it has learned from.
        asks: a question to the keeper, as of a fill nobody noted; else empty.
    """

    days_p10: float
    days_p50: float
    days_p90: float
    left_ml: float | None = None
    left_p10_ml: float | None = None
    left_p90_ml: float | None = None
    basis: str = ""
    cycles: int = 0
    asks: str = ""


@dataclass(frozen=True, slots=True)
class NestNow:
    """One nest now.

    Attributes:
        probe: the probe in it, None where it has none. bands: of its species, season and place, None where unknown.
        air: None where there never was a reading. water: None where there is no outlook.
        died_ms: when its colony died; such a nest is on no wall, and keeps its page. season: empty where not known.
    """

    nest: Nest
    placement: Placement | None = None
    air: Air | None = None
    bands: Bands | None = None
    water: Water | None = None
    species: str = ""
    died_ms: int | None = None
    season: str = ""


@dataclass(frozen=True, slots=True)
class AlarmStep:
    """One step in the life of an alarm: raised, acknowledged, shelved and so on; by whom and why where it has them."""

    at_ms: int
    what: str
    by: str = ""
    because: str = ""


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """One line of the alarm log, in the words of the contract.

    Attributes:
        message: what to do first. subject: where it is, in words. detail: what the hub said. aside_*: until when it is shelved, why, and by whom.
        steps: all that happened to it, where it was asked for alone.
    """

    id: str
    kind: str
    priority: str
    state: str
    raised_ms: int
    nest: str | None = None
    probe: str | None = None
    place: str | None = None
    room: str | None = None
    returned_ms: int | None = None
    acknowledged_ms: int | None = None
    worst: float | None = None
    limit: float | None = None
    message: str = ""
    subject: str = ""
    detail: str = ""
    aside_until_ms: int | None = None
    aside_because: str = ""
    aside_by: str = ""
    steps: tuple[AlarmStep, ...] = ()


@dataclass(frozen=True, slots=True)
class OutOfService:
    """What the keeper works on: ``nest NAME``, ``probe NAME`` or ``hub NAME``, until when (None: no end), why, and who said so."""

    subject: str
    until_ms: int | None
    because: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class HubNow:
    """A hub's last status. ``state`` is up or down; ``heard_ms`` is when the station last heard of it.

    Attributes:
        since_ms: since when it is in that state; in a last will, when it came up. boot: of its machine.
        faults: what ails its bus (by the hub's name) or a probe (by full name), one line each.
    """

    name: str
    state: str
    heard_ms: int
    version: str = ""
    outbox_rows: int = 0
    outbox_oldest_ms: int | None = None
    since_ms: int | None = None
    boot: str = ""
    faults: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ProcessNow:
    """A process of the station. ``at_ms`` is None where it never left a beat; ``note`` says what ails it."""

    name: str
    at_ms: int | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """A probe and where it sits, with its newest reading as it came."""

    name: str
    placement: Placement | None
    at_ms: int | None
    temp_c: float | None = None
    rh_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole room at ``at_ms``.

    Attributes:
        live: whether a broker is configured, so that fresh readings are due.
        newest_ms: instant of the newest reading of all, None where there is none.
        silent_after_ms: age from which a reading is no longer to be trusted.
        due_days, urgent_days: a reservoir with fewer days left is due, or urgent.
        speed: how many seconds of this room pass in a real one (1 but in the demo).
        out_of_service: what the keeper works on; its alarms are told to nobody meanwhile.
        temperature_unit: C or F, what the reader wants to see; every value in here is in °C.
    """

    station: str
    time_zone: str
    at_ms: int
    nests: tuple[NestNow, ...] = ()
    alarms: tuple[AlarmNow, ...] = ()
    hubs: tuple[HubNow, ...] = ()
    processes: tuple[ProcessNow, ...] = ()
    live: bool = True
    newest_ms: int | None = None
    silent_after_ms: int = 900_000
    due_days: float = 7.0
    urgent_days: float = 2.0
    speed: float = 1.0
    temperature_unit: str = "C"
    out_of_service: tuple[OutOfService, ...] = ()

    def taken(self, nest: str | None, probe: str | None = None) -> OutOfService | None:
        """What sets the alarms of a nest and its probe aside: the nest itself, the probe, or its hub."""
        if not self.out_of_service:  # a wall asks for every nest
            return None
        hub, slash, _ = (probe or "").partition("/")
        asked = [f"nest {nest}", f"probe {probe}", *([f"hub {hub}"] if slash else [])]
        out = {one.subject: one for one in self.out_of_service}
        return next((out[each] for each in asked if each in out), None)


@dataclass(frozen=True, slots=True)
class Chore:
    """One line of the round. ``nest`` is None for a probe.

    Attributes:
        done_kind: the journal entry that says it is done, empty where a command does. ended_by: all that say so.
        probe: the one to check, where that is the task.
    """

    task: str
    urgency: str
    room: str
    rack: str
    nest: str | None
    why: str
    done_kind: str = ""
    ended_by: tuple[str, ...] = ()
    probe: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """A line that was done: by which entry of the journal, who wrote it, and when that was seen."""

    chore: Chore
    entry: int
    by: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class RoundNow:
    """The round as made at ``at_ms``, by urgency; ``problem`` says why it could not be made. ``done``: lately."""

    at_ms: int
    chores: tuple[Chore, ...] = ()
    problem: str = ""
    done: tuple[Done, ...] = ()


@dataclass(frozen=True, slots=True)
class ColonyNow:
    """A colony. ``nests`` are (name, since) in the order it lived in them; ``workers`` as last counted, at ``counted_ms``."""

    name: str
    species: str
    stage: str = ""
    nests: tuple[tuple[str, int | None], ...] = ()
    workers: int | None = None
    counted_ms: int | None = None
    counts: int = 0
    died_ms: int | None = None


class Source(Protocol):
    """What the pages ask of ``data.py``. Every method may raise NestclimateError."""

    @property
    def keeping(self) -> KeepingSource:
        """For the pages of colonies, placements, labels and probes."""

    @property
    def reviews(self) -> ReviewSource:
        """For the pages of review and losses."""

    def snapshot(self) -> Snapshot:
        """The room now."""

    def health(self) -> tuple[ProcessNow, ...]:
        """The processes that should run, cheaply."""

    def nest(self, name: str) -> NestNow | None:
        """A nest, its colony alive or dead; None where there never was one of that name."""

    def round(self) -> RoundNow | None:
        """The round as last made; None before the first."""

    def colonies(self) -> tuple[ColonyNow, ...]:
        """Every colony that ever lived here, by name."""

    def history(self, nest: str, from_ms: int | None, until_ms: int, asked: Asked) -> History:
        """A nest over a window, rolled up where that is long; ``from_ms`` None: from its first reading on."""

    def written(self, nest: str, most: int) -> Journal:
        """The last so many lines of a nest's journal, newest first."""

    def past(self, nest: str) -> tuple[PastLine, ...]:
        """The history of a nest and of the probes in it, newest first, with who wrote it down."""

    def alarms(self, since_ms: int) -> tuple[AlarmNow, ...]:
        """The alarm log, newest first."""

    def alarm(self, id_: str) -> AlarmNow | None:
        """One alarm with every step of its life; None where there is none of that id."""

    def probes(self) -> tuple[ProbeNow, ...]:
        """Every probe that is placed or ever had a reading, by name."""
