"""From a snapshot to what the wall says. Pure: no store, no clock, no markup."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from dashboard import text
from dashboard.snapshot import NestNow, Snapshot, Water
from dashboard.units import degrees
from sensord.clock import DAY_MS, MINUTE_MS, from_ms
from sensord.keeping.bands import State, Verdict, state_of

LATE_AFTER_MS = 2 * MINUTE_MS + MINUTE_MS // 2
"""A reading older than this shows its age: at one scan a minute, two were missed."""
TEMP_TREND_C_H, RH_TREND_PCT_H = 0.4, 2.0
"""Slower than that is steady: within the SHT31's own ±0.2 °C and ±2 %RH an hour."""
DRY_BELOW_DAYS = 0.5
MOST_DAYS = 365
"""The outlook looks no further."""


@dataclass(frozen=True, slots=True)
class Card:
    """One nest on the wall.

    Attributes:
        state: ok, drift, act or blind. reason: in words, empty while well. side: high or low, of the worst value.
        rh, temp, days: as written. trends: up, down or steady, empty where unknown.
        age: of a late reading, else empty. water: share of the reservoir that is left, 0 to 1, None where unknown.
        water_for: how long it lasts, in words. water_call: drift where it is low, act where it is due, else empty.
        bare: it has no probe, so that nothing can be told but its water. cut: its probe's hub is down.
        out: the keeper works on it; it is called for by nobody, and its state stays what it is.
    """

    name: str
    kind: str
    species: str
    state: str
    reason: str
    side: str
    rh: str
    rh_trend: str
    temp: str
    temp_trend: str
    days: str
    age: str
    water: float | None
    water_for: str = ""
    water_call: str = ""
    bare: bool = False
    cut: bool = False
    out: bool = False


def natural(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key under which A-2 stands before A-10."""
    parts: list[tuple[int, int, str]] = []
    digits = letters = ""
    for sign in name + "\0":
        if sign.isdecimal():
            if letters:
                parts.append((1, 0, letters))
            letters, digits = "", digits + sign
        else:
            if digits:
                parts.append((0, int(digits), digits))
            digits, letters = "", letters + sign.casefold()
    parts.append((1, 0, letters))
    return tuple(parts)


def card_of(now: NestNow, snapshot: Snapshot, alarm: str = "") -> Card:
    """One nest: its state by the contract, and what is written on it. ``alarm`` is the kind of its active climate alarm."""
    air, water = now.air, now.water
    old_ms = snapshot.at_ms - air.at_ms if air else 0
    state, reason, side = _state(now, snapshot, old_ms, alarm)
    full, bare = now.nest.reservoir_ml, now.placement is None
    return Card(
        name=now.nest.name,
        kind=now.nest.kind.value,
        species=now.species or now.nest.species,
        state=state,
        reason=reason,
        side=side,
        rh="" if bare else _number(air.rh_pct if air else None, 0) + "%",
        rh_trend=_trend(air.rh_trend_pct_h if air else None, RH_TREND_PCT_H),
        temp="" if bare else _temperature(air.temp_c if air else None, snapshot.temperature_unit),
        temp_trend=_trend(air.temp_trend_c_h if air else None, TEMP_TREND_C_H),
        days=_days(water.days_p50) if water else "",
        age=text.age(old_ms) if air and old_ms > LATE_AFTER_MS * max(1.0, snapshot.speed / 30) else "",
        water=round(min(1.0, max(0.0, water.left_ml / full)), 3)
        if water and water.left_ml is not None and full
        else None,
        water_for=text.water_for(water.days_p50) if water else "",
        water_call=_water_call(water, snapshot),
        bare=bare,
        out=snapshot.taken(now.nest.name, now.placement.probe if now.placement else None) is not None,
        cut=now.placement is not None and now.placement.probe.partition("/")[0] in hubs_down(snapshot),
    )


def hubs_down(snapshot: Snapshot) -> dict[str, int]:
    """The hubs that are not up, and when each was last heard of."""
    return {hub.name: hub.heard_ms for hub in snapshot.hubs if hub.state != "up"}


def _water_call(water: Water | None, snapshot: Snapshot) -> str:
    if water is None or water.days_p50 > snapshot.due_days:
        return ""
    return "act" if water.days_p50 <= snapshot.urgent_days else "drift"


def _state(now: NestNow, snapshot: Snapshot, old_ms: int, alarm: str) -> tuple[str, str, str]:
    """State, reason and side: urgent water and alarms come first, then doubt, then the worse of the two quantities."""
    days = now.water.days_p50 if now.water else float("inf")
    if alarm:
        return "act", text.KINDS[alarm], "low" if alarm in {"dry", "cold"} else "high"
    if days <= snapshot.urgent_days:
        return "act", text.NEEDS_WATER, "low"
    doubt = _doubt(now, old_ms, snapshot.silent_after_ms)
    if doubt:
        return "blind", doubt, ""
    state, reason, side = _climate(now)
    if state == "ok" and days <= snapshot.due_days:
        return "drift", text.WATER_DUE, "low"
    return state, reason, side


def _climate(now: NestNow) -> tuple[str, str, str]:
    """The worse of humidity and temperature against their bands."""
    assert now.air is not None
    assert now.bands is not None
    verdicts = [
        (state_of(value, band), words)
        for value, band, words in (
            (now.air.rh_pct, now.bands.rh_pct, ("dry", "wet")),
            (now.air.temp_c, now.bands.temp_c, ("cold", "hot")),
        )
        if value is not None and math.isfinite(value)
    ]
    verdict, words = max(verdicts, key=lambda item: _severity(item[0]))
    if verdict.state is State.IN_IDEAL:
        return "ok", "", ""
    word = words[verdict.side == "high"]
    if verdict.state is State.OUT:
        return "act", text.KINDS[word], verdict.side
    return "drift", text.DRIFTING[word], verdict.side


def _severity(verdict: Verdict) -> int:
    return (State.IN_IDEAL, State.DRIFT, State.OUT).index(verdict.state)


def _doubt(now: NestNow, old_ms: int, silent_after_ms: int) -> str:
    """Why no reading of this nest is to be trusted; empty while one is."""
    if now.air is None:
        return text.NO_READING if now.placement else text.NO_PROBE
    if old_ms > silent_after_ms:
        return text.OLD
    if now.air.doubt:
        return now.air.doubt
    if not any(value is not None and math.isfinite(value) for value in (now.air.temp_c, now.air.rh_pct)):
        return text.NO_READING
    return "" if now.bands else text.NO_BAND


def _number(value: float | None, digits: int) -> str:
    if value is None or not math.isfinite(value):
        return text.NO_NUMBER
    return f"{value + 0.0:.{digits}f}"


def _temperature(temp_c: float | None, unit: str) -> str:
    """Without its letter, which a wall has no room for."""
    return _number(None if temp_c is None else degrees(temp_c, unit), 1) + "°"


def _trend(change: float | None, steady: float) -> str:
    if change is None or not math.isfinite(change):
        return ""
    return "up" if change > steady else "down" if change < -steady else "steady"


def _days(days: float) -> str:
    if days < DRY_BELOW_DAYS:
        return text.DRY_NOW if days <= 0 else "<1 d"
    return text.OVER_A_YEAR if days >= MOST_DAYS else f"{round(days)} d"


def outlook_words(water: Water, at_ms: int, zone: str) -> str:
    """The outlook as sentences: when it runs dry with its interval, what is left, what it rests on, what it asks."""
    early, middle, late = (
        local(at_ms + round(days * DAY_MS), zone, "%-d %b %Y")
        for days in (water.days_p10, water.days_p50, water.days_p90)
    )
    form = text.OUTLOOK
    for days, words in (
        (water.days_p90, text.OUTLOOK_LATE), (water.days_p50, text.OUTLOOK_LATEST), (water.days_p10, text.OUTLOOK_YEAR),
    ):  # fmt: skip
        form = words if days >= MOST_DAYS else form
    if water.days_p90 < DRY_BELOW_DAYS:
        form = text.OUTLOOK_DRY
    said = [form.format(early=early, middle=middle, late=late)]
    if water.left_ml is not None and water.left_p10_ml is not None and water.left_p90_ml is not None:
        left = (f"{value:.1f}" for value in (water.left_ml, water.left_p10_ml, water.left_p90_ml))
        said.append(text.OUTLOOK_LEFT.format(**dict(zip(("left", "least", "most"), left, strict=True))))
    if water.basis:
        basis = text.OUTLOOK_BASIS.get(water.basis, water.basis)
        form = text.OUTLOOK_CYCLES if water.cycles else text.OUTLOOK_NEW
        said.append(form.format(basis=basis, cycles=text.count_of(water.cycles, "refill", "refills")))
    return " ".join([*said, water.asks[:1].upper() + water.asks[1:]]).strip()


def short_species(name: str) -> str:
    """``Lasius niger`` as ``L. niger``: how the trade writes it once the genus is known."""
    genus, _, rest = name.partition(" ")
    return f"{genus[0]}. {rest}" if rest and genus else name


def local(at_ms: int, zone: str, form: str) -> str:
    """An instant on the room's own clock."""
    return local_datetime(at_ms, zone).strftime(form)


def local_datetime(at_ms: int, zone: str) -> datetime:
    """An instant in the room's time zone."""
    return from_ms(at_ms).astimezone(ZoneInfo(zone))


def moment(at_ms: int, now_ms: int, zone: str) -> str:
    """An instant as short as can be: the time alone when less than a day ago."""
    return local(at_ms, zone, "%H:%M" if now_ms - at_ms < DAY_MS else "%-d %b %H:%M")
