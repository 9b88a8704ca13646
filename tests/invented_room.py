"""An invented room for the tests, pictures and benchmarks of the dashboard: a Source without a store behind it."""

from __future__ import annotations

import dataclasses
import math
import random

from invented_keeping import InventedKeeping
from invented_reviews import InventedReviews

from dashboard.nest_snapshot import AirTracks, BandSpan, History, Journal, Mark, PastLine, Siblings, Track, Written
from dashboard.snapshot import (
    Air,
    AlarmNow,
    AlarmStep,
    Chore,
    ColonyNow,
    HubNow,
    NestNow,
    OutOfService,
    ProbeNow,
    ProcessNow,
    RoundNow,
    Snapshot,
    Water,
)
from sensord.clock import DAY_MS
from sensord.keeping.bands import Band, Bands
from sensord.model import Nest, NestKind, Place, Placement

DEAD = "Z-01"
"""A nest of the invented room whose colony died."""
_INVENTED = ("invented",) * 4
BANDS = Bands(Band(22.0, 27.0, 18.0, 31.0, _INVENTED), Band(60.0, 85.0, 45.0, 95.0, _INVENTED))
SPECIES = (
    "Lasius niger",
    "Messor barbarus",
    "Camponotus ligniperda",
    "Formica fusca",
    "Camponotus nicobarensis",
    "Temnothorax nylanderi",
)


def nest_now(
    name,
    at_ms,
    *,
    rack="A",
    rh=70.0,
    temp=24.5,
    days=20.0,
    age_ms=20_000,
    species=SPECIES[0],
    kind=NestKind.TUBE,
    **changes,
):
    """One nest, well unless told otherwise."""
    nest = Nest(name, kind, "ant room", rack, species, reservoir_ml=8.0)
    placement = Placement(f"hub-a/{name.lower()}", name, "ant room", Place.WET_END, 0)
    air = Air(at_ms - age_ms, temp, rh, 0.1, -0.5)
    left = min(8.0, days * 0.25)
    water = Water(days * 0.7, days, days * 1.4, left, left * 0.8, left * 1.2, "own probe", 3)
    return dataclasses.replace(NestNow(nest, placement, air, BANDS, water, species), **changes)


def room(nests: int, at_ms: int, *, racks: int = 3, troubles: bool = True) -> Snapshot:
    """A room of so many nests; with troubles, one in 16 or so is not well."""
    chance = random.Random(7)
    made = []
    for number in range(nests):
        rack, place = "ABCDEFGHIJKLMNOP"[number * racks // nests], number % -(-nests // racks) + 1
        values = {"rh": chance.uniform(64, 82), "temp": chance.uniform(22.5, 26.5), "days": chance.uniform(4, 32)}
        if troubles and number % 29 == 5:
            values["rh"] = chance.uniform(31, 44)
        if troubles and number % 37 == 11:
            values["temp"] = chance.uniform(27.5, 30.5)
        if troubles and number % 23 == 8:
            values["rh"] = chance.uniform(48, 58)
        if troubles and number % 61 == 20:
            values["age_ms"] = 3_600_000
        if troubles and number % 43 == 17:
            values["days"] = 1.2
        kind = NestKind.FORMICARIUM if number % 9 == 4 else NestKind.TUBE
        made.append(
            nest_now(
                f"{rack}-{place:02d}", at_ms, rack=f"Rack {rack}", species=SPECIES[number % 6], kind=kind, **values
            )
        )
    alarms = tuple(
        AlarmNow(f"al-{now.nest.name}", "dry", "high" if number == 0 else "medium", "unacknowledged", at_ms - 5_400_000, now.nest.name,
                 None, "wet_end", worst=now.air.rh_pct, limit=45.0)
        for number, now in enumerate(now for now in made if now.air.rh_pct < 45)
    )  # fmt: skip
    beats = tuple(ProcessNow(name, at_ms - 4_000) for name in ("record", "watch", "serve"))
    hubs = (
        HubNow("hub-a", "up", at_ms - 9_000, "0.1.0"),
        HubNow("hub-b", "up", at_ms - 9_000, "0.1.0", 12, at_ms - 60_000),
    )
    out = (
        (OutOfService(f"nest {made[2].nest.name}", at_ms + DAY_MS, "fresh cotton", "Anna"),)
        if troubles and nests > 2
        else ()
    )
    return Snapshot(
        "Ant room",
        "Europe/Lisbon",
        at_ms,
        tuple(made),
        alarms,
        hubs,
        beats,
        newest_ms=at_ms - 9_000,
        out_of_service=out,
    )


class InventedRoom:
    """A Source whose snapshot is made by a function of the clock."""

    def __init__(self, clock, make) -> None:
        self._clock, self._make = clock, make
        self.keeping = InventedKeeping(self)
        self.reviews = InventedReviews(self)

    def _now(self) -> Snapshot:
        from sensord.clock import to_ms

        return self._make(to_ms(self._clock.now()))

    def snapshot(self) -> Snapshot:
        return self._now()

    def health(self) -> tuple[ProcessNow, ...]:
        return self._now().processes

    def nest(self, name: str) -> NestNow | None:
        now = self._now()
        if name == DEAD:
            gone = nest_now(DEAD, now.at_ms, placement=None, air=None, water=None)
            return dataclasses.replace(gone, died_ms=now.at_ms - 9 * DAY_MS)
        return next((one for one in now.nests if one.nest.name == name), None)

    def round(self) -> RoundNow | None:
        now = self._now()
        tasks = (("now", "top_up", "dry now"), ("today", "feed_sugar", "last sugar 4 days ago; nanitic, every 3 days"),
                 ("when_there", "count", "never counted: its food follows its size"))  # fmt: skip
        chores = tuple(
            Chore(task, urgency, one.nest.room, one.nest.rack, one.nest.name, why, task)
            for number, (urgency, task, why) in enumerate(tasks)
            for one in now.nests[number::11]
        )
        return RoundNow(now.at_ms - 240_000, chores)

    def colonies(self) -> tuple[ColonyNow, ...]:
        now = self._now()
        alive = tuple(
            ColonyNow(
                one.nest.name, one.species, "nanitic", ((one.nest.name, now.at_ms - 90 * DAY_MS),), 7, now.at_ms, 2
            )
            for one in now.nests
        )
        return (ColonyNow(DEAD, SPECIES[0], "founding", ((DEAD, None),), died_ms=now.at_ms - 9 * DAY_MS), *alive)

    def history(self, nest: str, from_ms, until_ms, asked=None) -> History:
        """A day that swings, with a hole, a fill, a feeding and an alarm; on long windows with a range around it."""
        begin_ms = until_ms - 400 * DAY_MS if from_ms is None else from_ms
        step = max(60_000, (until_ms - begin_ms) // 400)
        at = tuple(
            ms for ms in range(begin_ms, until_ms, step) if not 0.4 < (ms - begin_ms) / (until_ms - begin_ms) < 0.45
        )
        day = [math.sin(ms / 86_400_000 * 2 * math.pi) for ms in at]

        def track(middle, slope, apart, ranged=True):
            values = tuple(middle + slope * s for s in day)
            low, high = ((tuple(v + sign * apart for v in values) if ranged else ()) for sign in (-1, 1))
            return Track(at, values, low, high, step)

        long = until_ms - begin_ms > 2 * DAY_MS
        air = AirTracks(track(66, -9, 3, long), track(24.5, 2, 0.6, long))
        marks = (
            Mark(at[len(at) // 3], "fill", "fill 8 mL"), Mark(at[len(at) // 2], "feed_sugar", "feed sugar"),
            Mark(at[-20], "alarm", "dry", worst=41.0),
        )  # fmt: skip
        return History(
            begin_ms, until_ms, "wet_end", air, marks=marks, spans=(BandSpan(begin_ms, until_ms, BANDS),),
            wetness=track(0.8, 0.02, 0.06),
            dew_c=track(16, 1, 0, ranged=False) if asked and asked.moisture else None,
            deficit_kpa=track(1.0, 0.2, 0, ranged=False) if asked and asked.moisture else None,
            siblings=Siblings(7, track(68, -8, 6), track(24, 2, 1.5)) if asked and asked.siblings else None,
        )  # fmt: skip

    def written(self, nest: str, most: int) -> Journal:
        now = self._now()
        gone = Written(now.at_ms - DAY_MS, "fill 80 mL", "Ben", 2, "fill", now.at_ms - 600_000, "Anna")
        return Journal((
            Written(now.at_ms - 3_600_000, "feed sugar", "Anna", 3, "feed_sugar"),
            gone,
            Written(now.at_ms - 2 * DAY_MS, "fill 8 mL", "Ben", 1, "fill"),
        ))  # fmt: skip

    def past(self, nest: str) -> tuple[PastLine, ...]:
        at_ms = self._now().at_ms
        return (
            PastLine(at_ms - 9 * DAY_MS, "rack A → B", "Anna", at_ms - 8 * DAY_MS),
            PastLine(None, "kind tube, room ant room, rack A, species Lasius niger, reservoir (mL) 8"),
        )

    def alarm(self, id_: str) -> AlarmNow | None:
        found = next((alarm for alarm in self._now().alarms if alarm.id == id_), None)
        steps = (AlarmStep(found.raised_ms, "raised"),) if found else ()
        return dataclasses.replace(found, message="Look at the reservoir.", steps=steps) if found else None

    def alarms(self, since_ms: int) -> tuple[AlarmNow, ...]:
        return tuple(alarm for alarm in self._now().alarms if alarm.raised_ms >= since_ms)

    def probes(self) -> tuple[ProbeNow, ...]:
        return tuple(
            ProbeNow(now.placement.probe, now.placement, now.air.at_ms, now.air.temp_c, now.air.rh_pct)
            for now in self._now().nests
            if now.air
        )
