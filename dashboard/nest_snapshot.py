"""What the nest page knows of one nest over a stretch of time: plain values. ``nest_data.py`` fills them in, tests invent them."""

from __future__ import annotations

from dataclasses import dataclass

from sensord.keeping.bands import Bands

Numbers = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """Something on the time axis: a journal entry in words, or an alarm.

    Attributes:
        kind: of the entry, or ``alarm``. text: the entry in words, or the alarm's kind.
        until_ms: when the alarm returned, None where it has not. worst: its worst value.
    """

    at_ms: int
    kind: str
    text: str
    until_ms: int | None = None
    worst: float | None = None


@dataclass(frozen=True, slots=True)
class BandSpan:
    """Bands that were in force from ``from_ms`` until ``until_ms``."""

    from_ms: int
    until_ms: int
    bands: Bands


@dataclass(frozen=True, slots=True)
class Track:
    """One quantity as a line with a range around it; NaN where unknown. Steps without any value are left out or NaN.

    Attributes:
        low, high: empty where there is no range to tell.
        step_ms: how far apart two instants are at most, unless something is missing between them.
    """

    at_ms: tuple[int, ...] = ()
    middle: Numbers = ()
    low: Numbers = ()
    high: Numbers = ()
    step_ms: int = 300_000


@dataclass(frozen=True, slots=True)
class Siblings:
    """What the nest's siblings had meanwhile: of ``count`` of them the median, and between which values 8 of 10 lay."""

    count: int
    rh_pct: Track
    temp_c: Track


@dataclass(frozen=True, slots=True)
class AirTracks:
    """Calibrated air of a nest. On long windows each value is the mean of a step, with its extremes as the range."""

    rh_pct: Track = Track()
    temp_c: Track = Track()


@dataclass(frozen=True, slots=True)
class History:
    """A nest over ``from_ms`` to ``until_ms``.

    Attributes:
        place: where its probe sat, empty where none did.
        fine: the same air at a finer step over the stretch that the reader has zoomed into.
        dew_c, deficit_kpa: dew point over water and vapour pressure deficit of the air; None unless asked for.
        wetness: of the cotton, 0 to about 1, its range one standard deviation; None where no room probe was measured.
        spans: bands as they were in force then, by species, season and place; none while no colony lived there.
        siblings: None unless asked for, and where there are none.
    """

    from_ms: int = 0
    until_ms: int = 0
    place: str = ""
    air: AirTracks = AirTracks()
    fine: AirTracks | None = None
    dew_c: Track | None = None
    deficit_kpa: Track | None = None
    wetness: Track | None = None
    siblings: Siblings | None = None
    marks: tuple[Mark, ...] = ()
    spans: tuple[BandSpan, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """What the reader wants to see beside the air: ``siblings``, ``moisture`` (dew point and deficit), a zoomed stretch."""

    siblings: bool = False
    moisture: bool = False
    zoom: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """One line of the journal as the page lists it: who wrote what for when.

    Attributes:
        id: its number in the journal. withdrawn_ms: when it was taken out of the journal again, by ``withdrawn_by``.
    """

    at_ms: int
    words: str
    by: str = ""
    id: int = 0
    kind: str = ""
    withdrawn_ms: int | None = None
    withdrawn_by: str = ""


@dataclass(frozen=True, slots=True)
class PastLine:
    """How a nest stood, or which probe came, ``from_ms`` on (None: always); who wrote that down and when, where it is known."""

    from_ms: int | None
    words: str
    by: str = ""
    written_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Journal:
    """The last lines of a nest's journal, newest first; among them those withdrawn lately. ``more``: there are older ones."""

    lines: tuple[Written, ...] = ()
    more: bool = False
