"""Warm days and cooler nights: where in its day a species is, and what that does to its bands. Pure.

The ranges of a species' file are those of its days. By night, in the active season, its ideal temperatures and its lower
limit lie ``day_night.night_cooler_c`` lower; the upper limit stays, since heat harms at any hour. For two hours after
each change both are right, so that a nest has time to follow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from functools import lru_cache

from sensord.clock import HOUR_MS, from_ms, to_ms
from sensord.keeping.bands import Band, Bands, bands_for
from sensord.keeping.species import Species
from sensord.model import Place, Season

CHANGE_MS = 2 * HOUR_MS


class DayPart(StrEnum):
    """Day, night, or the hours after a change from one to the other."""

    DAY = "day"
    NIGHT = "night"
    CHANGE = "change"


@dataclass(frozen=True, slots=True)
class PartOfDay:
    """A part of the day, and the first instant after it; None where the species knows no nights."""

    part: DayPart
    until_ms: int | None


def part_of_day(species: Species, at_ms: int, zone: tzinfo) -> PartOfDay:
    """Where in its day a species is, by the room's clock: 08:00 is 08:00 before and after summer time begins."""
    day_from, night_from = species.text("day_night.day_from"), species.text("day_night.night_from")
    if not day_from or not night_from or not species.number("day_night.night_cooler_c"):
        return PartOfDay(DayPart.DAY, None)
    changes = _changes(from_ms(at_ms).astimezone(zone).date(), day_from, night_from, zone)
    number = max(number for number, (begin_ms, _) in enumerate(changes) if begin_ms <= at_ms)
    begin_ms, part = changes[number]
    settled_ms = min(begin_ms + CHANGE_MS, changes[number + 1][0])
    if at_ms < settled_ms:
        return PartOfDay(DayPart.CHANGE, settled_ms)
    return PartOfDay(part, changes[number + 1][0])


def bands_by(species: Species, season: Season, place: Place, part: DayPart) -> Bands:
    """The bands at a season, a place and a part of the day."""
    bands = bands_for(species, season, place)
    given = species.values.get("day_night.night_cooler_c")
    if part == DayPart.DAY or season != Season.ACTIVE or given is None:
        return bands
    night = replace(bands, temp_c=_cooler(bands.temp_c, float(given.value), given.source))
    return night if part == DayPart.NIGHT else bands.hull(night)


def _cooler(band: Band, by_c: float, source: str) -> Band:
    low, high, limit_low, limit_high = band.sources
    said = f"; by night {by_c:g} °C cooler: {source}"
    sources = (low + said, high + said, limit_low + said, limit_high)
    return Band(band.ideal_low - by_c, band.ideal_high - by_c, band.limit_low - by_c, band.limit_high, sources)


@lru_cache(maxsize=512)
def _changes(day: date, day_from: str, night_from: str, zone: tzinfo) -> list[tuple[int, DayPart]]:
    """Every change from the day before to the day after, ascending."""
    return sorted(
        (to_ms(datetime.combine(day + timedelta(days=days), time.fromisoformat(text), tzinfo=zone)), part)
        for days in (-1, 0, 1)
        for text, part in ((day_from, DayPart.DAY), (night_from, DayPart.NIGHT))
    )
