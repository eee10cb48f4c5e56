"""Estimates the sag: the loss of output inside a run that a rest brings back.

The sag builds up inside runs and goes away at rest. It is ``depth (1 - exp(-t / time))`` in a run
that starts rested, and less where the rest before was short. Each run is compared with its own
level, so wear and weather between runs do not enter. Boats that run for weeks without a stop show
little of it; a prior fills in, and the standard error says how little is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import MAD_TO_SD
from analysis.health.heat import HEAT_SIZE, heat_columns
from analysis.history.sums import sums_by

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.health.warm_up import Cells
    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Prior of the depth, mean and standard deviation: rests bring back a few per cent in published
#: stack tests (common practice, no source for the numbers). Without a prior, a battery that tapers
#: early would look like sag.
_DEPTH, _DEPTH_SD = 0.02, 0.03
#: Prior of the time constant, h, and the standard deviation of its logarithm: hours rather than
#: minutes or days (common practice, no source).
_TIME_H, _TIME_LOG_SD = 5.0, 0.6
#: Time constants tried, h: about three prior standard deviations to either side.
TIMES_H = np.geomspace(0.7, 30.0, 20)
#: Time constant with which a rest brings it back, h (common practice, no source; not estimated).
_RECOVERY_H = 2.0
#: Greatest depth that counts as sag (common practice, no source).
_LARGEST = 0.08
#: Standard error of a single run's sag from weather and a battery that tapers early, fraction of
#: rated (judgement, no source).
_RUN_SD = 0.01
#: Prior variance of a cell (judgement, no source). It only limits the effect of heat where the log
#: shows little of it.
_USUAL_NOISE = 0.005**2
#: Only this much of a run shows the sag, h: by then more than four usual time constants have
#: passed, and wear and weather matter more.
_WITHIN_H = 24.0
#: A cell below this part of its run's highest power is not sag: the fuel ran out, or another source
#: held the battery up. (Three times ``_LARGEST`` below; judgement, no source.)
_FAILING = 0.75
#: Fewest cells for an estimate (judgement, no source).
_FEWEST_CELLS = 10


@dataclass(frozen=True, slots=True)
class Sag:
    """Loss inside runs: it nears ``depth``, a part of the output, with time constant ``time_h``."""

    depth: float = _DEPTH
    depth_se: float = _DEPTH_SD
    time_h: float = _TIME_H

    def reached(self, rests: Rests, run: NDArray[np.intp], since_start_h: Floats) -> Floats:
        """Return the share of the depth reached at moments inside runs.

        Parameters
        ----------
        rests
            How long the charger rested before each run.
        run
            Run of each moment.
        since_start_h
            Hours since the charger started.
        """
        left = rests.left(np.array([self.time_h]))[:, 0]
        share: Floats = 1.0 - (1.0 - left[run]) * np.exp(-since_start_h / self.time_h)
        return share


@dataclass(frozen=True, slots=True)
class Rests:
    """How long the charger ran and rested, by start; pieces of a long run share its start."""

    start: NDArray[np.intp]
    """Number of the start of each run, shape (runs,)."""
    length_h: Floats
    """Hours from each start to the end of its last run, shape (starts,)."""
    rest_h: Floats
    """Hours of rest before each start, infinity before the first."""

    @staticmethod
    def between(runs: Runs) -> Rests:
        """Return the rests between the runs of a log."""
        if len(runs) == 0:
            return Rests(np.empty(0, dtype=np.intp), np.empty(0), np.empty(0))
        opens = np.concatenate(([True], np.diff(runs.begun_s) != 0.0))
        start = (np.cumsum(opens) - 1).astype(np.intp)
        begun_s = runs.begun_s[opens]
        ended_s = runs.end_s[np.append(opens[1:], [True])]
        rest_s = np.maximum(begun_s[1:] - ended_s[:-1], 0.0)
        return Rests(
            start, (ended_s - begun_s) / 3600.0, np.concatenate(([np.inf], rest_s / 3600.0))
        )

    def left(self, time_h: Floats) -> Floats:
        """Return the share of the sag that is left at the start of each run.

        Parameters
        ----------
        time_h
            Time constants, shape (g,).

        Returns
        -------
        Shape (runs, g).
        """
        kept = np.exp(-self.rest_h / _RECOVERY_H)
        growth = np.exp(-self.length_h[:, None] / time_h)
        left = np.empty((len(kept), len(time_h)))
        at_end = np.zeros(len(time_h))
        for k in range(len(kept)):
            left[k] = at_end * kept[k]
            at_end = 1.0 - (1.0 - left[k]) * growth[k]
        return left[self.start]


def sag(pool: Cells, warm_h: float, rests: Rests) -> Sag:
    """Estimate the sag from cells of source-limited running after the warm-up.

    Parameters
    ----------
    pool
        Cells of power brought to the reference temperature.
    warm_h
        End of the warm-up, h since the start of the run.
    rests
        How long the charger rested before each run.
    """
    keep = (pool.since_start_h > warm_h) & (pool.since_start_h < _WITHIN_H)
    keep &= (pool.power_w > 0.0) & (pool.seconds > 60.0)
    keep[keep] = not_failing(pool.run[keep], pool.power_w[keep])
    run, t = pool.run[keep], pool.since_start_h[keep]
    if len(run) == 0:
        return Sag()
    longest = np.zeros(int(run.max()) + 1)
    np.maximum.at(longest, run, t)
    enough = longest[run] > warm_h + 1.5
    if enough.sum() < _FEWEST_CELLS:
        return Sag()
    group = np.unique(run[enough], return_inverse=True)[1]
    runs = int(group.max()) + 1
    y = np.log(pool.power_w[keep][enough])
    weights = np.minimum(pool.seconds[keep][enough], 1800.0)
    weights = weights / weights.mean()
    run, t = run[enough], t[enough]
    heat = heat_inside(pool.temperature_c[keep][enough], weights, group)
    # Cells far from their run's level get less weight: a heater or a bad lead made them.
    time_h = _TIME_H
    for _ in range(2):
        cool = y - heat @ _heat_alone(t, y, weights, group, heat, time_h)
        depth, time_h, rss = saturating(t, cool, weights, group)
        left = within_groups(cool + depth * np.expm1(-t / time_h), weights, group)
        spread = max(MAD_TO_SD * float(np.median(np.abs(left))), 1e-4)
        weights = weights / (1.0 + (left / (3.0 * spread)) ** 2)
        time_h = float(np.clip(time_h, TIMES_H[0], TIMES_H[-1]))
    # Cells of one run are not independent, so each run counts as one sample.
    noise = max(rss, 1e-12) / max(len(y) - runs - 2, 1) * len(y) / runs
    inside = RunCells(t, y, weights, group, heat)
    # With few starts, weather and state of charge do not average out.
    extra = _RUN_SD**2 / runs * (1.0 + 8.0 / runs)
    return weigh(inside, rests.left(TIMES_H)[run], noise, extra)


@dataclass(frozen=True, slots=True)
class RunCells:
    """Cells of the runs that show the sag; arrays of shape (n,), ``heat`` of shape (n, q)."""

    since_start_h: Floats
    log_power: Floats
    weight: Floats
    group: NDArray[np.intp]
    heat: Floats


def heat_inside(temperature_c: Floats, weights: Floats, group: NDArray[np.intp]) -> Floats:
    """Return the columns of heat inside runs, for a run warms its own compartment."""
    if np.isfinite(temperature_c).mean() <= 0.5:
        return np.empty((len(temperature_c), 0))
    columns = heat_columns(temperature_c)
    return np.column_stack([within_groups(column, weights, group) for column in columns.T])


def _heat_alone(
    t: Floats,
    y: Floats,
    weights: Floats,
    group: NDArray[np.intp],
    heat: Floats,
    time_h: float,
) -> Floats:
    """Return the effect of heat inside runs, fitted together with a sag of ``time_h``."""
    shape = within_groups(np.expm1(-t / time_h), weights, group)
    columns = np.column_stack((shape, heat))
    size = np.array([_DEPTH_SD, *HEAT_SIZE[: heat.shape[1]]])
    left = columns.T @ (columns * weights[:, None]) + np.diag(_USUAL_NOISE / size**2)
    effect = np.linalg.solve(left, columns.T @ (weights * within_groups(y, weights, group)))
    return np.asarray(effect[1:], dtype=float)


def weigh(cells: RunCells, left: Floats, noise: float, extra: float) -> Sag:
    """Combine the cells with the prior, averaging over the time constants.

    Parameters
    ----------
    cells
        The cells; the effect of heat inside runs is integrated out.
    left
        Share of the sag left at the start of each cell's run, by time constant, shape (n, g).
    noise
        Variance of a cell of weight one, as if each run were one cell.
    extra
        Floor of the variance of the depth from all runs together.
    """
    weights, group, heat = cells.weight, cells.group, cells.heat
    weighted = heat * weights[:, None]
    size = np.array(HEAT_SIZE[: heat.shape[1]])
    inverse = np.linalg.inv(heat.T @ weighted + np.diag(noise / size**2))
    centred = within_groups(cells.log_power, weights, group)
    pull = weighted.T @ centred
    whole = float((weights * centred) @ centred - pull @ inverse @ pull)
    depths, variances, badness = [], [], []
    for k, time_h in enumerate(TIMES_H):
        shape = (1.0 - left[:, k]) * np.expm1(-cells.since_start_h / time_h)
        shape = within_groups(shape, weights, group)
        cross = weighted.T @ shape
        seen = max(float((weights * shape) @ shape - cross @ inverse @ cross), 1e-12)
        depth = float((weights * centred) @ shape - cross @ inverse @ pull) / seen
        variance = noise / seen + extra
        total = variance + _DEPTH_SD**2
        depths.append((depth * _DEPTH_SD**2 + _DEPTH * variance) / total)
        variances.append(variance * _DEPTH_SD**2 / total)
        badness.append(
            (whole - depth**2 * seen) / noise
            + (depth - _DEPTH) ** 2 / total
            + math.log(total / variance)
            + (math.log(time_h / _TIME_H) / _TIME_LOG_SD) ** 2
        )
    share = np.exp(-0.5 * (np.array(badness) - min(badness)))
    share /= share.sum()
    middle = float(share @ depths)
    spread = float(share @ (np.array(variances) + (np.array(depths) - middle) ** 2))
    time_h = math.exp(float(share @ np.log(TIMES_H)))
    return Sag(float(np.clip(middle, 0.0, _LARGEST)), math.sqrt(spread), time_h)


def within_groups(values: Floats, weights: Floats, group: NDArray[np.intp]) -> Floats:
    """Subtract the weighted mean of each group; ``group`` counts up from zero."""
    groups = int(group[-1]) + 1
    mean = sums_by(group, weights * values, groups) / sums_by(group, weights, groups)
    return values - mean[group]


def saturating(
    t: Floats, y: Floats, weights: Floats, group: NDArray[np.intp] | None = None
) -> tuple[float, float, float]:
    """Fit ``y = depth (1 - exp(-t / time))`` by least squares, with a free level per group if any.

    The depth is linear and solved exactly for each time constant. The time constant is found on a
    grid and refined, so the fit needs no starting value (variable projection: Golub and Pereyra
    1973, SIAM J. Numer. Anal. 10:413-432).

    Parameters
    ----------
    t, y, weights
        Shapes (n,).
    group
        Group of each row, 0 to g - 1; each group has a level of its own. None: the level is zero.

    Returns
    -------
    depth, time, residual sum of squares
    """

    def within(values: Floats) -> Floats:
        return values if group is None else within_groups(values, weights, group)

    centred = within(y)
    wy = weights * centred

    def solve(log_time: float) -> tuple[float, float]:
        shape = within(-np.expm1(-t / math.exp(log_time)))
        norm = float((weights * shape) @ shape)
        depth = float(wy @ shape) / norm if norm > 0.0 else 0.0
        left = centred - depth * shape
        return depth, float((weights * left) @ left)

    span = float(t.max())
    grid = np.linspace(math.log(span / 30.0), math.log(span * 30.0), 41)
    rss = np.array([solve(g)[1] for g in grid])
    best = int(np.argmin(rss))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    log_time = minimise(lambda v: solve(v)[1], float(low), float(high))
    depth, residual = solve(log_time)
    return depth, math.exp(log_time), residual


def minimise(function: Callable[[float], float], low: float, high: float) -> float:
    """Minimise over an interval (golden section; then a parabola through the last points)."""
    ratio = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    fa, fb = function(a), function(b)
    while high - low > 1e-4:
        if fa < fb:
            high, b, fb = b, a, fa
            a = high - ratio * (high - low)
            fa = function(a)
        else:
            low, a, fa = a, b, fb
            b = low + ratio * (high - low)
            fb = function(b)
    # Closer than this the sum of squares no longer changes; its slope still does (central
    # differences).
    middle, h = 0.5 * (low + high), 1e-4
    for _ in range(3):
        left, here, right = function(middle - h), function(middle), function(middle + h)
        bend = left - 2.0 * here + right
        if bend <= 0.0:
            break
        middle += float(np.clip(0.5 * h * (left - right) / bend, -h, h))
    return middle


def not_failing(run: NDArray[np.intp], power: Floats) -> Flags:
    """Mark the cells whose power is at least ``_FAILING`` of their run's highest."""
    top = np.zeros(int(run.max()) + 1 if len(run) else 0)
    np.maximum.at(top, run, power)
    return power >= _FAILING * top[run]
