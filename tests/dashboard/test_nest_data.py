"""What the nest page reads, over a real embedded store."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from dashboard.data import Data
from dashboard.nest_data import spread, step_h_of
from dashboard.nest_snapshot import Asked
from sensord.air.moist_air import deficit_pa
from sensord.clock import DAY_MS, HOUR_MS, to_ms
from sensord.config import load_config
from sensord.model import Nest, NestKind, Place, Placement, Stage
from sensord.wiring import Room

EVERYTHING = Asked(siblings=True, moisture=True)
DAYS = 40


@pytest.fixture
def kept(tmp_path, clock):
    """Forty days every half hour: a nest that dries from day 30 on and was silent for three, siblings, others, the room."""
    (tmp_path / "station.toml").write_text("[station]\n")
    room = Room(load_config(tmp_path), clock)
    founding, growing = Stage.FOUNDING, Stage.GROWING
    rows = (("N-1", "Lasius niger", founding), ("N-2", "Lasius niger", founding), ("N-3", "Lasius niger", founding),
            ("N-4", "Lasius niger", growing), ("N-5", "Messor barbarus", founding))  # fmt: skip
    room.registry.put_nests([Nest(name, NestKind.TUBE, "room", "A", kind, stage=stage) for name, kind, stage in rows])
    room.registry.put_placements(
        [Placement(f"hub/{name.lower()}", name, "room", Place.WET_END, 0) for name, _, _ in rows]
        + [Placement("hub/room", None, "room", Place.ROOM, 0)]
    )
    now_ms = to_ms(clock.now())
    for number, probe in enumerate(["hub/room", *(f"hub/{name.lower()}" for name, _, _ in rows)]):
        level = 45.0 if number == 0 else 70.0 + number
        room.store.write_rows(
            [
                (probe, at_ms, 24.0 + number, level - (max(0.0, day - 30) if number == 1 else 0.0))
                for half_hour in range(DAYS * 48)
                for at_ms, day in [(now_ms - DAYS * DAY_MS + half_hour * HOUR_MS // 2, half_hour / 48)]
                if number != 1 or not 10 <= day < 13
            ]
        )
    return room


def history(kept, days, asked=EVERYTHING, name="N-1"):
    now_ms = to_ms(kept.clock.now())
    return Data(kept).history(name, None if days is None else now_ms - days * DAY_MS, now_ms, asked)


def test_quantiles_are_those_of_numpy_where_something_is_known() -> None:
    """numpy.nanquantile, method linear (Hyndman and Fan 1996, definition 7), as the reference."""
    table = np.random.default_rng(3).normal(20, 3, (7, 40))
    table[np.random.default_rng(4).random(table.shape) < 0.3] = np.nan
    table[:, 5] = np.nan
    known = np.arange(40) != 5
    for found, share in zip(spread(table), (0.5, 0.1, 0.9), strict=True):
        assert np.allclose(found[known], np.nanquantile(table[:, known], share, axis=0))
        assert math.isnan(found[5])


def test_long_windows_have_steps_short_ones_every_reading(kept) -> None:
    assert [1, 1, 3, 24, 24, 72] == [step_h_of(days * DAY_MS, 1_100) for days in (3, 45, 60, 365, 1_095, 3_000)]
    raw = history(kept, 1).air.rh_pct
    assert 48 == len(raw.at_ms)
    assert () == raw.low
    steps = history(kept, 20).air.rh_pct
    assert HOUR_MS == steps.step_ms
    assert 20 * 24 == len(steps.at_ms)
    assert all(low <= mean <= high for low, mean, high in zip(steps.low, steps.middle, steps.high, strict=True))
    assert 71 - 9.9 == pytest.approx(steps.middle[-3], abs=0.1)


def test_silence_stays_a_gap(kept) -> None:
    at_ms = history(kept, DAYS).air.temp_c.at_ms
    longest = max(later - earlier for earlier, later in itertools.pairwise(at_ms))
    assert 3 * DAY_MS == pytest.approx(longest, abs=2 * HOUR_MS)


def test_all_begins_with_the_first_reading(kept) -> None:
    found = history(kept, None)
    assert to_ms(kept.clock.now()) - DAYS * DAY_MS == found.from_ms


def test_siblings_are_of_the_same_species_and_stage(kept) -> None:
    """N-2 and N-3 alone: at 72 and 73 %, 26 and 27 °C."""
    kin = history(kept, 7).siblings
    assert 2 == kin.count
    assert (pytest.approx(72.5), pytest.approx(72.1), pytest.approx(72.9)) == (
        kin.rh_pct.middle[50], kin.rh_pct.low[50], kin.rh_pct.high[50],
    )  # fmt: skip
    assert 26.5 == pytest.approx(kin.temp_c.middle[50])
    assert history(kept, 7, name="N-5").siblings is None
    assert history(kept, 7, Asked()).siblings is None


def test_wetness_falls_as_the_cotton_dries_and_needs_a_room_probe(kept, tmp_path) -> None:
    found = history(kept, DAYS).wetness
    early, late = found.middle[100], found.middle[-5]
    assert 0 < late < early - 0.15
    assert all(low <= middle <= high for low, middle, high in zip(found.low, found.middle, found.high, strict=True))
    place = next(one for one in kept.registry.placements() if one.place == Place.ROOM)
    kept.registry.put_placements([Placement(place.probe, None, "elsewhere", Place.ROOM, place.since_ms)])
    assert history(kept, DAYS).wetness is None


def test_a_zoomed_stretch_is_read_finer(kept) -> None:
    now_ms = to_ms(kept.clock.now())
    asked = Asked(zoom=(now_ms - 2 * DAY_MS, now_ms - DAY_MS))
    found = history(kept, DAYS, asked)
    assert 48 == len(found.fine.rh_pct.at_ms)
    assert HOUR_MS == found.air.rh_pct.step_ms
    assert history(kept, 1, asked).fine is None  # every reading is there already


def test_dew_point_and_deficit_are_of_the_air_shown(kept) -> None:
    found = history(kept, 1)
    temp_c, rh_pct = found.air.temp_c.middle[7], found.air.rh_pct.middle[7]
    assert float(deficit_pa(temp_c, rh_pct)) / 1_000 == pytest.approx(found.deficit_kpa.middle[7])
    assert found.dew_c.middle[7] < temp_c
    assert history(kept, 1, Asked()).dew_c is None
