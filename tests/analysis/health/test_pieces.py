"""The days of one long run share an error: how much of it is found, and what each day tells."""

import math

import numpy as np
import pytest

from analysis.health.life import estimate
from analysis.health.pieces import shared, weights
from analysis.health.trend import Observations

#: Sixty runs of one to nine days.
DAYS = np.tile([1, 9, 2, 5, 1, 6], 10)
OF_RUN = np.repeat(np.arange(len(DAYS)), DAYS)


def errors(rho, rng, size=0.006):
    """Return errors of which a part ``rho`` of the variance is common to the days of each run."""
    common = rng.standard_normal(len(DAYS))[OF_RUN]
    own = rng.standard_normal(len(OF_RUN))
    return size * (math.sqrt(rho) * common + math.sqrt(1.0 - rho) * own)


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.8])
def test_what_the_days_of_a_run_share_is_found(rho):
    rng = np.random.default_rng(3)
    # A slow decline, as large over the log as forty errors, hides nothing. Sixty runs leave 0.25
    # open (a ratio of variances of 40 and 120 degrees of freedom), and no share is below zero.
    slow = 0.001 * np.arange(len(OF_RUN))
    found = [shared(errors(rho, rng) - slow, OF_RUN) for _ in range(20)]
    assert np.mean(found) == pytest.approx(max(rho, 0.15), abs=0.1)
    assert np.std(found) < 0.25


def test_a_single_odd_run_does_not_decide():
    rng = np.random.default_rng(4)
    value = errors(0.0, rng)
    before = shared(value, OF_RUN)
    value[OF_RUN == 7] -= 0.2
    assert shared(value, OF_RUN) == pytest.approx(before, abs=0.1)


def test_where_the_figures_tell_nothing_each_share_stays_as_likely():
    # One run: nothing shows how runs differ. The middle of 0 to 0.95.
    assert shared(np.array([0.9, 0.91, 0.9]), np.zeros(3, dtype=int)) == pytest.approx(0.475)
    assert shared(np.array([0.9]), np.zeros(1, dtype=int)) == pytest.approx(0.475)
    assert shared(np.empty(0), np.empty(0, dtype=int)) == pytest.approx(0.475)


def test_the_days_of_a_run_tell_what_their_mean_tells():
    # The exact variance of the mean of m figures with equal correlation: s^2 (1 + (m - 1) rho) / m.
    value = errors(0.6, np.random.default_rng(5))
    rho = shared(value, OF_RUN)
    weight = weights(value, np.zeros(len(value), dtype=bool), OF_RUN)
    assert 0.4 < rho < 0.8
    for run, days in enumerate(DAYS):
        covariance = np.full((days, days), rho) + (1.0 - rho) * np.eye(days)
        exact = covariance.sum() / days**2
        assert weight[run == OF_RUN].sum() == pytest.approx(1.0 / exact)


def test_runs_by_themselves_count_in_full():
    value = errors(0.9, np.random.default_rng(6))
    free = np.zeros(len(value), dtype=bool)
    assert weights(value, free, np.arange(len(value))).tolist() == [1.0] * len(value)
    assert weights(np.empty(0), np.empty(0, dtype=bool), np.empty(0, dtype=int)).tolist() == []


def test_bounds_do_not_tell_what_is_shared_but_count_as_days():
    value = errors(0.0, np.random.default_rng(7))
    bound = np.arange(len(value)) % 5 == 0
    low = np.where(bound, value - 0.3, value)
    rho = shared(value[~bound], OF_RUN[~bound])
    weight = weights(low, bound, OF_RUN)
    assert weight[OF_RUN == 1] == pytest.approx(np.full(9, 1.0 / (1.0 + 8.0 * rho)))


def declining(rho, rng):
    """Return figures of a charger that only declines evenly, one a day; it does not wander."""
    kh = 0.024 * np.arange(1.0, len(OF_RUN) + 1)
    y = 0.98 - 0.05 * kh + errors(rho, rng)
    return Observations(kh, y, np.full(len(kh), 0.001), np.zeros(len(kh), dtype=bool))


def judged(data, of_run):
    warm, when = np.full(len(data.kh), 25.0), 1.5e9 + 5e6 * data.kh
    return estimate(data, warm, when, float(data.kh[-1]), 0.05, of_run=of_run)


def test_what_runs_share_is_no_wander_of_the_charger():
    rng = np.random.default_rng(8)
    known, unknown = [], []
    for _ in range(6):
        data = declining(0.9, rng)
        known.append(judged(data, OF_RUN))
        unknown.append(judged(data, None))
    # Taken as independent, the days look like a charger that wanders: a wrong answer to differ
    # from.
    assert np.median([one.wander for one in unknown]) > 0.012
    assert np.median([one.wander for one in known]) < 0.006
    # A run-to-run error of 0.6 % is one of 0.6 %.
    assert np.median([one.scatter for one in known]) == pytest.approx(0.005, abs=0.0015)
    now = 0.98 - 0.05 * 0.024 * len(OF_RUN)
    for one in known:
        assert one.output(0.05) - 0.005 < now < one.output(0.95) + 0.005


def test_days_that_share_nothing_lose_little():
    data = declining(0.0, np.random.default_rng(9))
    as_days, as_runs = judged(data, OF_RUN), judged(data, None)
    width = [one.output(0.95) - one.output(0.05) for one in (as_days, as_runs)]
    assert width[0] == pytest.approx(width[1], rel=0.2)
    assert as_days.output(0.5) == pytest.approx(as_runs.output(0.5), abs=0.002)
