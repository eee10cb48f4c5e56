"""The sag: what a run loses and a rest brings back, told apart from heat, wear and ignorance."""

import math

import numpy as np
import pytest

from analysis.health.heat import HEAT_SIZE, heat_columns
from analysis.health.limiter import EDGE, SOURCE, Stretches
from analysis.health.sag import (
    TIMES_H,
    Rests,
    RunCells,
    Sag,
    heat_inside,
    minimise,
    not_failing,
    sag,
    saturating,
    weigh,
    within_groups,
)
from analysis.health.warm_up import Cells, warm_up_h
from analysis.history.runs import find_runs
from tests.support.boats.plain_log import RATED_W, log
from tests.support.oracles import dense_normal

AT_H = np.array([0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0])
WARM_H = 0.3


def rests(starts, rest_h, length_h=12.0):
    rest = np.concatenate(([np.inf], np.full(starts - 1, rest_h)))
    return Rests(np.arange(starts), np.full(starts, length_h), rest)


def cells(runs, output, warmth=None):
    """Return cells of ``runs`` runs with outputs of shape (runs, cells), W."""
    run = np.repeat(np.arange(runs), len(AT_H))
    since = np.tile(AT_H, runs)
    temperature = np.full(len(run), np.nan) if warmth is None else warmth.ravel()
    bins = np.tile(np.arange(len(AT_H)), runs)
    return Cells(run, bins, since, np.full(len(run), 1800.0), 110.0 * output.ravel(), temperature)


def noisy_levels(runs, seed=1):
    rng = np.random.default_rng(seed)
    return (0.9 + rng.normal(0, 0.01, (runs, 1))) * (1 + rng.normal(0, 0.001, (runs, len(AT_H))))


@pytest.mark.parametrize("depth", [0.0, 0.02, 0.05])
def test_it_is_found_where_runs_start_rested(depth):
    output = noisy_levels(40) * (1 - depth * (1 - np.exp(-AT_H / 4.0)))
    found = sag(cells(40, output), WARM_H, rests(40, 100.0))
    assert found.depth == pytest.approx(depth, abs=0.004)
    if depth:
        assert found.time_h == pytest.approx(4.0, rel=0.3)


def test_after_a_short_rest_a_run_starts_with_part_of_it():
    time_h, rest_h, depth = 4.0, 1.0, 0.05
    memory = rests(40, rest_h)
    left = memory.left(np.array([time_h]))
    # By hand: of what 12 h have built up, exp(-1 / 2) is left after an hour of rest.
    assert left[1, 0] == pytest.approx((1 - np.exp(-3.0)) * np.exp(-0.5))
    output = noisy_levels(40) * (1 - depth * (1 - (1 - left) * np.exp(-AT_H / time_h)))
    found = sag(cells(40, output), WARM_H, memory)
    assert found.depth == pytest.approx(depth, abs=0.007)
    # Taken for rested, the same runs show less than half of it.
    assert sag(cells(40, output), WARM_H, rests(40, 1e6)).depth < 0.6 * depth


def test_the_heat_that_a_run_makes_is_no_sag():
    rng = np.random.default_rng(3)
    warmth = rng.normal(28, 5, (40, 1)) + 10.0 * (1 - np.exp(-AT_H / 0.8))
    warmth = warmth + rng.normal(0, 1.5, warmth.shape)
    output = noisy_levels(40) * (1 - 0.02 * np.maximum(warmth - 30.0, 0.0))
    assert sag(cells(40, output, warmth), WARM_H, rests(40, 100.0)).depth < 0.008
    # Without temperature nothing tells them apart.
    assert sag(cells(40, output), WARM_H, rests(40, 100.0)).depth > 0.02


def test_a_charger_that_never_stops_is_told_with_doubt():
    assert sag(cells(0, np.empty((0, len(AT_H)))), WARM_H, rests(1, 0.0)) == Sag()
    output = noisy_levels(1) * (1 - 0.05 * (1 - np.exp(-AT_H / 4.0)))
    one = sag(cells(1, output), WARM_H, rests(1, 0.0))
    many = sag(cells(40, np.repeat(output, 40, axis=0)), WARM_H, rests(40, 100.0))
    assert one.depth_se > 2.0 * many.depth_se
    assert 0.005 < one.depth_se <= Sag().depth_se


def test_pieces_of_a_long_run_share_its_start():
    start = np.zeros(3, dtype=np.intp)
    week = Rests(start, np.array([72.0]), np.array([np.inf]))
    reached = Sag(0.02, 0.01, 5.0).reached(week, np.arange(3), np.array([1.0, 25.0, 49.0]))
    assert reached == pytest.approx(1 - np.exp(-np.array([1.0, 25.0, 49.0]) / 5.0))


def test_runs_that_a_silence_cut_short_do_not_hide_the_warm_up():
    """Six of sixty runs are seen only from within: warm in their first minute."""
    runs, at_h = 60, np.r_[np.arange(0.0, 0.5, 1 / 30) + 1 / 60, np.arange(0.6, 3.0, 0.1)]
    since = np.tile(at_h, runs)
    run = np.repeat(np.arange(runs), len(at_h))
    power = 100.0 * np.minimum(0.3 + 0.7 * since / 0.4, 1.0)
    seen = (run < 6) | (since > 0.1)  # the others are still starting
    power[run < 6] = 100.0
    nan = np.full(len(run), np.nan)
    found = Stretches(
        np.arange(len(run)), run, since, np.full(len(run), 120.0), power, nan, nan,
        np.where(seen, SOURCE, EDGE).astype(np.int8),
    )  # fmt: skip
    warm_h, told = warm_up_h(found, runs)
    assert told is True
    assert 0.38 <= warm_h <= 0.55


def test_rests_are_the_time_between_runs():
    rests = Rests.between(find_runs(log(runs=4), RATED_W))
    assert rests.start.tolist() == [0, 1, 2, 3]
    assert rests.length_h == pytest.approx(np.full(4, 6.0))
    assert rests.rest_h == pytest.approx([np.inf, 18.0, 18.0, 18.0])
    # Two days without a stop, and nothing after; the pieces share their start.
    week = Rests.between(find_runs(log(runs=9, rest=0, apart_d=0.25), RATED_W))
    assert week.start.tolist() == [0, 0]
    assert week.length_h == pytest.approx([54.0])
    none = Rests.between(find_runs(log(runs=0), RATED_W))
    assert len(none.start) == len(none.length_h) == len(none.rest_h) == 0


def test_a_saturating_curve_comes_back_whole():
    t = np.tile(AT_H, 3)
    group = np.repeat(np.arange(3), len(AT_H))
    curve = 0.7 * (1.0 - np.exp(-t / 3.0))
    weights = np.resize([1.0, 2.0, 0.5], len(t))
    depth, time, left = saturating(t, curve, weights)
    assert (depth, time) == pytest.approx((0.7, 3.0), rel=1e-6)
    assert left == pytest.approx(0.0, abs=1e-10)
    depth, time, left = saturating(t, curve + np.array([1.0, -2.0, 0.5])[group], weights, group)
    assert (depth, time) == pytest.approx((0.7, 3.0), rel=1e-6)
    # A disturbance that no curve follows remains, by its weight.
    odd = np.where(np.arange(len(t)) == 0, 1.0, 0.0)
    assert saturating(t, curve + odd, weights, group)[2] > 0.5 * 1.0 * (1 - 1 / 10)


def test_a_minimum_is_found_to_many_digits():
    assert minimise(lambda v: (v - 1.3) ** 2 + 0.2, -2.0, 5.0) == pytest.approx(1.3, abs=1e-8)
    assert minimise(lambda v: v, 1.0, 2.0) == pytest.approx(1.0, abs=2e-4)
    assert minimise(math.cosh, -1.0, 4.0) == pytest.approx(0.0, abs=1e-6)


def test_a_group_is_centred_on_its_weighted_mean():
    found = within_groups(np.array([1.0, 4.0, 5.0]), np.array([1.0, 3.0, 1.0]), np.array([0, 0, 1]))
    # The mean of the first two is 13 / 4.
    assert found == pytest.approx([-2.25, 0.75, 0.0])


def test_a_cell_below_three_quarters_of_its_run_is_failing():
    run = np.array([0, 0, 0, 1, 1])
    power = np.array([100.0, 75.0, 74.9, 50.0, 40.0])
    assert not_failing(run, power).tolist() == [True, True, False, True, True]
    assert len(not_failing(run[:0], power[:0])) == 0


def test_heat_is_known_where_most_cells_have_a_temperature():
    group, weights = np.zeros(4, dtype=np.intp), np.ones(4)
    assert heat_inside(np.array([20.0, 30.0, np.nan, np.nan]), weights, group).shape == (4, 0)
    columns = heat_inside(np.array([20.0, 30.0, 40.0, np.nan]), weights, group)
    # In tens of kelvin from 25 degC, the missing one as the median; then from the run's mean.
    assert columns[:, 0] == pytest.approx([-1.0, 0.0, 1.0, 0.0])


def test_depth_and_time_are_weighed_as_by_whole_matrices():
    rng = np.random.default_rng(4)
    runs, count = 3, len(AT_H)
    t, group = np.tile(AT_H, runs), np.repeat(np.arange(runs), count)
    weight = rng.uniform(0.3, 1.5, runs * count)
    warm = 24.0 + 6.0 * rng.random(runs * count)
    y = -0.04 * (1 - np.exp(-t / 3.0)) + np.array([4.5, 4.6, 4.4])[group]
    y += 0.003 * rng.standard_normal(len(y))
    noise = 0.004**2
    heat = heat_inside(warm, weight, group)
    left = np.linspace(0.0, 0.4, runs)[:, None] * np.linspace(1.0, 0.5, len(TIMES_H))
    found = weigh(RunCells(t, y, weight, group, heat), left[group], noise, 0.0)
    # Levels of the runs are free, the effect of heat and the depth have their priors: 0.02 with
    # 0.03 of the depth, 5 h within exp(0.6) of the time.
    levels = np.eye(runs)[group]
    sizes = np.concatenate((np.full(runs, 10.0), HEAT_SIZE, [0.03]))
    prior = (np.concatenate((np.full(runs, 4.5), np.zeros(5), [0.02])), sizes**-2.0)
    logs, depths, variances = [], [], []
    for k, time_h in enumerate(TIMES_H):
        shape = -(1.0 - left[group, k]) * (1.0 - np.exp(-t / time_h))
        design = np.column_stack((levels, heat_columns(warm), shape))
        told = dense_normal(design, y, np.sqrt(noise / weight), prior)
        logs.append(told.evidence - 0.5 * (math.log(time_h / 5.0) / 0.6) ** 2)
        depths.append(told.mean[runs + 5])
        variances.append(told.covariance[runs + 5, runs + 5])
    share = np.exp(np.array(logs) - max(logs))
    share /= share.sum()
    middle = share @ depths
    assert found.depth == pytest.approx(middle, rel=1e-4)
    spread = share @ (variances + (depths - middle) ** 2)
    assert found.depth_se == pytest.approx(math.sqrt(spread), rel=1e-4)
    assert found.time_h == pytest.approx(math.exp(share @ np.log(TIMES_H)), rel=1e-4)
    # An error of the depth that outweighs the cells leaves the prior.
    unsure = weigh(RunCells(t, y, weight, group, heat), left[group], noise, 1e6)
    assert (unsure.depth, unsure.depth_se) == pytest.approx((0.02, 0.03))
    assert TIMES_H[[0, -1]] == pytest.approx([0.7, 30.0])


def test_the_least_error_of_the_depth_falls_with_the_number_of_runs():
    output = np.full((40, 1), 0.9) * (1 - 0.03 * (1 - np.exp(-AT_H / 4.0)))
    for runs in (4, 40):
        found = sag(cells(runs, output[:runs]), WARM_H, rests(runs, 1e6))
        # A hundredth for one run (times 1 + 8 / runs where there are few), beside the prior's 0.03.
        own = 0.01**2 / runs * (1.0 + 8.0 / runs)
        assert found.depth_se == pytest.approx((1.0 / own + 1.0 / 0.03**2) ** -0.5, rel=0.02)


def test_short_runs_show_no_sag():
    output = np.full((40, 1), 0.9) * (1 - 0.03 * (1 - np.exp(-AT_H / 4.0)))
    pool = cells(40, output)

    def told(keep):
        return sag(Cells(*(getattr(pool, name)[keep] for name in Cells.__slots__)), WARM_H, many)

    many = rests(40, 100.0)
    # An hour and a half beyond the warm-up (0.3 h) at least.
    assert told(pool.since_start_h < 1.8) == Sag()
    assert told(pool.since_start_h < 2.5) != Sag()
    # Nine cells are too few; ten are not.
    one = pool.run == 0
    assert told(one & (pool.since_start_h < 12.0)) == Sag()
    assert told(one) != Sag()
    # Cells of a minute, of no power and before the warm-up do not count.
    short = Cells(
        pool.run,
        pool.bin,
        pool.since_start_h,
        np.full(len(pool.run), 60.0),
        pool.power_w,
        pool.temperature_c,
    )
    assert sag(short, WARM_H, many) == Sag()
    assert sag(cells(40, np.zeros((40, 10))), WARM_H, many) == Sag()
    assert sag(pool, 11.0, many) == Sag()
    late = Cells(
        pool.run,
        pool.bin,
        pool.since_start_h + 24.0,
        pool.seconds,
        pool.power_w,
        pool.temperature_c,
    )
    assert sag(late, WARM_H, many) == Sag()
