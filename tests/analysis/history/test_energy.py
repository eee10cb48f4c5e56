"""Energy up to a time, and days that are drawn from those of the log, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from analysis.history.energy import (
    DRAWS,
    SHIFT_D,
    STRETCH_D,
    days_to_come,
    energy_before,
    with_season,
)
from analysis.history.runs import Runs


class Logged(SimpleNamespace):
    """What of the runs is asked for, with the rule on what counts as delivered."""

    delivered_j = Runs.delivered_j


def of(start_s, end_s, kwh, *, running=True):
    log = SimpleNamespace(
        start_s=np.array(start_s, dtype=float),
        end_s=np.array(end_s, dtype=float),
        energy_j=3.6e6 * np.array(kwh, dtype=float),
    )
    return Logged(log=log, running=np.broadcast_to(running, log.energy_j.shape))


def test_energy_grows_evenly_inside_an_interval_and_stands_in_a_gap():
    runs = of([100.0, 200.0, 400.0], [200.0, 300.0, 500.0], [1.0, 3.0, 2.0])
    at_s = np.array([0.0, 100.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0, 450.0, 500.0, 900.0])
    expected = [0.0, 0.0, 0.5, 1.0, 2.5, 4.0, 4.0, 4.0, 5.0, 6.0, 6.0]
    assert energy_before(runs, at_s) == pytest.approx(expected)


def test_energy_that_was_not_measured_adds_nothing():
    runs = of([0.0, 100.0, 200.0], [100.0, 200.0, 300.0], [1.0, np.nan, 1.0])
    assert energy_before(runs, np.array([100.0, 200.0, 300.0])) == pytest.approx([1.0, 1.0, 2.0])


def test_the_noise_of_a_sensor_at_rest_is_no_energy():
    runs = of(
        [0.0, 100.0, 200.0], [100.0, 200.0, 300.0], [1.0, 0.01, 1.0], running=[True, False, True]
    )
    assert energy_before(runs, np.array([100.0, 200.0, 300.0])) == pytest.approx([1.0, 1.0, 2.0])


def test_energy_never_falls_where_intervals_overlap():
    # Two sessions whose clocks did not agree: the second begins before the first has ended.
    runs = of([0.0, 80.0], [100.0, 180.0], [1.0, 1.0])
    found = energy_before(runs, np.linspace(0.0, 200.0, 401))
    assert (np.diff(found) >= 0.0).all()
    assert found[-1] == pytest.approx(2.0)


def test_days_to_come_are_stretches_of_past_days():
    daily = np.arange(100.0)
    drawn = days_to_come(daily, 30, np.random.default_rng(1))
    assert drawn.shape == (DRAWS, 30)
    follow = np.diff(drawn, axis=1) % 100.0 == 1.0  # after the last day comes the first
    # Two weeks follow one another; then another stretch begins, by chance the next day itself.
    within = np.arange(1, 30) % STRETCH_D != 0
    assert follow[:, within].all()
    assert follow[:, ~within].mean() < 0.05
    # Each day is as likely as another.
    assert drawn[:, 0].mean() == pytest.approx(49.5, abs=3.0 * 28.9 / np.sqrt(DRAWS))


def test_half_of_the_draws_follow_the_season_of_last_year():
    # Two years of days by their number; of last year's, those with a seven were not whole.
    calendar = np.arange(730.0)
    holes = calendar % 10 == 7
    calendar[holes] = np.nan
    future = np.full((DRAWS, 20), -1.0)
    mixed = with_season(future, calendar, np.random.default_rng(2))
    assert (mixed[1::2] == -1.0).all()
    assert (future == -1.0).all(), "what is given stays as it is"
    known = mixed[::2]
    first = np.where(known[:, 0] >= 0.0, known[:, 0], known[:, 1] - 1.0)
    # A year before the end of the log, two weeks earlier or later.
    assert first.min() == 730 - 365 - SHIFT_D
    assert first.max() == 730 - 365 + SHIFT_D
    days = first[:, None] + np.arange(20.0)
    assert np.array_equal(known, np.where(days % 10 == 7, -1.0, days))


def test_without_a_year_and_two_weeks_there_is_no_season():
    rng = np.random.default_rng(3)
    future = np.zeros((DRAWS, 5))
    short = np.ones(365 + SHIFT_D - 1)
    assert with_season(future, short, rng) is future
    assert with_season(future, np.ones(365 + SHIFT_D), rng)[::2].all()
    # Of a long time to come, last year tells as much as it holds.
    long = with_season(np.zeros((DRAWS, 500)), np.ones(365 + SHIFT_D), rng)
    told = long[::2].sum(axis=1)
    assert (told.min(), told.max()) == (365 - SHIFT_D, 365 + SHIFT_D)
