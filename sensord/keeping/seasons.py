"""What part of its year a colony is in: by date, by hemisphere, or as the keeper says. Pure: the instant is an argument."""

from __future__ import annotations

import bisect
import calendar
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache

from sensord.clock import from_ms, to_ms
from sensord.keeping.species import Species
from sensord.model import Season

STARTS = (
    (Season.WIND_DOWN, "rest.wind_down_from"),
    (Season.WINTER_REST, "rest.winter_rest_from"),
    (Season.WAKE_UP, "rest.wake_up_from"),
    (Season.ACTIVE, "rest.active_from"),
)


@dataclass(frozen=True, slots=True)
class SeasonOverride:
    """The keeper's own word: this season from one instant until another (None: until further notice)."""

    season: Season
    from_ms: int
    until_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """A season and how far through it a colony is.

    Attributes:
        progress: 0 at its first instant, below 1; 0 where it has no end.
        since_ms, until_ms: first instant, and first instant of the next season; None where it has none.
    """

    season: Season
    progress: float
    since_ms: int | None
    until_ms: int | None


def season_at(
    species: Species,
    at_ms: int,
    *,
    hemisphere: str = "north",
    zone: tzinfo = UTC,
    overrides: Sequence[SeasonOverride] = (),
) -> Moment:
    """The season of a species at an instant. A season begins at midnight of the room's time zone.

    Args:
        species: its ``rest`` dates, as they hold in the northern hemisphere; the southern is half a year later.
        at_ms: milliseconds since 1970, UTC.
        hemisphere: ``north`` or ``south``.
        zone: the room's time zone.
        overrides: the keeper's word goes before the dates; the last one that holds wins.
    """
    for override in reversed(overrides):
        if override.from_ms <= at_ms and (override.until_ms is None or at_ms < override.until_ms):
            return _moment(override.season, at_ms, override.from_ms, override.until_ms)
    starts = _starts(species, hemisphere)
    if not starts:
        return Moment(Season.ACTIVE, 0.0, None, None)
    local_year = from_ms(at_ms).astimezone(zone).year
    boundaries = _boundaries(starts, local_year, zone)
    number = bisect.bisect_right(boundaries, at_ms, key=lambda boundary: boundary[0]) - 1
    since_ms, season = boundaries[number]
    return _moment(season, at_ms, since_ms, boundaries[number + 1][0])


def target_temp_c(species: Species, moment: Moment) -> float | None:
    """The middle of the wet end's ideal temperature range in °C; on a ramp, straight from one season's to the next.

    None where the species' file gives no such range.
    """
    active, rest = _middle(species, Season.ACTIVE), _middle(species, Season.WINTER_REST)
    if active is None or rest is None or moment.season == Season.ACTIVE:
        return active
    if moment.season == Season.WINTER_REST:
        return rest
    first, last = (active, rest) if moment.season == Season.WIND_DOWN else (rest, active)
    return first + (last - first) * moment.progress


def _middle(species: Species, season: Season) -> float | None:
    low = species.number(f"{season}.wet_end.temp_c.ideal_low")
    high = species.number(f"{season}.wet_end.temp_c.ideal_high")
    return None if low is None or high is None else (low + high) / 2


def _moment(season: Season, at_ms: int, since_ms: int, until_ms: int | None) -> Moment:
    progress = (at_ms - since_ms) / (until_ms - since_ms) if until_ms is not None else 0.0
    return Moment(season, progress, since_ms, until_ms)


def _starts(species: Species, hemisphere: str) -> tuple[tuple[Season, int, int], ...]:
    """Season, month and day on which each begins here; empty for a species without winter rest."""
    if not species.rests:
        return ()
    found = []
    for season, path in STARTS:
        text = species.text(path)
        if not text:
            return ()
        month, day = (int(part) for part in text.split("-"))
        if hemisphere == "south":
            month = (month + 5) % 12 + 1
        found.append((season, month, day))
    return tuple(found)


@lru_cache(maxsize=512)
def _boundaries(starts: tuple[tuple[Season, int, int], ...], year: int, zone: tzinfo) -> list[tuple[int, Season]]:
    """First instants of all seasons from the year before to the year after, ascending."""
    return sorted(
        (_midnight_ms(_day(each, month, day), zone), season)
        for season, month, day in starts
        for each in (year - 1, year, year + 1)
    )


def _day(year: int, month: int, day: int) -> date:
    """That day; the first of the next month where the month is too short, as for 29 February in a common year."""
    length = calendar.monthrange(year, month)[1]
    return date(year, month, min(day, length)) + timedelta(days=int(day > length))


def _midnight_ms(day: date, zone: tzinfo) -> int:
    return to_ms(datetime.combine(day, time(), tzinfo=zone))
