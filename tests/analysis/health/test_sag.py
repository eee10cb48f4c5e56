"""The sag: what a run loses and a rest brings back, told apart from heat, wear and ignorance."""

import numpy as np
import pytest

from analysis.health.limiter import EDGE, SOURCE, Stretches
from analysis.health.sag import Rests, Sag, sag
from analysis.health.warm_up import Cells, warm_up_h

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
