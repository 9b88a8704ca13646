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
from sensord.keeping.species_file import SeasonByHand
from sensord.model import Season

STARTS = (
    (Season.WIND_DOWN, "rest.wind_down_from"),
    (Season.WINTER_REST, "rest.winter_rest_from"),
    (Season.WAKE_UP, "rest.wake_up_from"),
    (Season.ACTIVE, "rest.active_from"),
)

_Stretch = tuple[Season, int | None, int | None]
"""A season, its first instant, and the first instant after it."""


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


def season_at(species: Species, at_ms: int, *, hemisphere: str = "north", zone: tzinfo = UTC) -> Moment:
    """The season of a species at an instant. A season begins at midnight of the room's time zone.

    Args:
        species: its ``rest`` dates, as they hold in the northern hemisphere; the southern is half a year later. What the
            keeper set by hand goes before the dates; the last one that holds wins.
        at_ms: milliseconds since 1970, UTC.
        hemisphere: ``north`` or ``south``.
        zone: the room's time zone.
    """
    by_hand = _by_hand(species.by_hand, zone)
    found = _stretch(species, at_ms, hemisphere, zone, by_hand)
    if not by_hand:
        return _moment(*found, at_ms)
    season, since_ms, until_ms = found
    while since_ms is not None and (before := _stretch(species, since_ms - 1, hemisphere, zone, by_hand))[0] == season:
        since_ms = before[1]
    while until_ms is not None and (after := _stretch(species, until_ms, hemisphere, zone, by_hand))[0] == season:
        until_ms = after[2]
    return _moment(season, since_ms, until_ms, at_ms)


def _stretch(species: Species, at_ms: int, hemisphere: str, zone: tzinfo, by_hand: Sequence[_Stretch]) -> _Stretch:
    """What holds at an instant, by hand or by date, and until something else is said."""
    edges = [edge for _, *both in by_hand for edge in both if edge is not None]
    said = [each for each in by_hand if (each[1] or 0) <= at_ms and (each[2] is None or at_ms < each[2])]
    season, since_ms, until_ms = said[-1] if said else _by_date(species, at_ms, hemisphere, zone)
    since_ms = max((edge for edge in (*edges, since_ms) if edge is not None and edge <= at_ms), default=None)
    until_ms = min((edge for edge in (*edges, until_ms) if edge is not None and edge > at_ms), default=None)
    return season, since_ms, until_ms


def _by_date(species: Species, at_ms: int, hemisphere: str, zone: tzinfo) -> _Stretch:
    starts = _starts(species, hemisphere)
    if not starts:
        return Season.ACTIVE, None, None
    local_year = from_ms(at_ms).astimezone(zone).year
    boundaries = _boundaries(starts, local_year, zone)
    number = bisect.bisect_right(boundaries, at_ms, key=lambda boundary: boundary[0]) - 1
    since_ms, season = boundaries[number]
    return season, since_ms, boundaries[number + 1][0]


@lru_cache(maxsize=512)
def _by_hand(said: tuple[SeasonByHand, ...], zone: tzinfo) -> tuple[_Stretch, ...]:
    return tuple(
        (each.season, _midnight_ms(each.from_day, zone), _midnight_ms(each.until_day, zone) if each.until_day else None)
        for each in said
    )


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


def _moment(season: Season, since_ms: int | None, until_ms: int | None, at_ms: int) -> Moment:
    progress = 0.0 if since_ms is None or until_ms is None else (at_ms - since_ms) / (until_ms - since_ms)
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
