"""The cumulative sum against published run lengths and worked series."""

from __future__ import annotations

import numpy as np
import pytest

from sensord.insight import cusum


def run_length(decision, shift, runs, seed):
    """Mean number of values until a two-sided sum (reference half a deviation) passes its decision."""
    rng = np.random.default_rng(seed)
    high, low, lengths = np.zeros(runs), np.zeros(runs), []
    step, alive = 0, runs
    while alive:
        step += 1
        values = rng.normal(shift, 1.0, alive)
        high, low = cusum.upper(high, values, 0.5), cusum.upper(low, -values, 0.5)
        still = (high <= decision) & (low <= decision)
        lengths += [step] * int(alive - still.sum())
        high, low, alive = high[still], low[still], int(still.sum())
    return float(np.mean(lengths))


@pytest.mark.parametrize(("decision", "published"), [(4.0, 168.0), (5.0, 465.0)])
def test_run_length_without_a_shift(decision, published):
    """k 0.5: 168 at h 4, 465 at h 5. Montgomery, Introduction to Statistical Quality Control, ch. 9. Within 5 %."""
    assert run_length(decision, 0.0, 8_000, 1) == pytest.approx(published, rel=0.05)


@pytest.mark.parametrize(("decision", "shift", "published"), [(4.0, 1.0, 8.38), (5.0, 1.0, 10.4), (5.0, 2.0, 4.01)])
def test_run_length_with_a_shift(decision, shift, published):
    """Montgomery, table 9.3 (from memory), the same by Markov chain computed apart."""
    assert run_length(decision, shift, 20_000, 2) == pytest.approx(published, rel=0.05)


def test_montgomery_and_runger_worked_series():
    """Applied Statistics and Probability, table 16-7 data, target 99, K 1: highest tabular sums, no signal at H 10."""
    data = "102.0 94.8 98.3 98.4 102.0 98.5 99.0 97.7 100.0 98.1 101.3 98.7 101.1 98.4 97.0 96.7 100.3 101.4 97.2 101.0"
    high, low, highs, lows, running = 0.0, 0.0, [], [], []
    for value in map(float, data.split()):
        high, low = cusum.upper(high, value - 99, 1.0), cusum.upper(low, 99 - value, 1.0)
        highs.append(high)
        lows.append(low)
        running.append(value - 99 + (running[-1] if running else 0.0))
    assert highs == pytest.approx([2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0], abs=1e-9)
    assert lows == pytest.approx([0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0], abs=1e-9)
    published = [3, -1.2, -1.9, -2.5, 0.5, 0, 0, -1.3, -0.3, -1.2, 1.1, 0.8, 2.9, 2.3, 0.3, -2, -0.7, 1.7, -0.1, 1.9]
    assert running == pytest.approx(published, abs=1e-9)


def test_montgomery_worked_series_signals_at_29():
    """Montgomery ISQC table 9.1 (data from memory, reproduced apart): mean 10, K 0.5, H 5, shift after 22."""
    data = (
        "9.45 7.99 9.29 11.66 12.16 10.18 8.04 11.46 9.20 10.34 9.03 11.47 10.51 9.40 10.08 9.37 10.62 10.31 8.52 10.84 "
        "10.90 9.33 12.29 11.50 10.60 11.08 10.38 11.62 11.31 10.52"
    )
    sums = [0.0]
    for value in map(float, data.split()):
        sums.append(cusum.upper(sums[-1], value - 10, 0.5))
    assert sums[28:31] == pytest.approx([4.47, 5.28, 5.30], abs=0.005)
    assert next(k for k, total in enumerate(sums) if total > 5) == 29


def test_nist_worked_series_signals_at_14():
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959 (data from memory, reproduced apart)."""
    data = "324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325 327.250"
    sums = [0.0]
    for value in map(float, data.split()):
        sums.append(cusum.upper(sums[-1], value - 325, 0.3175))
    assert sums[13:15] == pytest.approx([3.01, 4.94], abs=0.01)
    assert next(k for k, total in enumerate(sums) if total > 4.1959) == 14
