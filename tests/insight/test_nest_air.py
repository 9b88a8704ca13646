"""The air that dries a nest, hour by hour: what stands in where its own probe or its room's tells nothing."""

from __future__ import annotations

import numpy as np
import pytest

from sensord.air.moist_air import saturation_pa, vapour_pa
from sensord.insight.balance import drying_power
from sensord.insight.nest_air import AirHours, nest_temp_c, power_of, rack_temp_c

DAY_H = 24


def air(temp_c: float, pressure_pa: float, hours: int, *, gone: slice | None = None) -> AirHours:
    """The same all the time, not measured in some hours."""
    temp, pressure = np.full(hours, temp_c), np.full(hours, pressure_pa)
    if gone is not None:
        temp[gone] = pressure[gone] = np.nan
    return AirHours(0, temp, pressure)


def test_what_a_nest_was_warmer_in_its_last_week_holds_after_its_probe_left():
    """On a mat 5 °C above the room since day 10, its probe gone since day 20: 5 °C it stays, and day 5 was not warmer."""
    room, own = air(20.0, 1200.0, 60 * DAY_H), air(20.0, 1300.0, 60 * DAY_H, gone=slice(20 * DAY_H, None))
    own.temp_c[10 * DAY_H : 20 * DAY_H] = 25.0
    temp_c, warmer_c = nest_temp_c(own, room, None)
    assert temp_c[5 * DAY_H] == 20.0
    assert temp_c[-1] == pytest.approx(25.0)
    assert warmer_c[-1] == pytest.approx(5.0)


def test_what_it_was_warmer_before_is_carried_on():
    """Nothing measured in the nest any more: what was known of it before these hours."""
    assert nest_temp_c(None, air(20.0, 1200.0, 3), None, 4.0)[0] == pytest.approx([24.0] * 3)
    own = air(30.0, 1300.0, DAY_H // 2)  # half a day of a new probe tells too little
    own.temp_c[-1] = np.nan
    assert nest_temp_c(own, air(20.0, 1200.0, DAY_H // 2), None, 4.0)[0][-1] == 24.0


def test_neighbours_of_a_rack_stand_in_while_they_are_alike():
    """Two nests at 26 °C tell of their rack; once one of them is at 32 °C they do not."""
    room, one, other = (air(temp_c, 1200.0, 40 * DAY_H) for temp_c in (20.0, 26.0, 26.2))
    other.temp_c[20 * DAY_H :] = 32.0
    rack = rack_temp_c([one, other], room)
    assert rack is not None
    assert rack[10 * DAY_H] == pytest.approx(26.1)
    assert np.isnan(rack[-1])
    assert rack_temp_c([], room) is None


def test_neighbours_tell_what_the_nest_told_longer_ago():
    """Its probe gone for a week, a nest is as warm as its rack is now; once the rack's probes are gone too, as it was then."""
    room, own = air(20.0, 1200.0, 60 * DAY_H), air(25.0, 1300.0, 60 * DAY_H, gone=slice(20 * DAY_H, None))
    rack_c = np.full(60 * DAY_H, 27.0)
    rack_c[40 * DAY_H :] = np.nan
    temp_c, warmer_c = nest_temp_c(own, room, rack_c)
    assert temp_c[22 * DAY_H] == pytest.approx(25.0)
    assert temp_c[30 * DAY_H] == pytest.approx(27.0)
    assert temp_c[-1] == pytest.approx(27.0)
    assert warmer_c[-1] == pytest.approx(7.0)


def test_the_nests_own_deficit_stands_in_once_its_room_has_no_probe():
    """A tube carried on day 10 into a room where nothing is measured: half way along a straight profile, twice the deficit."""
    hours = 30 * DAY_H
    room = air(24.0, vapour_pa(24.0, 40.0), hours, gone=slice(10 * DAY_H, None))
    own = air(24.0, vapour_pa(24.0, 80.0), hours)
    found = power_of(own.temp_c, room, own, 0.5)
    assert found is not None
    first, later = found.hourly[5 * DAY_H], found.hourly[25 * DAY_H]
    room_then_pa = saturation_pa(24.0) - 2.0 * (saturation_pa(24.0) - vapour_pa(24.0, 80.0))
    assert first == pytest.approx(float(drying_power(np.array([24.0]), room.vapour_pa[:1])[0]))
    assert later == pytest.approx(float(drying_power(np.array([24.0]), np.array([room_then_pa]))[0]))
    assert found.measured[18 * DAY_H :].all()
