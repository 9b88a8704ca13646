"""Rooms of several species on heated racks, in one of which a colony died: of what is known. A third simulator, set by no answer.

Temperatures are those a keeper would hold for each species in its season; vapour comes from wet cotton by a quotient of each
nest, over the room's; an hour at about 42 °C kills, ten times as long per 3 K less (LD50 of the Formica rufa group about
40.8 °C, Kadochová, Frouz and Tószögyová 2017; Solenopsis 40 to 45 °C within an hour, Texas Tech thesis 1982); all other
harm is meant to be beyond doubt. Saturation by the Magnus formula.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from sensord.keeping.bands import bands_for
from sensord.keeping.species import load_species
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Season

LIBRARY = load_species(None)
CAUSES = ("dry", "wet", "heat", "cold", "swing", "reservoir_empty")
INNOCENT = (
    "quiet", "shared_heat", "shared_cold", "shared_dry", "shared_swing", "long_ago", "after_death", "blip", "stuck",
    "taken_out", "at_its_bounds",
)  # fmt: skip
TOO_LITTLE = "too_little"
TROPICAL = ("Odontomachus monticola", "Polyrhachis dives", "Camponotus nicobarensis", "Atta sexdens")
TEMPERATE = (
    "Lasius niger",
    "Lasius flavus",
    "Formica fusca",
    "Messor barbarus",
    "Camponotus barbaricus",
    "Manica rubida",
)
STEP_H, DAYS = 1 / 6, 61
H = 6  # steps an hour
D = 24 * H
N = DAYS * D


@dataclass
class OneNest:
    """A nest through all steps: °C, how much of the lack of vapour its cotton fills at both ends, and what is told of it."""

    name: str
    species: str
    rack: str
    temp_c: np.ndarray
    wet: np.ndarray
    dry_end: np.ndarray
    places: tuple[Place, ...]
    kind: NestKind
    off: tuple[float, float]  # °C and %RH, within the data sheet
    usual: float = 0.9
    empty_at: int | None = None
    water_stays: bool = False
    unknown: list[tuple[int, int]] = field(default_factory=list)
    stuck_at: int | None = None
    until: int | None = None


@dataclass
class SpeciesRoom:
    """What the product is given, and who died of what."""

    what: str
    dead: str = ""
    died_ms: int = 0
    at_ms: int = 0
    accepted: tuple[str, ...] = ()
    nests: list[Nest] = field(default_factory=list)
    placements: list[Placement] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    series: dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]] = field(default_factory=dict)


def make(what: str, seed: int) -> SpeciesRoom:
    """A room of 20 to 60 nests in which one colony, or several of one rack, died of ``what``."""
    return _Maker(what, seed).room


def _saturated_pa(temp_c):
    return 611.2 * np.exp(17.62 * temp_c / (243.12 + temp_c))


def _wander(rng, hours, sd):
    """A first-order autoregressive series."""
    keep = np.exp(-STEP_H / hours)
    kicks = rng.normal(0, sd * np.sqrt(1 - keep**2), N)
    powers = np.arange(0, N, 200)
    out, value = np.empty(N), rng.normal(0, sd)
    for first in powers:  # in pieces, so that the powers stay finite
        part = kicks[first : first + 200]
        decay = keep ** np.arange(1, len(part) + 1)
        out[first : first + 200] = decay * (value + np.cumsum(part / decay))
        value = out[first + len(part) - 1]
    return out


class _Maker:
    def __init__(self, what: str, seed: int) -> None:
        self.rng = rng = np.random.default_rng([4711, seed, *what.encode()])
        self.room, self.what = SpeciesRoom(what), what
        self.winter = bool(rng.random() < 0.25)
        begin = datetime(2024, 12, 14, tzinfo=UTC) if self.winter else datetime(2024, 6, 1, tzinfo=UTC)
        self.start_ms = to_ms(begin) + int(rng.integers(0, 3 if self.winter else 30 * 24)) * HOUR_MS
        self.every = int(rng.choice([1, 1, 2, 3, 6]))  # steps from reading to reading
        hour = np.arange(N) * STEP_H
        self.clock = hour % 24
        self.room_c = 21 + rng.normal(0, 1) + 1.2 * np.sin(2 * np.pi * (self.clock - 9) / 24) + _wander(rng, 60, 0.8)
        self.room_pa = rng.uniform(0.32, 0.58) * _saturated_pa(21.0) * np.exp(_wander(rng, 50, 0.12))
        self.died = int(N - rng.uniform(1, 6) * D)
        self.nests = self._stand()
        self.one = self.nests[int(rng.integers(len(self.nests)))]
        if Place.WET_END not in self.one.places:
            self.one.places = (Place.WET_END, *self.one.places)
        self.dead = [self.one]
        self._happen()
        self._tell()

    def _season(self, species: str) -> Season:
        return Season.WINTER_REST if self.winter and species in TEMPERATE else Season.ACTIVE

    def _bands(self, species: str, place: Place = Place.WET_END):
        return bands_for(LIBRARY[species], self._season(species), place)

    def _stand(self) -> list[OneNest]:
        rng, found = self.rng, []
        chosen = rng.permutation([*TROPICAL, *TEMPERATE])[: int(rng.integers(2, 5))]
        for letter, species in zip("ABCD", map(str, chosen), strict=False):
            found += [
                self._nest(f"{letter}{number:02d}", species, f"{letter}{number % 2}")
                for number in range(int(rng.integers(9, 16)))
            ]
        return found

    def _nest(self, name: str, species: str, rack: str) -> OneNest:
        rng, ideal = self.rng, self._bands(species).temp_c
        temp = (ideal.ideal_low + ideal.ideal_high) / 2 + 0.5 * (self.room_c - self.room_c.mean())
        temp = temp + rng.normal(0, 0.5) + _wander(rng, 30, 0.25)
        usual = rng.uniform(0.82, 0.93)
        wet = usual * np.exp(_wander(rng, 80, 0.01))
        for day in np.arange(rng.uniform(0, 4), DAYS, rng.uniform(2.5, 4.5)):
            wet[int(day * D) : int(day * D) + int(rng.integers(1, 4))] *= rng.uniform(0.75, 0.95)  # opened to feed
        wet_end, dry_end = Place.WET_END, Place.DRY_END
        places = ((wet_end,), (wet_end,), (wet_end, dry_end), (dry_end,), ())[
            int(rng.choice(5, p=[0.3, 0.3, 0.2, 0.1, 0.1]))
        ]
        off = float(np.clip(rng.normal(0, 0.1), -0.2, 0.2)), float(np.clip(rng.normal(0, 1), -2, 2))
        kind = NestKind.TUBE if rng.random() < 0.7 else NestKind.FORMICARIUM
        return OneNest(name, species, rack, temp, wet, np.full(N, rng.uniform(0.35, 0.6)), places, kind, off, usual)

    # -- what happened

    def _happen(self) -> None:
        rng, what = self.rng, self.what
        if what in CAUSES:
            self.room.accepted = (what,)
            delay = 0 if what in ("dry", "wet", "reservoir_empty") else int(rng.choice([0, 0, 6, 20, 40]) * H)
            mates = [one for one in self.nests if one.rack == self.one.rack and one is not self.one and one.places]
            if what in ("heat", "cold", "dry") and rng.random() < 0.3 and len(mates) > 2:
                self.dead += mates[: int(rng.integers(1, 3))]
            for one in self.dead:
                getattr(self, f"_{what}")(one, self.died - delay)
        elif what.startswith("shared_"):
            self.room.accepted = ("not_climate",)
            self._shared(what.removeprefix("shared_"), int(self.died - rng.uniform(0.2, 6) * D))
        elif what == TOO_LITTLE:
            self.room.accepted = ("cannot_tell",)
            self._too_little()
        else:
            self.room.accepted = ("not_climate", "cannot_tell") if what in ("stuck", "taken_out") else ("not_climate",)
            getattr(self, f"_{what}")(self.one, self.died)
        self._afterwards()

    def _pull(self, one: OneNest, to_c: float, hours: float, until: int) -> None:
        """Temperature to some value for so long, coming within minutes or over days."""
        since = until - max(1, int(hours * H))
        come = int((self.rng.uniform(24, 72) if self.rng.random() < 0.5 else self.rng.uniform(0.3, 2)) * H)
        share = np.zeros(N)
        share[since:until] = 1.0
        share[max(0, since - come) : since] = np.linspace(0, 1, min(come, since))
        one.temp_c = one.temp_c + share * (to_c - one.temp_c[since:until].mean())

    def _heat(self, one: OneNest, until: int) -> None:
        rest, top = self._season(one.species) is Season.WINTER_REST, self._bands(one.species).temp_c.limit_high
        hour_kills_c = max(top + 6.5, 40.0)
        hours = self.rng.uniform(2, 40)
        self._pull(
            one,
            top + self.rng.uniform(13, 18) if rest else hour_kills_c + 1.5 - 3 * np.log10(hours),
            96 if rest else hours,
            until,
        )

    def _cold(self, one: OneNest, until: int) -> None:
        low = self._bands(one.species).temp_c.limit_low
        if self.rng.random() < 0.5:
            self._pull(one, low - self.rng.uniform(5, 9), self.rng.uniform(24, 96), until)
        else:
            self._pull(one, low - self.rng.uniform(11, 15), self.rng.uniform(8, 30), until)

    def _swing(self, one: OneNest, until: int) -> None:
        band, rng = self._bands(one.species).temp_c, self.rng
        width = min(rng.uniform(10, 18), band.limit_high - band.limit_low - 1.0)
        since, period = (
            until - int(rng.uniform(4, 8) * D),
            rng.uniform(0.6, 24) if self.every < 3 else rng.uniform(4, 24),
        )
        middle = np.clip(one.temp_c[since:until].mean(), band.limit_low + width / 2, band.limit_high - width / 2)
        wave = np.sin(2 * np.pi * np.arange(N) * STEP_H / period)
        wave = wave if rng.random() < 0.5 else np.clip(1.6 * wave, -1, 1)
        one.temp_c[since:until] = (middle + width / 2 * wave)[since:until] + 0.3 * (one.temp_c[since:until] - middle)

    def _dry(self, one: OneNest, until: int, *, lasts_h: float | None = None) -> None:
        """The cotton dries, at once or over days, nearly down to the room's vapour, and stays so for days."""
        at_once = lasts_h is None and self.rng.random() < 0.3
        tau = (lasts_h or (self.rng.uniform(0.5, 4) if at_once else self.rng.uniform(20, 45))) * H
        since = int(until - self.rng.uniform(3.5, 8) * D - 2 * tau)
        left = self.rng.uniform(0.06, 0.2)
        share = np.ones(N)
        share[since:] = left + (1 - left) * np.exp(-np.arange(N - since) / tau)
        one.wet, one.dry_end, one.water_stays = one.wet * share, one.dry_end * share, lasts_h is None
        if lasts_h is not None:
            one.empty_at, one.kind = max(D, since - int(self.rng.uniform(0.5, 2) * D)), NestKind.TUBE

    def _reservoir_empty(self, one: OneNest, until: int) -> None:
        self._dry(one, until, lasts_h=float(self.rng.uniform(15, 45)))

    def _wet(self, one: OneNest, until: int) -> None:
        since = until - int(self.rng.uniform(6, 14) * D)
        one.usual = self.rng.uniform(0.6, 0.8)  # one that is nearly saturated at most times is not seen to be flooded
        one.wet[:since] *= one.usual / one.wet[:since].mean()
        one.wet[since:until], one.dry_end[since:until] = 1.02, 1.0

    # -- what did not kill

    def _shared(self, factor: str, until: int) -> None:
        """Every nest alike, a little beyond its limit for a day or two."""
        rng, hours = self.rng, self.rng.uniform(14, 50)
        since = until - int(hours * H)
        some, wave = (
            slice(since, until),
            np.sign(np.sin(2 * np.pi * np.arange(until - since) * STEP_H / rng.uniform(2, 5))),
        )
        ramp = np.minimum(1.0, np.minimum(np.arange(until - since), np.arange(until - since)[::-1]) / (2 * H))
        limits = [(one.temp_c[some].mean(), self._bands(one.species).temp_c) for one in self.nests]
        by_c = {
            "heat": min(band.limit_high - mean for mean, band in limits) + rng.uniform(1.0, 2.0),
            "cold": -min(mean - band.limit_low for mean, band in limits) - rng.uniform(1.0, 2.0),
            "swing": rng.uniform(3.5, 5.0) * wave,
        }.get(factor, 0.0)  # fmt: skip
        for one in self.nests:
            one.temp_c[some] += by_c * ramp * rng.uniform(0.95, 1.05)
            if factor == "dry":
                one.wet[some] *= 1 - ramp * rng.uniform(0.45, 0.6)
        self.room_c = self.room_c.copy()
        self.room_c[some] += by_c * ramp

    def _quiet(self, one: OneNest, until: int) -> None:
        """Nothing."""

    def _at_its_bounds(self, one: OneNest, until: int) -> None:
        one.off = float(self.rng.choice([-0.2, 0.2])), float(self.rng.choice([-2.0, 2.0]))

    def _long_ago(self, one: OneNest, until: int) -> None:
        band, then = self._bands(one.species).temp_c, int(until - self.rng.uniform(18, 26) * D)
        to_c = band.limit_high + 1.0 if self.rng.random() < 0.5 else band.limit_low - 1.0
        self._pull(one, to_c, self.rng.uniform(5, 14), then)

    def _after_death(self, one: OneNest, until: int) -> None:
        one.temp_c[until + 2 * H :] += self.rng.choice([14.0, -12.0])
        one.wet[until + 2 * H :] *= 0.2

    def _blip(self, one: OneNest, until: int) -> None:
        some = slice(int(until - self.rng.uniform(0.3, 4) * D), None)
        one.temp_c[some][:3] += self.rng.uniform(4, 8)
        one.wet[some][6:9] *= 0.4

    def _stuck(self, one: OneNest, until: int) -> None:
        one.stuck_at = int(until - self.rng.uniform(0.5, 6) * D)

    def _taken_out(self, one: OneNest, until: int) -> None:
        one.until = int(until - self.rng.uniform(1, 5) * D)

    def _too_little(self) -> None:
        rng, one = self.rng, self.one
        how = int(rng.integers(4))
        if how == 3:  # two hours a day
            one.unknown = [(day * D, day * D + 22 * H) for day in range(DAYS)]
            return
        days = (rng.uniform(24, 60), rng.uniform(9, 14), rng.uniform(2.2, 6))[how]
        one.unknown = [(int(self.died - days * D), N)]
        if how == 1:
            self._cold(one, self.died)

    def _afterwards(self) -> None:
        """An empty nest dries, is washed or warmed."""
        for one in self.dead:
            one.wet[self.died + 2 * H :] *= self.rng.uniform(0.1, 1.0)
            one.temp_c[self.died + 2 * H :] += self.rng.choice([0.0, 0.0, 4.0, -8.0])

    # -- what is told

    def _ms(self, step: float) -> int:
        return self.start_ms + round(step * 10 * MINUTE_MS)

    def _tell(self) -> None:
        room, rng = self.room, self.rng
        room.dead, room.died_ms = self.one.name, self._ms(self.died)
        room.at_ms = room.died_ms + int(rng.choice([0.1, 5, 20]) * HOUR_MS)
        if rng.random() < 0.85:
            room.placements.append(Placement("shelf", None, "den", Place.ROOM, self.start_ms))
            self._probe("shelf", self.room_c, 100 * self.room_pa / _saturated_pa(self.room_c), (0.0, 0.0))
        for one in self.nests:
            self._nest_told(one)
        for one in self.dead:
            room.entries.append(Entry(room.died_ms, one.name, EntryKind.DIED))

    def _nest_told(self, one: OneNest) -> None:
        since = self.start_ms - int(self.rng.integers(20, 300)) * DAY_MS
        water_ml = 10.0 if one.kind is NestKind.TUBE else None
        self.room.nests.append(
            Nest(one.name, one.kind, "den", one.rack, one.species, one.name, "growing", since, None, None, water_ml, None)
        )  # fmt: skip
        full = _saturated_pa(one.temp_c)
        most = (
            0.5 if self.what in ("dry", "reservoir_empty") else 0.75
        )  # over dry cotton in a damp cellar nobody dies of thirst
        around = np.minimum(self.room_pa, most * full) if self.winter else self.room_pa
        for place, share in ((Place.WET_END, one.wet), (Place.DRY_END, one.dry_end)):
            if place in one.places:
                probe = f"{one.name}-{place.value[0]}".lower()
                until = None if one.until is None else self._ms(one.until)
                self.room.placements.append(Placement(probe, one.name, "den", place, self.start_ms, until))
                rh = 100 * np.clip((around + share * np.maximum(0.0, full - around)) / full, 0, 1)
                self._probe(probe, one.temp_c, rh, one.off, one)
        if one.kind is NestKind.TUBE and (one.empty_at is not None or self.rng.random() < 0.8):
            self._journal(one, water_ml or 0.0)

    def _probe(self, probe: str, temp_c, rh_pct, off: tuple[float, float], one: OneNest | None = None) -> None:
        rng = self.rng
        at = np.arange(int(rng.integers(self.every)), N, self.every)
        temp = temp_c[at] + off[0] + rng.normal(0, 0.05, len(at))
        rh = np.clip(rh_pct[at] + off[1] + rng.normal(0, 0.25, len(at)), 0, 100)
        kept = rng.random(len(at)) > 0.01
        for first, last in one.unknown if one else ():
            kept &= (at < first) | (at >= last)
        if one and one.stuck_at is not None:
            bad = at >= one.stuck_at
            temp[bad], rh[bad] = temp[bad][0], rh[bad][0]
        at_ms = self.start_ms + at.astype(np.int64) * 10 * MINUTE_MS
        self.room.series[probe] = (at_ms[kept], temp[kept].round(2), rh[kept].round(2))

    def _journal(self, one: OneNest, full_ml: float) -> None:
        """Fills, levels read now and then, and what is left where somebody died."""
        rng, end = self.rng, self.died if one in self.dead else N
        empty_at = one.empty_at or int(end + rng.uniform(15, 60) * D)
        rate = full_ml / rng.uniform(60, 120) / D
        filled_at = empty_at - full_ml / rate
        told = [(filled_at, EntryKind.FILL, full_ml)]
        for at in range(int(rng.integers(0, 6 * D)), end, int(rng.uniform(6, 12) * D)):
            left = rate * (empty_at - at)
            told.append((at, EntryKind.LEVEL, round(max(0.4, left + rng.normal(0, 0.2)), 1) if left > 0.3 else 0.0))
        if one.water_stays:
            told.append((end - 2, EntryKind.LEVEL, round(rate * (empty_at - end), 1)))
        self.room.entries += [Entry(self._ms(at), one.name, kind, ml, "mL") for at, kind, ml in told]
