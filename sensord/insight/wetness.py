"""How wet the cotton is, whatever the weather: w = (e_p - e_r) / (e_s - e_r), its baseline, and when it starts to dry.

``WetnessTracker`` takes one sample an hour and keeps a small state. It learns the tube's wet baseline after each
fill, estimates the water activity of the cotton face against it, finds drying with a cumulative sum, tells it from
drift (slow), open doors (short), condensation (set aside) and a moved probe (sudden), and notices a fill nobody logged.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal, NamedTuple

import numpy as np

from sensord.air.evaporation import tube_path_mm, wetness_at
from sensord.air.moist_air import PROBE_RH_SD_PCT, PROBE_TEMP_SD_C, saturation_pa
from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight import cusum
from sensord.insight.balance import Floats
from sensord.insight.baseline import Baseline
from sensord.insight.jumps import HOUR_KEPT, jump
from sensord.model import Place, Plug

Cotton = Literal["wet", "drying", "dry", "unknown"]
Phase = Literal["learning", "wet", "drying", "dry"]

CONDENSED_PCT = 99.5
MEANINGLESS_SD = 0.3  # a wetness less certain than this says nothing
STALE_MS = 2 * DAY_MS
LEARN_H = 24.0  # usable hours before a new baseline may be judged by
SETTLE_H = 4  # after a fill: cold water, open plug
DRY_H = 24  # hours after condensation in which a probe recovers
ACTIVITY_DRY = 0.65
_DRIFT_PER_DAY = 0.02 / 365  # in relative humidity; the data sheet says 0.25 % a year, worn probes do worse
_REFERENCE, _REFERENCE_MOST, _DECISION = 0.02, 0.16, 0.15  # of 1 - activity; the decision in 1 - activity times hours
_STEP_MOST = 0.06  # what one hour may add: doors make few large steps, cotton many small ones
_CLEARLY_DRYING = 0.15
_CALM_H, _LATEST_H = 7, 3
_KEPT_EVENTS = 20


class Quotient(NamedTuple):
    """The wetness w, its standard deviation, and the room's vapour pressure as a share of saturation at the probe."""

    wetness: float
    sd: float
    room: float


@dataclass(frozen=True, slots=True)
class HourSample:
    """One hour: means of the calibrated probe, and the room's vapour pressure in the same hour.

    Attributes:
        at_ms: start of the hour. temp_c, rh_pct: at the probe. room_pa: vapour pressure of the room (of its own
            temperature and humidity, never by comparing percentages). rh_max_pct: highest in the hour, where known.
        quotient: of these, where it is known already (``quotients`` works out many hours at once).
    """

    at_ms: int
    temp_c: float
    rh_pct: float
    room_pa: float
    rh_max_pct: float | None = None
    quotient: Quotient | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something to ask the keeper about: ``fill`` that nobody logged, or ``moved`` probe (or plug).

    Attributes:
        before, after: activity of the cotton face on either side, as the baseline of that time has it (may exceed 1).
    """

    at_ms: int
    kind: Literal["fill", "moved"]
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class WetnessStatus:
    """What is known at an instant; None where it is not.

    Attributes:
        wetness, wetness_sd: about the last day. w0, w0_sd: the wet baseline. activity, activity_sd: of the cotton face.
        noticed: fills nobody logged and moved probes, oldest first.
    """

    wetness: float | None
    wetness_sd: float | None
    cotton: Cotton
    w0: float | None
    w0_sd: float | None
    activity: float | None
    activity_sd: float | None
    noticed: tuple[Event, ...]

    @property
    def fill_noticed(self) -> tuple[Event, ...]:
        """The fills nobody logged."""
        return tuple(event for event in self.noticed if event.kind == "fill")


def wetness(temp_c: float, rh_pct: float, room_pa: float) -> float:
    """The quotient w; about 1 at the wet face, 0 in the room. Means nothing where ``wetness_sd`` is large."""
    return quotient(temp_c, rh_pct, room_pa).wetness


def wetness_sd(temp_c: float, rh_pct: float, room_pa: float) -> float:
    """Its standard deviation from both probes' (+-2 %RH, +-0.2 C); infinite in a saturated room."""
    return quotient(temp_c, rh_pct, room_pa).sd


def quotient(temp_c: float, rh_pct: float, room_pa: float) -> Quotient:
    """Both of them, for one hour."""
    face_pa = saturation_pa(temp_c)
    if face_pa <= room_pa:
        return Quotient(math.nan, math.inf, room_pa / face_pa)
    return Quotient(*_quotient(temp_c, rh_pct, room_pa, face_pa))


def quotients(temp_c: Floats, rh_pct: Floats, room_pa: Floats) -> tuple[Floats, Floats, Floats]:
    """The fields of ``Quotient`` as arrays, for many hours at once; NaN where not measured."""
    face_pa = saturation_pa(temp_c)
    with np.errstate(divide="ignore", invalid="ignore"):
        w, sd, room = _quotient(temp_c, rh_pct, room_pa, face_pa)
        saturated = face_pa <= room_pa
    return np.where(saturated, math.nan, w), np.where(saturated, math.inf, sd), room


def _quotient(temp_c: Any, rh_pct: Any, room_pa: Any, face_pa: Any) -> tuple[Any, Any, Any]:
    """Floats or arrays alike; only where the face is above the room."""
    lack = face_pa - room_pa
    rh_pa = PROBE_RH_SD_PCT / 100.0 * face_pa
    temp_pa = (saturation_pa(temp_c + 0.01) - saturation_pa(temp_c - 0.01)) / 0.02 * PROBE_TEMP_SD_C
    room = room_pa / face_pa
    dry = face_pa * (1.0 - rh_pct / 100.0) / lack  # 1 - w
    by_probe_2 = rh_pa**2 + (temp_pa * room * dry) ** 2
    by_room_2 = dry**2 * (rh_pa**2 + (temp_pa * room) ** 2)
    return 1.0 - dry, (by_probe_2 + by_room_2) ** 0.5 / lack, room


def expected_baseline(
    place: Place, distance_mm: float | None, chamber_mm: float | None, plug: Plug | None
) -> tuple[float, float]:
    """Wet baseline before anything was learned, and its standard deviation, from where the probe sits."""
    if distance_mm is None:
        return {Place.WET_END: (0.75, 0.25), Place.DRY_END: (0.4, 0.25)}.get(place, (0.3, 0.3))
    path = tube_path_mm(chamber_mm, plug)
    w0 = wetness_at(distance_mm, path.median)
    return min(0.97, max(0.05, w0)), math.hypot(0.1, (1.0 - w0) * path.ln_sd)


class WetnessTracker:
    """Follows one probe at one place of one nest.

    Args:
        w0, w0_sd: what is expected of the baseline (``expected_baseline``, or learned in an earlier placement).
        filled: whether the cotton is known to be wet now, as after a logged fill.
    """

    def __init__(self, w0: float = 0.5, w0_sd: float = 0.3, *, filled: bool = False) -> None:
        self._prior = (w0, w0_sd)
        self._baseline = Baseline.expecting(w0, w0_sd)
        self._phase: Phase = "learning"
        self._trusted = filled
        self._sum = 0.0
        self._filled_ms: int | None = None
        self._condensed_hour = -10_000
        self._last_ms: int | None = None
        self._mean_w = self._mean_var = self._weight = 0.0
        self._short, self._day = 0.0, 0.0  # 1 - activity, averaged over about 6 h and a day
        self._room = self._deepest = 0.0
        self._deficits: dict[int, float] = {}
        self._events: list[Event] = []

    # -- what happens

    def filled(self, at_ms: int, *, top_up: bool = False) -> None:
        """A fill or top-up the keeper logged: the cotton is wet again, its baseline a little different."""
        self._filled_ms = at_ms
        self._events = [event for event in self._events if event.kind != "fill" or abs(event.at_ms - at_ms) > DAY_MS]
        self._restart(0.03 if top_up else 0.08, trusted=True)

    def moved(self, w0: float | None = None, w0_sd: float | None = None) -> None:
        """The probe sits elsewhere now (a new placement): nothing learned holds any more."""
        if w0 is not None and w0_sd is not None:
            self._prior = (w0, w0_sd)
        self._forget()

    def update(self, hour: HourSample) -> Event | None:
        """One more hour, in order of time; an hour already passed is ignored. Returns what it noticed, if anything."""
        if (self._last_ms is not None and hour.at_ms <= self._last_ms) or not _usable(hour):
            return None
        number = hour.at_ms // HOUR_MS
        if max(hour.rh_pct, hour.rh_max_pct or 0.0) >= CONDENSED_PCT:
            self._condensed_hour = number
            return None
        if self._filled_ms is not None and 0 <= hour.at_ms - self._filled_ms < SETTLE_H * HOUR_MS:
            return None
        seen = hour.quotient or quotient(hour.temp_c, hour.rh_pct, hour.room_pa)
        if seen.sd > MEANINGLESS_SD:
            return None
        self._average(seen)
        self._last_ms, self._room = hour.at_ms, seen.room
        return self._judge(number, seen.room, hour.rh_pct / 100.0)

    # -- what is known

    def status(self, at_ms: int) -> WetnessStatus:
        """What is known at an instant, from the hours given so far."""
        noticed = tuple(self._events)
        if self._last_ms is None or at_ms - self._last_ms > STALE_MS:
            return WetnessStatus(None, None, "unknown", None, None, None, None, noticed)
        base = self._baseline
        sure = base.hours >= LEARN_H or (self._trusted and base.hours >= 6)
        cotton: Cotton = "unknown" if self._phase == "learning" and not (sure or self._trusted) else self._cotton()
        activity_sd = self._activity_sd() if sure else None
        return WetnessStatus(
            wetness=self._mean_w,
            wetness_sd=math.sqrt(self._mean_var),
            cotton=cotton,
            w0=base.w0 if sure else None,
            w0_sd=math.sqrt(base.var_w0) if sure else None,
            activity=min(1.0, max(0.0, 1.0 - self._short)) if sure else None,
            activity_sd=activity_sd,
            noticed=noticed,
        )

    def state(self) -> dict[str, Any]:
        """All of it as JSON-ready values, about 1 kB."""
        return {
            name.lstrip("_"): value
            for name, value in vars(self).items()
            if name not in {"_baseline", "_deficits", "_events"}
        } | {
            "baseline": asdict(self._baseline),
            "deficits": [[hour, round(value, 5)] for hour, value in self._deficits.items()],
            "events": [asdict(event) for event in self._events],
        }

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> WetnessTracker:
        """The tracker that gave this state."""
        tracker = cls()
        for name, value in state.items():
            setattr(tracker, f"_{name}", value)
        tracker._prior = (state["prior"][0], state["prior"][1])
        tracker._baseline = Baseline(**state["baseline"])
        tracker._deficits = {int(hour): value for hour, value in state["deficits"]}
        tracker._events = [Event(**event) for event in state["events"]]
        return tracker

    # -- inside

    def _judge(self, number: int, room: float, read: float) -> Event | None:
        base = self._baseline
        surprise = read - base.expected(room)
        deficit = -surprise / base.w0
        calm = self._remember(number, deficit)
        recovering = number - self._condensed_hour < DRY_H
        if self._phase == "learning":
            base.learn(room, surprise)
            if base.hours >= 3 * LEARN_H:
                self._phase = "wet"
            if base.hours < LEARN_H:
                return None
        noticed = self._notice_jump(number)
        if noticed or recovering:
            return noticed
        reference = min(_REFERENCE_MOST, _REFERENCE + 1.5 * self._activity_sd())
        self._sum = min(2 * _DECISION, cusum.upper(self._sum, min(calm, reference + _STEP_MOST), reference))
        if self._phase in {"learning", "wet"}:
            if self._sum >= _DECISION and self._short > reference and not self._sudden(number):
                self._phase = "drying"
            elif self._phase == "wet" and self._sum < 0.4 * _DECISION and self._day < 0.6 * reference:
                base.learn(room, surprise)
        else:
            return self._wet_again(number)
        return None

    def _wet_again(self, number: int) -> Event | None:
        """Cotton that was clearly drying and is wet again was filled, even where no sudden jump showed it."""
        self._deepest = max(self._deepest, self._short)
        if self._day >= 0.04 or self._sum > 0.0:
            return None
        deepest, self._phase, self._deepest = self._deepest, "wet", 0.0
        if deepest < _CLEARLY_DRYING:
            return None
        return self._ask(Event(number * HOUR_MS, "fill", 1.0 - deepest, 1.0 - self._short))

    def _cotton(self) -> Cotton:
        if self._phase != "drying":
            return "wet" if self._phase == "learning" else self._phase
        gone = 1.0 - self._short
        dry = gone < ACTIVITY_DRY or (gone - self._room) < 0.2 * (1.0 - self._room)
        return "dry" if dry else "drying"

    def _activity_sd(self) -> float:
        base = self._baseline
        drift = _DRIFT_PER_DAY * base.hours / 24.0
        own = math.hypot(base.expected_sd(self._room), drift)
        return math.hypot(own, base.noise) / base.w0

    def _notice_jump(self, number: int) -> Event | None:
        """A fill shows within hours; a probe moved away from the cotton only after a day, lest a lamp be taken for it."""
        least = max(0.08, 3.0 * self._baseline.noise / self._baseline.w0)
        if abs(self._short - self._day) < 0.2 * least and abs(self._day) < 0.5 * least:
            return None
        found = jump(self._deficits, number, SETTLE_H, least)
        if found is None or (found[1] > 0 and number - found[0] < 20):
            return None
        hour, size = found
        at_ms = hour * HOUR_MS
        if self._filled_ms is not None and abs(at_ms - self._filled_ms) < DAY_MS:
            return None
        was_dry = self._phase in {"drying", "dry"}
        if size > 0 and was_dry and self._day - size > 0.1:
            return None
        fill = size < 0 and (was_dry or not self._trusted or self._day - self._short > 0.05 > abs(self._short))
        event = Event(at_ms, "fill" if fill else "moved", 1.0 - self._short + size, 1.0 - self._short)
        self._ask(event)
        if fill and was_dry and abs(self._short) < 0.1:
            self._restart(0.05, trusted=True)
        else:
            self._forget()
            self._trusted = fill
        return event

    def _ask(self, event: Event) -> Event:
        self._events = [*self._events, event][-_KEPT_EVENTS:]
        return event

    def _sudden(self, number: int) -> bool:
        """Whether most of the shift came within two hours less than a day ago: no cotton dries so."""
        found = jump(self._deficits, number, 1, 0.5 * max(self._short, 0.05))
        return found is not None and found[1] > 0.5 * self._short

    def _restart(self, w0_sd: float, *, trusted: bool) -> None:
        self._baseline.refilled(w0_sd)
        self._phase, self._trusted, self._sum, self._deepest = "learning", trusted, 0.0, 0.0
        self._short = self._day = self._weight = 0.0
        self._deficits.clear()

    def _forget(self) -> None:
        self._baseline = Baseline.expecting(*self._prior)
        self._phase, self._trusted, self._sum, self._deepest = "learning", False, 0.0, 0.0
        self._short = self._day = self._weight = 0.0
        self._deficits.clear()

    def _average(self, seen: Quotient) -> None:
        """Wetness over about the last day, each hour weighted by what it tells."""
        weight = 1.0 / (seen.sd * seen.sd + 1e-4)
        self._weight = self._weight * (1.0 - 1.0 / 12.0) + weight
        share = weight / self._weight
        self._mean_w += share * (seen.wetness - self._mean_w)
        self._mean_var += share * (seen.sd * seen.sd - self._mean_var)  # biases do not average out

    def _remember(self, number: int, deficit: float) -> float:
        """Keep it, and return what is left when short spikes are set aside.

        An open plug or door makes a spike of an hour or two, sometimes a few of them: the median of the last hours does
        not see it, and once the very last hours are calm again, no more of it is counted. Drying is deepest at the end.
        """
        self._deficits[number] = deficit
        if len(self._deficits) > HOUR_KEPT:
            del self._deficits[next(iter(self._deficits))]
        recent = list(self._deficits.values())[-_CALM_H:]
        calm = max(-1.0, min(1.0, _middle(recent), _middle(recent[-_LATEST_H:])))
        self._short += (calm - self._short) / 4.0
        self._day += (calm - self._day) / 20.0
        return calm


def _middle(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


def _usable(hour: HourSample) -> bool:
    return all(math.isfinite(value) for value in (hour.temp_c, hour.rh_pct, hour.room_pa)) and hour.rh_pct >= 0.0
