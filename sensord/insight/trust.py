"""Which hours of a probe say something about its nest: the others are left out, and it is said why. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensord.air.moist_air import saturation_pa, vapour_pa
from sensord.clock import HOUR_MS
from sensord.insight.balance import Floats
from sensord.insight.exposures import SATURATED_PCT, Distrust, PlaceAir, runs

COLDEST_C, WARMEST_C = -25.0, 60.0  # what a probe beside ants can have felt
_BRIDGED_H = 6  # faults that far apart are one: what a broken probe says in between is no better
_STUCK_H, _STUCK_COARSE_H = 6, 48  # a probe that shows whole per cent repeats itself in good health
_COARSE_SHARE = 0.05
_SPREAD_C, _JITTER_C = 25.0, 30.0  # within an hour, and to and fro from hour to hour: no air does that
_AT_ONCE_H, _LIKE_ROOM = 3, 1.3  # what was nearly as dry as the room so long before has come down to it
_BELOW_ROOM = 0.7  # a nest over wet cotton is never that much drier than its room, in vapour pressure
_JUMP, _FALL_GAP_H = 0.2, 14
_LEAST_LACK_PA = 120.0
_WARMED = 0.8  # air that was only warmed keeps its vapour
_HEATED_C = 1.5  # a nest that much from its room tells whether the probe is still in it


@dataclass(frozen=True, slots=True)
class RoomAir:
    """The room on the hours of a place, NaN where not measured: °C and Pa."""

    temp_c: Floats
    vapour_pa: Floats


def trusted(air: PlaceAir, room: RoomAir | None, *, moves: bool = True) -> tuple[PlaceAir, list[Distrust]]:
    """The place without what its probe cannot have felt there, and what was left out.

    Args:
        moves: whether to look for a moved probe as well, which takes longest.
    """
    stuck = _stuck(air)
    range_ = _out_of_range(air)
    noisy = _noisy(air) & ~range_
    broken = _bridged(range_ | noisy)
    below = np.zeros(len(air.temp_c), bool)
    if room is not None:
        below = _below_room(air, room, broken)
    gone = stuck | broken | below
    moved = moved_hours(air, room, gone) if moves else np.zeros_like(gone)
    gone = gone | moved
    reasons = (
        ("stuck", stuck),
        ("out of range", range_),
        ("noisy", noisy),
        ("below the room", below),
        ("moved", moved),
    )
    notes = [
        Distrust(why, air.start_ms + first * HOUR_MS, air.start_ms + last * HOUR_MS)
        for why, hours in reasons
        for first, last in runs(hours, _BRIDGED_H)
    ]
    return replace(
        air,
        temp_c=np.where(gone, np.nan, air.temp_c),
        rh_pct=np.where(gone, np.nan, air.rh_pct),
        low_c=np.where(gone, np.nan, air.low_c),
        high_c=np.where(gone, np.nan, air.high_c),
    ), notes


def trusted_nest(
    places: Sequence[PlaceAir], room: RoomAir | None, *, moves: bool = True
) -> list[tuple[PlaceAir, list[Distrust]]]:
    """The same for all places of one nest: where two probes fall at one time, the nest was opened, and neither was moved."""
    found = [trusted(air, room, moves=moves) for air in places]
    fell = [{one.from_ms for one in notes if one.why == "moved"} for _, notes in found]
    return [
        trusted(air, room, moves=False)
        if _together(fell[number], fell[:number] + fell[number + 1 :])
        else found[number]
        for number, air in enumerate(places)
    ]


def _together(own: Collection[int], others: Iterable[Collection[int]]) -> bool:
    """Whether every fall is one that another probe of the nest saw too, a few hours apart at most."""
    elsewhere = [at for one in others for at in one]
    return bool(own) and all(any(abs(at - each) <= _AT_ONCE_H * HOUR_MS for each in elsewhere) for at in own)


def _below_room(air: PlaceAir, room: RoomAir, broken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Hours drier than any nest in that room can be, where it got there at once.

    Air that came down to the room's hour by hour has dried; that it goes on a little below says that the room's probe stands
    somewhere more humid.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        of_room = vapour_pa(air.temp_c, air.rh_pct) / np.minimum(room.vapour_pa, saturation_pa(air.temp_c))
        found = _long(of_room < _BELOW_ROOM, 2) & ~broken
    for first, last in runs(found, _BRIDGED_H):
        if _median(of_room[max(0, first - 2 * _AT_ONCE_H) : max(0, first - _AT_ONCE_H)]) < _LIKE_ROOM:
            found[first:last] = False
    return found


def _out_of_range(air: PlaceAir) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        temp = (air.high_c > WARMEST_C) | (air.low_c < COLDEST_C)
        return np.asarray(temp | (air.rh_pct < 1.0) | (air.rh_pct > 105.0))


def _noisy(air: PlaceAir) -> NDArray[np.bool_]:
    """Hours in which the temperature jumped as no air does."""
    with np.errstate(invalid="ignore"):
        found = np.asarray(air.high_c - air.low_c > _SPREAD_C)
        jitter = np.abs(air.temp_c[:-2] - 2.0 * air.temp_c[1:-1] + air.temp_c[2:]) > _JITTER_C
    found[1:-1] |= jitter
    return found


def _bridged(hours: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The hours, those between two near ones, and those after the last one where the window ends soon after."""
    found = hours.copy()
    for first, last in runs(hours, _BRIDGED_H):
        found[first : len(hours) if last >= len(hours) - _BRIDGED_H else last] = True
    return found


def _stuck(air: PlaceAir) -> NDArray[np.bool_]:
    """Hours in which the humidity stood still to the last digit; at saturation only where the temperature does too."""
    rh_same = np.diff(air.rh_pct, prepend=np.nan) == 0.0
    temp_same = np.diff(air.temp_c, prepend=np.nan) == 0.0
    same = (rh_same & (air.rh_pct < SATURATED_PCT)) | (rh_same & temp_same)
    usual = same & ~_long(same, _STUCK_COARSE_H // 2)
    coarse = usual.mean() > _COARSE_SHARE
    long_ = _long(same, _STUCK_COARSE_H if coarse else _STUCK_H)
    return np.asarray(long_ | np.append(long_[1:], False))


def moved_hours(air: PlaceAir, room: RoomAir | None, gone: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Hours after the humidity fell within two hours and then stayed: cotton dries over days, a probe is moved at once.

    They end where it jumps back up. A gap of half a day at most may lie in the fall. A fall that comes of warming alone
    is none, nor one in a nest whose warmth the probe still feels.
    """
    wet = wetness(air, room)
    known = np.flatnonzero(np.isfinite(wet) & ~gone)
    found = np.zeros(len(wet), bool)
    told = replace(air, temp_c=air.temp_c[known], rh_pct=air.rh_pct[known])
    there = None if room is None else RoomAir(room.temp_c[known], room.vapour_pa[known])
    for first, last in _moves(wet[known], told, there, known):
        found[known[first] : known[last] if last < len(known) else len(wet)] = True
    return found


def _moves(wet: Floats, air: PlaceAir, room: RoomAir | None, hours: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """(first, one past the last) of each stretch after a fall, of the hours that were measured."""
    fell_h = np.zeros(len(wet), bool)
    fell_h[2:-1] = wet[:-3] - wet[3:] > 0.5 * _JUMP
    until = 0
    for at in np.flatnonzero(fell_h).tolist():
        if not max(6, until) <= at < len(wet) - 12 or hours[at + 1] - hours[at - 1] > _FALL_GAP_H:
            continue
        before, after = _median(wet[at - 6 : at]), _median(wet[at + 2 : at + 8])
        fell = before - after
        if fell > _JUMP and _is_step(wet, at, before, after) and _left_its_nest(air, room, at):
            until = next(
                (i for i in range(at + 8, len(wet) - 3) if _median(wet[i : i + 3]) > before - 0.4 * fell
                 and _median(wet[i - 4 : i - 1]) < before - 0.7 * fell),
                len(wet),
            )  # fmt: skip
            yield at, until


def _is_step(wet: Floats, at: int, before: float, after: float) -> bool:
    edge = wet[max(0, at - 1)], wet[min(len(wet) - 1, at + 1)]
    later = _median(wet[at + 24 : at + 36]) if at + 30 < len(wet) else after
    sudden = abs(edge[0] - before) < 0.15 * (before - after) and abs(edge[1] - after) < 0.15 * (before - after)
    return bool(sudden and abs(later - after) < 0.35 * (before - after))


def _left_its_nest(air: PlaceAir, room: RoomAir | None, at: int) -> bool:
    """Whether the water in the air fell too, and the warmth of the nest with it where it has one."""
    own_pa = vapour_pa(air.temp_c, air.rh_pct)
    if room is None:
        return bool(_median(own_pa[at + 2 : at + 8]) < _WARMED * _median(own_pa[at - 6 : at]))
    pressure = own_pa - room.vapour_pa
    if _median(pressure[at + 2 : at + 8]) > 0.5 * _median(pressure[at - 6 : at]):
        return False
    warmer = air.temp_c - room.temp_c
    before, after = _median(warmer[at - 24 : at]), _median(warmer[at + 2 : at + 26])
    return not (abs(before) > _HEATED_C and abs(after - before) < 0.4 * abs(before))


def wetness(air: PlaceAir, room: RoomAir | None) -> Floats:
    """The quotient of wetness.py; where the room is not known, plain relative humidity stands in."""
    if room is None or not np.isfinite(room.vapour_pa).any():
        return air.rh_pct / 100.0
    with np.errstate(invalid="ignore", divide="ignore"):
        lack = saturation_pa(air.temp_c) - room.vapour_pa
        found = (vapour_pa(air.temp_c, air.rh_pct) - room.vapour_pa) / np.where(lack > _LEAST_LACK_PA, lack, np.nan)
    return np.asarray(np.where(np.isfinite(found), found, np.nan))


def _long(hours: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    kept = np.zeros(len(hours), bool)
    for first, last in runs(hours):
        if last - first >= least:
            kept[first:last] = True
    return kept


def _median(values: Sequence[float] | Floats) -> float:
    known = np.asarray(values)[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
