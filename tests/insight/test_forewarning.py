"""What would have warned earlier: the right alarm, the right run of it, and tighter limits that are really tighter."""

from __future__ import annotations

import pytest

from sensord.alarms.lifecycle import Alarm
from sensord.clock import DAY_MS, HOUR_MS
from sensord.forewarning import first_of, with_ideal_limits
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Place, Priority


def alarm(kind, raised_h, returned_h):
    returned = None if returned_h is None else returned_h * HOUR_MS
    return Alarm(
        f"{kind}-{raised_h}", "T1", "p", Place.WET_END, "cellar", "", "", kind, Priority.MEDIUM, raised_h * HOUR_MS, 38.0, 34.0,
        returned_ms=returned,
    )  # fmt: skip


def test_first_of_the_last_run():
    """Alarms of the kind that follow one another within days are one run; an older one, or of another kind, is not it."""
    alarms = [
        alarm(AlarmKind.HOT, 0, 5), alarm(AlarmKind.DRY, 395, None), alarm(AlarmKind.HOT, 400, 410),
        alarm(AlarmKind.HOT, 450, 455), alarm(AlarmKind.HOT, 470, None),
    ]  # fmt: skip
    assert first_of(AlarmKind.HOT, alarms).raised_ms == 400 * HOUR_MS
    assert first_of(AlarmKind.COLD, alarms) is None
    assert (450 - 410) * HOUR_MS < 3 * DAY_MS < (400 - 5) * HOUR_MS


@pytest.mark.parametrize("name", ["Lasius niger", "Messor barbarus"])
def test_ideal_ranges_as_limits(name):
    """Every limit of every season and place lies where the ideal range ends; the ideal range itself stays."""
    plain = load_species(None)
    before, after = plain[name].bands, with_ideal_limits(plain)[name].bands
    assert before.keys() == after.keys()
    for key, bands in after.items():
        for quantity in ("temp_c", "rh_pct"):
            tight, wide = getattr(bands, quantity), getattr(before[key], quantity)
            assert (tight.limit_low, tight.limit_high) == (tight.ideal_low, tight.ideal_high)
            assert (tight.ideal_low, tight.ideal_high) == (wide.ideal_low, wide.ideal_high)
    assert any(before[key].temp_c.limit_high > after[key].temp_c.limit_high for key in after)
