"""What every store must do. A subclass names the adapter; each test runs on each adapter."""

from __future__ import annotations

import math
from array import array

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sensord.clock import DAY_MS, HOUR_MS
from sensord.errors import InputError
from sensord.model import Reading
from sensord.store.base import Columns, Hours, ReadingStore, Written

T0 = 1_775_044_800_000  # 2026-04-01T12:00Z, a full hour
# The sensor's own steps (Sensirion, SHT3x-DIS datasheet, section 4.13): 175/65535 degC and 100/65535 %RH.
TEMP_STEP_C, RH_STEP_PCT = 175 / 65535, 100 / 65535

PROBES = ("a/one", "a/two", "logger")
values = st.one_of(st.none(), st.integers(0, 65535))
readings = st.builds(
    lambda probe, minute, temp, rh: Reading(
        probe,
        T0 - 5 * DAY_MS + minute * 60_000,
        None if temp is None else -45 + TEMP_STEP_C * temp,
        None if rh is None else RH_STEP_PCT * rh,
    ),
    st.sampled_from(PROBES),
    # few distinct minutes an hour, over days on both sides of what is hot: repeats and late data are the rule
    st.builds(lambda hour, minute: hour * 60 + minute, st.integers(0, 24 * 6), st.sampled_from((0, 1, 30, 59))),
    values,
    values,
)
batches = st.lists(st.tuples(st.lists(readings, max_size=12), st.integers(-2, 7)), max_size=8)
# One inherited test runs on several adapters, each making its own store: hypothesis need not worry about that.
LIVELY = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def close_to(found: array[float], expected: array[float], tolerance: float) -> bool:
    """Equal within the tolerance, missing where missing."""
    return len(found) == len(expected) and all(
        math.isnan(f) if math.isnan(e) else abs(f - e) <= tolerance for f, e in zip(found, expected, strict=True)
    )


def same_hours(found: Hours, expected: Hours) -> bool:
    """The same roll-up, values within the sensor's step."""
    return (
        found.at_ms == expected.at_ms
        and found.n_temp == expected.n_temp
        and found.n_rh == expected.n_rh
        and close_to(found.temp_mean_c, expected.temp_mean_c, TEMP_STEP_C)
        and close_to(found.temp_min_c, expected.temp_min_c, TEMP_STEP_C)
        and close_to(found.temp_max_c, expected.temp_max_c, TEMP_STEP_C)
        and close_to(found.rh_mean_pct, expected.rh_mean_pct, RH_STEP_PCT)
        and close_to(found.rh_min_pct, expected.rh_min_pct, RH_STEP_PCT)
        and close_to(found.rh_max_pct, expected.rh_max_pct, RH_STEP_PCT)
    )


def plain_hours(kept: dict[tuple[str, int], Reading], probe: str, step_h: int = 1) -> Hours:
    """The roll-up, counted the plain way from what must be stored."""
    hours, step_ms = Hours(), step_h * HOUR_MS
    for start in sorted({at // step_ms * step_ms for name, at in kept if name == probe}):
        inside = [r for (name, at), r in kept.items() if name == probe and start <= at < start + step_ms]
        hours.at_ms.append(start)
        for name, counts, mean, low, high in (
            ("temp_c", hours.n_temp, hours.temp_mean_c, hours.temp_min_c, hours.temp_max_c),
            ("rh_pct", hours.n_rh, hours.rh_mean_pct, hours.rh_min_pct, hours.rh_max_pct),
        ):
            found = [getattr(r, name) for r in inside if getattr(r, name) is not None]
            counts.append(len(found))
            mean.append(math.fsum(found) / len(found) if found else math.nan)
            low.append(min(found, default=math.nan))
            high.append(max(found, default=math.nan))
    return hours


class StoreContract:
    """The suite; ``fresh`` is given by the subclass's fixture."""

    def fresh(self) -> ReadingStore:
        """An empty store."""
        raise NotImplementedError

    def test_empty(self):
        """Nothing stored: every question has an empty answer."""
        store = self.fresh()
        assert store.count() == 0
        assert store.probes() == []
        assert store.latest() == {}
        assert store.span("a/one") is None
        assert store.raw("a/one", 0, T0) == Columns()
        assert store.hours("a/one", 0, T0) == store.steps("a/one", 0, T0, 6) == Hours()
        assert list(store.stream(0, T0)) == []
        assert store.write([]) == Written(0, 0)

    def test_every_sensor_word_comes_back_within_the_sensors_step(self):
        """All 65,536 raw words of the sensor, there and back: nearer than half its own step."""
        store = self.fresh()
        words = range(65536)
        store.write([Reading("a/one", T0 + w * 1000, -45 + TEMP_STEP_C * w, RH_STEP_PCT * w) for w in words])
        columns = store.raw("a/one", 0, T0 * 2)
        assert len(columns) == 65536
        assert max(abs(t - (-45 + TEMP_STEP_C * w)) for w, t in enumerate(columns.temp_c)) < TEMP_STEP_C / 2
        assert max(abs(rh - RH_STEP_PCT * w) for w, rh in enumerate(columns.rh_pct)) < RH_STEP_PCT / 2

    def test_first_write_wins(self):
        """A repeated key changes nothing, is counted as repeated, and the latest stays."""
        store = self.fresh()
        assert store.write([Reading("a/one", T0, 20.0, 50.0), Reading("a/one", T0, 21.0, 51.0)]) == Written(1, 1)
        assert store.write([Reading("a/one", T0, 22.0, 52.0), Reading("a/one", T0 + 1, None, 53.0)]) == Written(1, 1)
        assert store.raw("a/one", T0, T0 + 1).temp_c[0] == 20.0
        assert store.latest()["a/one"] == Reading("a/one", T0 + 1, None, 53.0)
        assert store.count() == 2

    def test_bounds_are_half_open(self):
        """``from`` is inside, ``until`` is not; hours belong to where they start."""
        store = self.fresh()
        store.write([Reading("a/one", T0 + i * HOUR_MS, 20.0, 50.0) for i in range(4)])
        assert list(store.raw("a/one", T0 + HOUR_MS, T0 + 3 * HOUR_MS).at_ms) == [T0 + HOUR_MS, T0 + 2 * HOUR_MS]
        assert list(store.hours("a/one", T0 + 1, T0 + 2 * HOUR_MS + 1).at_ms) == [T0 + HOUR_MS, T0 + 2 * HOUR_MS]
        assert list(store.steps("a/one", T0 + 1, T0 + 2 * HOUR_MS + 1, 1).at_ms) == [T0 + HOUR_MS, T0 + 2 * HOUR_MS]
        assert [r.at_ms for b in store.stream(T0, T0 + HOUR_MS) for r in b] == [T0]

    def test_what_is_no_number_is_refused_whole(self):
        """NaN and infinity are errors that name the probe, and nothing of the batch is stored."""
        store = self.fresh()
        for wrong in (math.nan, math.inf, -math.inf):
            with pytest.raises(InputError, match="a/one"):
                store.write([Reading("a/two", T0, 1.0, 1.0), Reading("a/one", T0, wrong, 1.0)])
        assert store.count() == 0
        assert store.write([Reading("a/two", T0, 1.0, 1.0)]) == Written(1, 0)
        assert store.raw("a/two", T0, T0 + 1).temp_c[0] == 1.0

    def test_before_1970(self):
        """Negative instants are instants too."""
        store = self.fresh()
        store.write([Reading("a/one", -1, 20.0, 50.0), Reading("a/one", -HOUR_MS, 22.0, 50.0)])
        store.maintain(T0)
        assert list(store.hours("a/one", -HOUR_MS, 0).temp_mean_c) == [21.0]
        assert list(store.steps("a/one", -DAY_MS, DAY_MS, 6).at_ms) == [-6 * HOUR_MS]

    def test_close_twice(self):
        """Closing again is harmless."""
        store = self.fresh()
        store.close()
        store.close()

    @LIVELY
    @given(batches)
    def test_against_a_dictionary(self, given_batches: list[tuple[list[Reading], int]]):
        """Whatever comes, in whatever order, with upkeep at any time: all answers agree with a plain dictionary."""
        store = self.fresh()
        kept: dict[tuple[str, int], Reading] = {}
        for batch, day in given_batches:
            before = len(kept)
            for reading in batch:
                kept.setdefault((reading.probe, reading.at_ms), reading)
            stored = len(kept) - before
            assert store.write(batch) == Written(stored, len(batch) - stored)
            if day >= 0:
                store.maintain(T0 - 5 * DAY_MS + day * DAY_MS)
        self._agrees(store, kept)
        store.maintain(T0 + 30 * DAY_MS)
        self._agrees(store, kept)
        store.close()

    def _agrees(self, store: ReadingStore, kept: dict[tuple[str, int], Reading]) -> None:
        streamed = [r for batch in store.stream(0, 2 * T0) for r in batch]
        assert [(r.at_ms, r.probe) for r in streamed] == sorted((at, probe) for probe, at in kept)
        assert store.count() == len(kept)
        assert store.probes() == sorted({probe for probe, _ in kept})
        for probe in store.probes():
            times = sorted(at for name, at in kept if name == probe)
            assert store.span(probe) == (times[0], times[-1])
            assert store.latest()[probe].at_ms == times[-1]
            columns = store.raw(probe, 0, 2 * T0)
            assert list(columns.at_ms) == times
            temps = array("d", [math.nan if (t := kept[probe, at].temp_c) is None else t for at in times])
            assert close_to(columns.temp_c, temps, TEMP_STEP_C)
            assert same_hours(store.hours(probe, 0, 2 * T0), plain_hours(kept, probe))
            assert same_hours(store.steps(probe, 0, 2 * T0, 5), plain_hours(kept, probe, 5))
