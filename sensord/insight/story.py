"""One nest from a checkpoint to an instant: its drying power and its cotton, taken in by its ledger. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sensord.air.evaporation import diffusivity_m2_s
from sensord.air.moist_air import rh_pct
from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.balance import REFERENCE_C, Floats, PowerSeries
from sensord.insight.ledger import Event, Happening, Ledger
from sensord.insight.ledger_bytes import from_bytes, to_bytes
from sensord.insight.nest_air import AirHours
from sensord.insight.outlook import Cotton
from sensord.insight.spells import DAYS_USED
from sensord.insight.wetness import HourSample, Quotient, WetnessTracker, expected_baseline, quotients
from sensord.model import Nest, Placement

_DAY_HOURS = 24
_STILL_WET_MS = 7 * DAY_MS
_DISTANCE_SD_MM = 2.0  # a ruler is held by eye
_NO_GRADIENT = 0.97  # a probe in the cotton's own air


@dataclass(slots=True)
class Story:
    """What is remembered of a nest: its ledger, its cotton, and the drying power of the last days."""

    ledger: Ledger
    tracker: WetnessTracker | None = None
    stands: tuple[str, int] | None = None  # the probe the tracker follows, and since when it sits there
    cotton: str = "unknown"
    recent_daily: Floats = field(default_factory=lambda: np.array([]))
    warmer_c: float = 0.0  # than its room or rack, where it was last measured
    read_until_ms: int = 0  # what was known when it was told: an answer of before that must not use it
    heard: int | None = None  # hours measured in the days before a checkpoint: more of them later means late readings

    @classmethod
    def begin(cls, nest: Nest, journal: Sequence[Event]) -> Story:
        """Just before the first entry about its water."""
        return cls(Ledger.begin(nest, journal[0].at_ms - 1))

    def advance(
        self, journal: Iterable[Event], power: PowerSeries | None, hours: Iterable[HourSample], until_ms: int
    ) -> None:
        """Take in entries and hours of after ``ledger.upto_ms``, until then included; later ones are left out.

        Args:
            power: None where nothing measures the air; usual air then stands in for it.
            hours: of the probe in the nest, ascending; none where there is none.
        """
        since_ms = self.ledger.upto_ms
        fresh = sorted((one for one in journal if since_ms < one.at_ms <= until_ms), key=lambda one: one.order)
        cotton = self._follow_cotton(fresh, (one for one in hours if since_ms <= one.at_ms + HOUR_MS <= until_ms))
        if power is None:
            power = PowerSeries.unmeasured(since_ms)
        else:
            self._remember_days(power, since_ms, until_ms)
        self.ledger.advance([*fresh, *cotton], power, until_ms)

    def _remember_days(self, power: PowerSeries, since_ms: int, until_ms: int) -> None:
        """Whole days since the last time, behind those already known: those of which half was measured at least."""
        begun_ms = since_ms if len(self.recent_daily) else power.start_ms
        first = max(0, (-(-begun_ms // DAY_MS) * DAY_MS - power.start_ms) // HOUR_MS)
        last = min(len(power.hourly), max(0, (until_ms // DAY_MS * DAY_MS - power.start_ms) // HOUR_MS))
        hours = slice(first, first + max(0, last - first) // _DAY_HOURS * _DAY_HOURS)
        days = power.hourly[hours].reshape(-1, _DAY_HOURS).mean(axis=1)
        told = power.measured[hours].reshape(-1, _DAY_HOURS).mean(axis=1) >= 0.5
        means = [float(f"{day:.6g}") for day in days[told].tolist()]  # kept as text
        known = np.concatenate((self.recent_daily, means))
        self.recent_daily = known[-DAYS_USED:]

    def follow(self, nest: Nest, stands: Placement | None) -> None:
        """Which probe tells about the cotton from now on; a probe that moved starts anew."""
        seat = None if stands is None else (stands.probe, stands.since_ms)
        if seat == self.stands:
            return
        self.stands, self.cotton = seat, "unknown"
        self.tracker = None
        if stands is not None:
            expected = expected_baseline(stands.place, stands.distance_mm, nest.chamber_mm, nest.plug)
            self.tracker = WetnessTracker(*expected)

    def _follow_cotton(self, journal: Sequence[Event], hours: Iterable[HourSample]) -> list[Event]:
        """Give the tracker its hours and the fills between them; what it says about the water."""
        tracker = self.tracker
        if tracker is None:
            return []
        poured = [one for one in journal if one.kind in (Happening.FILL, Happening.TOP_UP)]
        found: list[Event] = []
        for hour in hours:
            while poured and poured[0].at_ms <= hour.at_ms:
                fill = poured.pop(0)
                tracker.filled(fill.at_ms, top_up=fill.kind is Happening.TOP_UP)
            noticed = tracker.update(hour)
            if noticed is not None and noticed.kind == "fill":
                found.append(Event(hour.at_ms + HOUR_MS, Happening.COTTON_REWET))
            if hour.at_ms % DAY_MS == 0:
                found.extend(self._judge_cotton(tracker, hour.at_ms + HOUR_MS))
        for fill in poured:
            tracker.filled(fill.at_ms, top_up=fill.kind is Happening.TOP_UP)
        return found

    def _judge_cotton(self, tracker: WetnessTracker, at_ms: int) -> list[Event]:
        """Once a day: cotton that began to dry, and once a week that it is still wet."""
        before, self.cotton = self.cotton, tracker.status(at_ms).cotton
        if self.cotton in ("drying", "dry") and before not in ("drying", "dry"):
            return [Event(at_ms, Happening.COTTON_DRY)]
        if self.cotton == "wet" and at_ms // DAY_MS % (_STILL_WET_MS // DAY_MS) == 0:
            return [Event(at_ms, Happening.COTTON_WET)]
        return []

    def cotton_at(self, at_ms: int) -> Cotton:
        """What the probe in the nest says at an instant."""
        if self.tracker is None:
            return Cotton()
        status = self.tracker.status(at_ms)
        return Cotton(status.wetness, status.wetness_sd, status.cotton)

    def gradient(self, nest: Nest, stands: Placement | None, at_ms: int) -> tuple[float, float] | None:
        """What the wet baseline says of ln conductance, and its spread: G = D A (1 - w0) / distance, on a straight profile."""
        if stands is None or self.tracker is None or not stands.distance_mm or not nest.bore_mm:
            return None
        status = self.tracker.status(at_ms)
        if status.w0 is None or status.w0_sd is None or status.w0 > _NO_GRADIENT:
            return None
        area_m2 = math.pi / 4.0 * (nest.bore_mm / 1_000.0) ** 2
        conductance = diffusivity_m2_s(REFERENCE_C) * area_m2 * (1.0 - status.w0) / (stands.distance_mm / 1_000.0)
        sd = math.hypot((status.w0_sd + 0.03) / (1.0 - status.w0), _DISTANCE_SD_MM / stands.distance_mm)
        return math.log(conductance), sd

    def to_bytes(self) -> bytes:
        """All of it, to be kept at a checkpoint."""
        more: dict[str, Any] = {
            "tracker": self.tracker.state() if self.tracker else None,
            "stands": self.stands,
            "cotton": self.cotton,
            "recent_daily": self.recent_daily.tolist(),
            "warmer_c": self.warmer_c,
            "read_until_ms": self.read_until_ms,
            "heard": self.heard,
        }
        return json.dumps(more).encode() + b"\n" + to_bytes(self.ledger)

    @classmethod
    def from_bytes(cls, state: bytes) -> Story:
        """What ``to_bytes`` gave."""
        text, _, rest = state.partition(b"\n")
        more = json.loads(text)
        tracker = WetnessTracker.from_state(more["tracker"]) if more["tracker"] else None
        stands = (more["stands"][0], more["stands"][1]) if more["stands"] else None
        more |= {"ledger": from_bytes(rest), "tracker": tracker, "stands": stands}
        return cls(**more | {"recent_daily": np.array(more["recent_daily"])})


def samples(own: AirHours, room: AirHours) -> list[HourSample]:
    """Hours in which both the nest's own probe and its room were measured; both on one grid."""
    both = np.flatnonzero(own.measured & np.isfinite(room.vapour_pa))
    temp_c, room_pa = own.temp_c[both], room.vapour_pa[both]
    humidity = rh_pct(temp_c, own.vapour_pa[both])
    columns = (both * HOUR_MS + own.start_ms, temp_c, humidity, room_pa, *quotients(temp_c, humidity, room_pa))
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return [HourSample(at_ms, warm, humid, pa, None, Quotient(*rest)) for at_ms, warm, humid, pa, *rest in rows]
