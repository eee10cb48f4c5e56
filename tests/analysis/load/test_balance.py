"""The balance of charge: held against whole matrices, and against loads that are given."""

import numpy as np
import pytest

from analysis.load.balance import Guessed, Rough, autoregression, fit, usual_swing
from analysis.load.stretches import Spans
from tests.support.oracles import dense_normal


def spans(swing, joined):
    none = np.zeros(len(swing), dtype=np.intp)
    return Spans(none, none, none.astype(float), np.asarray(swing), np.asarray(joined, dtype=bool))


def test_days_are_alike_from_one_to_the_next():
    # Correlation 0.6 a day: 0.36 over two days.
    covariance = 0.6 ** np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
    assert autoregression(4) @ covariance == pytest.approx(np.eye(4), abs=1e-12)
    assert autoregression(2) @ covariance[:2, :2] == pytest.approx(np.eye(2), abs=1e-12)
    assert autoregression(1).tolist() == [[1.0]]


def test_the_usual_swing_is_what_goes_in_beyond_the_load():
    hours, supplied = np.array([10.0, 20.0, 8.0, 12.0]), np.array([60.0, 10.0, 50.0, 90.0])
    told = spans([1.0, -1.0, 1.0, 1.0], [False] * 4)
    # At 2 A the three ways up keep 40, 34 and 66 Ah.
    assert usual_swing(told, supplied, hours, 2.0) == pytest.approx(40.0)
    # Three hours of the load at least; a day of it where no stretch goes up.
    assert usual_swing(told, supplied / 10.0, hours, 2.0) == pytest.approx(6.0)
    assert usual_swing(spans([-1.0] * 4, [False] * 4), supplied, hours, 2.0) == 48.0


DAYS, PARTS, ROUNDS = 5, 3, 8


def scene(seed=3):
    """Eight stretches over five days of three parts, two pieces, one guessed stretch."""
    rng = np.random.default_rng(seed)
    days = np.zeros((8, DAYS))
    for row in range(8):
        days[row, row * DAYS // 8] = rng.uniform(6.0, 12.0)
        days[row, min(row * DAYS // 8 + 1, DAYS - 1)] += rng.uniform(2.0, 6.0)
    split = rng.dirichlet(np.ones(PARTS), 8)
    parts = days.sum(axis=1)[:, None] * split
    of = spans([1, -1, 0, 1, -1, 1, -1, 0], [False, True, True, False, True, True, False, True])
    load = 2.0 + rng.normal(0.0, 0.3, DAYS)
    supplied = days @ load + 25.0 * of.swing + rng.normal(0.0, 1.5, 8)
    rough = Rough(
        np.eye(DAYS)[[1, 3]] * 20.0, np.full((2, PARTS), 20.0 / 3.0), np.array([44.0, 38.0]),
        np.array([0.05, -0.1]), 150.0,
    )  # fmt: skip
    guessed = Guessed(
        np.eye(DAYS)[[4]] * 15.0, np.full((1, PARTS), 5.0), np.array([33.0]), np.array([0.3]),
        np.array([0.4]),
    )  # fmt: skip
    return days, parts, of, supplied, rough, guessed


def by_whole_matrices(days, parts, of, supplied, rough, guessed):
    """Expectation maximisation with the same model, by conditioning a normal distribution.

    The days are ``lower @ z`` with independent z, and the noise of neighbouring stretches, which
    share a mark, is made independent by the root of its covariance.
    """

    def rows(of_days, of_parts, volts, swing):
        pattern = of_parts[:, :-1] - of_parts[:, -1:]
        return np.column_stack((of_days, of_days.sum(axis=1), pattern, volts, swing))

    n = len(supplied)
    level = supplied.sum() / days.sum()
    correlation = 0.6 ** np.abs(np.subtract.outer(np.arange(DAYS), np.arange(DAYS)))
    noise = 2.05 * np.eye(n)
    for k in np.flatnonzero(of.joined):
        noise[k, k - 1] = noise[k - 1, k] = -1.0
    seen = rows(days, parts, np.zeros(n), of.swing)
    volts = rows(rough.days, rough.parts, rough.rise_v, np.zeros(2))
    ends = rows(guessed.days, guessed.parts, np.zeros(1), guessed.swing)
    up = of.swing > 0
    swing_ah = max(np.median((supplied - level * days.sum(axis=1))[up]), 3.0 * level)
    prior_mean = np.zeros(DAYS + 1 + PARTS - 1 + 2)
    prior_mean[-2] = rough.ah_per_v
    sds = [10 * level] + [0.25 * level] * (PARTS - 1) + [0.5 * rough.ah_per_v, 1000 * level]
    mark2, day2 = (3.0 * level) ** 2, (0.3 * level) ** 2
    for _ in range(ROUNDS):
        lower = np.linalg.cholesky(day2 * correlation)
        turn = np.eye(len(prior_mean))
        turn[:DAYS, :DAYS] = lower
        root = np.linalg.cholesky(noise)
        design = np.vstack((np.linalg.solve(root, seen), volts, ends)) @ turn
        y = np.concatenate((np.linalg.solve(root, supplied), rough.kept_ah, guessed.kept_ah))
        sd = np.concatenate(
            (np.full(n, mark2**0.5), np.full(2, 0.06 * rough.ah_per_v), guessed.sd * swing_ah)
        )
        told = dense_normal(design, y, sd, (prior_mean, np.r_[np.ones(DAYS), sds] ** -2.0))
        size = len(prior_mean)
        mean, covariance = turn @ told.mean[:size], turn @ told.covariance[:size, :size] @ turn.T
        left = np.linalg.solve(root, supplied - seen @ mean)
        white = np.linalg.solve(root, seen)
        mark2 = max((left @ left + np.trace(white @ covariance @ white.T)) / n, (0.02 * level) ** 2)
        inner = np.outer(mean[:DAYS], mean[:DAYS]) + covariance[:DAYS, :DAYS]
        day2 = max(np.trace(np.linalg.solve(correlation, inner)) / DAYS, (0.01 * level) ** 2)
    shift = np.eye(DAYS, size)
    shift[:, DAYS] = 1.0
    return shift @ mean, shift @ covariance @ shift.T, mean[DAYS + 1 : -2], mean[-1]


def test_the_fit_is_that_of_whole_matrices():
    told = scene()
    found = fit(*told)
    mean, covariance, pattern, swing = by_whole_matrices(*told)
    assert found.mean_a == pytest.approx(mean, rel=1e-5)
    assert found.factor @ found.factor.T == pytest.approx(covariance, rel=1e-3, abs=1e-6)
    assert np.triu(found.factor, 1) == pytest.approx(np.zeros((DAYS, DAYS)))
    assert found.pattern_a == pytest.approx(np.append(pattern, -pattern.sum()), abs=1e-5)
    assert found.swing_ah == pytest.approx(swing, rel=1e-5)
    assert swing == pytest.approx(25.0, abs=3.0), "and near what was put in"


def test_an_even_load_comes_back():
    days, parts, of, _, rough, guessed = scene()
    rough = Rough(rough.days, rough.parts, np.array([40.0, 40.0]), np.zeros(2), 150.0)
    guessed = Guessed(guessed.days, guessed.parts, np.array([37.5]), np.array([0.3]), guessed.sd)
    found = fit(days, parts, of, 2.0 * days.sum(axis=1) + 25.0 * of.swing, rough, guessed)
    assert found.mean_a == pytest.approx(np.full(DAYS, 2.0), rel=0.02)
    assert found.swing_ah == pytest.approx(25.0, rel=0.02)
    assert found.pattern_a == pytest.approx(np.zeros(PARTS), abs=0.05)
    assert found.pattern_a.sum() == pytest.approx(0.0, abs=1e-12)
