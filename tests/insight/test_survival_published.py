"""Survival curves against published data, as read and as computed by an independent library (a dev dependency only)."""

from __future__ import annotations

import math

import pytest
from reference import reference

from sensord.errors import InputError
from sensord.insight.survival import (
    Death,
    Life,
    chi2_above,
    kaplan_meier,
    log_rank,
    median_days,
    of_deaths,
    survival_at,
)

lifelines = reference("lifelines")

# Freireich et al. 1963, Blood 21:699-716: weeks in remission under 6-MP; the published curve
PUBLISHED_6MP = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}


def leukemia():
    from lifelines.datasets import load_leukemia

    table = load_leukemia()
    return {
        name: [
            Life(t, bool(s)) for t, s, rx in zip(table["t"], table["status"], table["Rx"], strict=True) if rx == code
        ]
        for name, code in (("6-MP", 0), ("placebo", 1))
    }


def waltons():
    from lifelines.datasets import load_waltons

    table = load_waltons()
    rows = list(zip(table["T"], table["E"], table["group"], strict=True))
    return {name: [Life(t, bool(e)) for t, e, group in rows if group == name] for name in ("control", "miR-137")}


def test_leukemia_published():
    """The curve of the 6-MP group is the published one to three digits, with its median of 23 weeks."""
    steps = kaplan_meier(leukemia()["6-MP"])
    assert {step.days: round(step.survival, 3) for step in steps} == PUBLISHED_6MP
    assert median_days(steps) == 23
    assert median_days(kaplan_meier(leukemia()["placebo"])) == 8


@pytest.mark.parametrize("group", ["6-MP", "placebo"])
def test_curve_and_interval_as_library(group):
    """Curve and log-log interval agree with the library at every step."""
    lives = leukemia()[group]
    fitter = lifelines.KaplanMeierFitter().fit([one.days for one in lives], [one.died for one in lives])
    for step in kaplan_meier(lives):
        low, high = fitter.confidence_interval_survival_function_.loc[step.days]
        assert step.survival == pytest.approx(fitter.survival_function_.loc[step.days].iloc[0], abs=1e-12)
        if step.survival > 0:
            assert (step.low, step.high) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize("days", [0, 5.9, 6, 6.1, 22, 35])
def test_share_alive_at_a_time_as_library(days):
    """On the day of a death that death counts; before the first, all live."""
    lives = leukemia()["6-MP"]
    fitter = lifelines.KaplanMeierFitter().fit([one.days for one in lives], [one.died for one in lives])
    share, low, high = survival_at(kaplan_meier(lives), days)
    assert share == pytest.approx(float(fitter.predict(days)), abs=1e-12)
    assert low <= share <= high


def test_a_trend_over_one_group_is_none():
    """Where all at risk are of one group nothing varies, and no difference is seen."""
    assert of_deaths([Death((5, 0), (1, 0))], scores=(0, 1)).p == 1.0
    assert of_deaths([Death((5, 0), (1, 0))], scores=(0, 1)).chi2 == 0.0


@pytest.mark.parametrize(("data", "chi2"), [(leukemia, 16.7929), (waltons, 122.249)])
def test_log_rank_as_library(data, chi2):
    """The log-rank test agrees with the library, statistic and p."""
    from lifelines.statistics import multivariate_logrank_test

    groups = data()
    rows = [(one.days, name, one.died) for name, lives in groups.items() for one in lives]
    expected = multivariate_logrank_test(*(list(column) for column in zip(*rows, strict=True)))
    found = log_rank(groups)
    assert found.chi2 == pytest.approx(chi2, abs=6e-4)
    assert found.chi2 == pytest.approx(expected.test_statistic, rel=1e-9)
    assert found.p == pytest.approx(expected.p_value, rel=1e-6)


def test_waltons_medians():
    """Medians of the second published data set: 58 days and 26 days of 129 and 34 lives."""
    groups = waltons()
    assert [len(lives) for lives in groups.values()] == [129, 34]
    assert [median_days(kaplan_meier(lives)) for lives in groups.values()] == [58, 26]


def test_chi2_table():
    """Critical values of the common chi-square table (Abramowitz & Stegun, table 26.8)."""
    for degrees, critical in ((1, 3.84146), (2, 5.99147), (3, 7.81473), (4, 9.48773), (7, 14.0671)):
        assert chi2_above(critical, degrees) == pytest.approx(0.05, abs=2e-6)


def test_nobody_died():
    """While all live there is no step and no median; groups without a death do not differ."""
    alive = [Life(10.0, died=False)] * 3
    assert kaplan_meier(alive) == []
    assert median_days([]) is None
    assert log_rank({"a": alive, "b": alive}).p == 1.0


@pytest.mark.parametrize("lives", [[], [Life(-1.0, died=True)], [Life(math.nan, died=True)]])
def test_senseless(lives):
    """No lives, or days that cannot be, are refused."""
    with pytest.raises(InputError):
        kaplan_meier(lives)
