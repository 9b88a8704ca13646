"""The words of the house as types: one name per thing. Names of nests, hubs and probes are checked here, once."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from sensord.errors import InputError

HUB_OR_PROBE = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
HUB_OR_PROBE_WORDS = "1 to 32 of a-z, 0-9 and '-', the first a letter or digit"
NEST = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,31}")
NEST_WORDS = "1 to 32 letters, digits, spaces, '.', '_' or '-', the first a letter or digit"


class Place(StrEnum):
    """Where a probe sits."""

    WET_END = "wet_end"
    DRY_END = "dry_end"
    OUTWORLD = "outworld"
    ROOM = "room"


class NestKind(StrEnum):
    """What houses a colony: a test tube with a reservoir behind wet cotton, or a formicarium."""

    TUBE = "tube"
    FORMICARIUM = "formicarium"


class Plug(StrEnum):
    """What closes the mouth of a nest."""

    COTTON = "cotton"
    FOAM = "foam"
    OPEN = "open"
    LID = "lid"


class Stage(StrEnum):
    """How far a colony is."""

    FOUNDING = "founding"
    NANITIC = "nanitic"
    GROWING = "growing"
    ESTABLISHED = "established"


class Season(StrEnum):
    """What part of its year a colony is in."""

    ACTIVE = "active"
    WIND_DOWN = "wind_down"
    WINTER_REST = "winter_rest"
    WAKE_UP = "wake_up"


class EntryKind(StrEnum):
    """What the keeper did or saw."""

    FILL = "fill"
    TOP_UP = "top_up"
    LEVEL = "level"
    WEIGH = "weigh"
    FEED_SUGAR = "feed_sugar"
    FEED_PROTEIN = "feed_protein"
    LEFTOVERS_OUT = "leftovers_out"
    COUNT = "count"
    BROOD = "brood"
    MOVE = "move"
    DISTURBED = "disturbed"
    BARRIER = "barrier"
    DIED = "died"
    NOTE = "note"


class AlarmKind(StrEnum):
    """What an alarm is about."""

    DRY = "dry"
    WET = "wet"
    HOT = "hot"
    COLD = "cold"
    SWING = "swing"
    RESERVOIR = "reservoir"
    SILENT = "silent"
    FAULTY = "faulty"


class Priority(StrEnum):
    """How soon somebody must act."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class Reading:
    """One paired measurement, raw, as the probe gave it. Key: (probe, at_ms).

    Attributes:
        probe: full name, ``HUB/PROBE``, or a bare name where it belongs to no hub.
        at_ms: milliseconds since 1970, UTC.
        temp_c: °C, or None where missing.
        rh_pct: relative humidity over water in %, or None where missing.
    """

    probe: str
    at_ms: int
    temp_c: float | None
    rh_pct: float | None


@dataclass(frozen=True, slots=True)
class Nest:
    """A housing of a colony. None where unknown.

    Attributes:
        since_ms: since when it stands so; None: always.
        bore_mm: inner diameter; chamber_mm: wet cotton face to mouth plug; reservoir_ml: water when full.
    """

    name: str
    kind: NestKind
    room: str
    rack: str = ""
    species: str = ""
    colony: str = ""
    stage: Stage | None = None
    since_ms: int | None = None
    bore_mm: float | None = None
    chamber_mm: float | None = None
    reservoir_ml: float | None = None
    plug: Plug | None = None


@dataclass(frozen=True, slots=True)
class Placement:
    """A probe at a place from one instant to another.

    Attributes:
        nest: None for a room probe. distance_mm: from the wet cotton face, None where unknown.
        until_ms: None while it stands; the placement holds for ``since_ms <= at < until_ms``.
    """

    probe: str
    nest: str | None
    room: str
    place: Place
    since_ms: int
    until_ms: int | None = None
    distance_mm: float | None = None

    def holds(self, at_ms: int) -> bool:
        """Whether the probe sat there at that instant."""
        return self.since_ms <= at_ms and (self.until_ms is None or at_ms < self.until_ms)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal. Key: all of it but ``by``, and but the note where the kind is not ``note``.

    Attributes:
        amount: mL for fill, top_up and level (what is left), g for weigh, workers for count; None where it has none.
        by: who wrote it, empty where unknown.
    """

    at_ms: int
    nest: str
    kind: EntryKind
    amount: float | None = None
    unit: str = ""
    note: str = ""
    by: str = ""


def check_nest(name: str) -> str:
    """The name, if it is allowed.

    Raises:
        InputError: it is not.
    """
    if not NEST.fullmatch(name):
        raise InputError(f"nest {name[:60]!r}: a name is {NEST_WORDS}")
    return name


def check_probe(name: str) -> str:
    """The full name of a probe, ``HUB/PROBE`` or ``PROBE``, if it is allowed.

    Raises:
        InputError: it is not.
    """
    parts = name.split("/")
    if len(parts) > 2 or not all(HUB_OR_PROBE.fullmatch(part) for part in parts):
        raise InputError(f"probe {name[:80]!r}: a name is HUB/PROBE or PROBE, each {HUB_OR_PROBE_WORDS}")
    return name
