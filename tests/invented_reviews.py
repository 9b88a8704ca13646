"""What the invented room has for the pages of review and losses: real reports over invented air."""

from __future__ import annotations

import math
from datetime import UTC

import numpy as np
from markupsafe import Markup

from dashboard.review_snapshot import Choice, LossesAsked, ReviewAsked, Told
from dashboard.units import in_words
from sensord.clock import DAY_MS, HOUR_MS
from sensord.errors import InputError
from sensord.insight import comparison
from sensord.insight.exposures import Distrust, Limits, PlaceAir
from sensord.insight.in_common import Marked, in_common
from sensord.insight.losses import FACTORS, Harsh, Watched, csv_rows, losses_of
from sensord.insight.losses_article import article as losses_article
from sensord.insight.review import Case, Sibling, Siblings, Water, review_of
from sensord.insight.review_article import Reviewed
from sensord.insight.review_report import body_of, csv_of, csv_text, document, html_of
from sensord.insight.timeline import AlarmSeen, Edges, Timeline, Track
from sensord.model import Entry, EntryKind, Place, Season

DEAD = ("Z-01", "Z-02", "Z-03")
DIED_DAYS_AGO = {"Z-01": 9, "Z-02": 11, "Z-03": 12}


class InventedReviews:
    """A ReviewSource over an InventedRoom: those called Z died too hot, who else lives is well."""

    def __init__(self, room, extra=()) -> None:
        self._room, self._extra = room, tuple(extra)

    def choices(self) -> tuple[Choice, ...]:
        now = self._room.snapshot()
        dead = [Choice(name, "Lasius niger", "Rack Z", now.at_ms - DIED_DAYS_AGO[name] * DAY_MS) for name in DEAD]
        return (*dead, *self._extra, *(Choice(one.nest.name, one.species, one.nest.rack) for one in now.nests))

    def answer(self, asked, say) -> Told:
        say("Reading invented air")
        if isinstance(asked, LossesAsked):
            return self._losses(asked)
        unit = self._room.snapshot().temperature_unit
        known = {one.nest for one in self.choices()}
        for name in asked.nests:
            if name not in known:
                raise InputError(f"nest {name!r}: there is no such nest")
        found = [self._reviewed(name, asked, unit) for name in asked.nests]
        if asked.beside:
            other = self._reviewed(asked.beside, ReviewAsked((asked.beside,), asked.beside_at_ms, asked.days), unit)
            drawn = Markup(in_words(comparison.article(found[0], other), unit))
            data = csv_text([found[0], other])
            return Told("both", drawn, document("both", drawn, data, "both"), data)
        common = None
        if len(found) > 1:
            dead = [Marked(name, True, frozenset({("rack", "Z"), ("water", "1 Mar 2026")})) for name in asked.nests]
            living = [
                Marked(one.nest, False, frozenset({("rack", one.rack)})) for one in self.choices() if not one.died_ms
            ]
            common = in_common(dead + living)
        body = Markup(in_words(body_of(found, common, folded=True), unit))
        return Told(
            "-".join(asked.nests), body, in_words(html_of(found, common, room="Ant room"), unit), csv_text(found)
        )

    def _reviewed(self, name, asked: ReviewAsked, unit) -> Reviewed:
        now_ms = self._room.snapshot().at_ms
        dead = DIED_DAYS_AGO.get(name)
        died_ms = None if dead is None else now_ms - dead * DAY_MS
        until_ms = min(asked.at_ms or now_ms, died_ms or now_ms) // HOUR_MS * HOUR_MS
        return reviewed(name, until_ms, asked.days, died_ms, unit)

    def _losses(self, asked: LossesAsked) -> Told:
        now_ms = self._room.snapshot().at_ms
        until_ms = asked.until_ms or now_ms
        from_ms = asked.from_ms or until_ms - 300 * DAY_MS
        days = max(1, (until_ms - from_ms) // DAY_MS)
        rows = [
            Watched(f"c{n}", f"n{n}", from_ms, from_ms + (days - n) * DAY_MS if n % 7 == 0 else until_ms, n % 7 == 0,
                    "ant room", f"Rack {'ABCDEFG'[n % 7 if n % 14 else 0]}", f"Species {n % 3}", "founding")
            for n in range(70)
        ]  # fmt: skip
        zeros = {factor: np.zeros(days + 20) for factor in FACTORS}
        air = {
            f"n{n}": Harsh(from_ms - 20 * DAY_MS, zeros | {"dry": np.full(days + 20, 4.0 if n % 14 == 0 else 0.0)},
                           np.full(days + 20, 24.0))
            for n in range(70)
        }  # fmt: skip
        found = losses_of(rows, asked.by, (from_ms, until_ms), air)
        drawn, data = Markup(losses_article(found, UTC)), csv_of(csv_rows(found))
        return Told("losses", drawn, document("losses", drawn, data, "losses"), data)


def reviewed(
    name: str, until_ms: int, days: int, died_ms: int | None, unit: str = "C", note: str = "queen seen"
) -> Reviewed:
    """A review of a nest over so many days: with a heat mat stuck in its last day where it died."""
    hours = days * 24
    from_ms = until_ms - hours * HOUR_MS
    day = np.array([math.sin(hour / 24 * 2 * math.pi) for hour in range(hours)])
    limits = Limits(*(np.full(hours, value) for value in (18.0, 31.0, 45.0, 95.0)))

    def air(place, above=0.0, hot=False):
        temp = 24.0 + 1.5 * day + above
        if hot:
            temp[-30:] += 14.0
        return PlaceAir(
            place, from_ms, temp, 70.0 - 6 * day + np.arange(hours) % 3 / 10, temp - 0.2, temp + 0.2, limits
        )

    own = air(Place.WET_END, hot=died_ms is not None)
    kin = tuple(Sibling(f"K{n}", (air(Place.WET_END, above=n / 10 - 0.4),), died=False) for n in range(8))
    case = Case(
        nest=name, at_ms=until_ms, from_ms=from_ms, until_ms=until_ms, died_at_ms=died_ms, places=(own,), distrusted=(),
        siblings=Siblings(kin, "of the same species and stage in this room"), water=Water(), reservoir=(),
    )  # fmt: skip
    entries = (
        Entry(until_ms - 6 * DAY_MS, name, EntryKind.FILL, 8.0, "mL", "", "Ines"),
        Entry(until_ms - 3 * DAY_MS, name, EntryKind.NOTE, None, "", note, "Ines"),
    )
    raised = until_ms - 28 * HOUR_MS
    alarms = (AlarmSeen("hot", "wet_end", "high", raised, None, raised + HOUR_MS, "Ines", 39.1, 31.0, None),)
    timeline = Timeline(
        name, from_ms, until_ms, _tracks(own, from_ms, hours), ((from_ms, until_ms, Season.ACTIVE),), entries,
        alarms if died_ms is not None else (), tuple((from_ms + d * DAY_MS, 0.7) for d in range(days)),
        tuple((from_ms + d * DAY_MS, max(0.0, 8.0 - 0.2 * d)) for d in range(days)), ((until_ms - 6 * DAY_MS, 8.0),),
    )  # fmt: skip
    return Reviewed(
        review_of(case), timeline, "The alarm 'hot' would have come 28 h before the end.", zone=UTC, unit=unit
    )


def _tracks(own: PlaceAir, from_ms: int, hours: int) -> tuple[Track, ...]:
    band = Edges(*(np.full(hours, value) for value in (22.0, 27.0, 18.0, 31.0)))
    wet = Edges(*(np.full(hours, value) for value in (60.0, 85.0, 45.0, 95.0)))
    gap = own.temp_c.copy()
    gap[60:90] = np.nan
    left_out = (Distrust("stuck", from_ms + 100 * HOUR_MS, from_ms + 130 * HOUR_MS),)
    return (
        Track(Place.WET_END, ("hub-a/z-01",), from_ms, own.temp_c, own.rh_pct, band, wet),
        Track(
            Place.OUTWORLD,
            ("hub-a/z-01-out",),
            from_ms,
            gap,
            np.where(np.isnan(gap), np.nan, 50.0),
            band,
            wet,
            left_out,
        ),
        Track(Place.ROOM, ("hub-a/room",), from_ms, own.temp_c * 0 + 22.0, own.temp_c * 0 + 45.0),
    )
