"""Finds from the data how long warming up takes, and how much a run loses that a rest brings back.

Both are seen inside runs: power over time since the start, each run against its own level, so
that neither wear nor weather between runs enters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.limits import HEAT, SOURCE

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.limits import Stretches

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Edges of the cells of time since the start, h: fine where warming up happens.
EDGES_H = (
    np.concatenate(
        (
            np.arange(0.0, 22.0, 2.0),
            np.arange(22.0, 32.0, 3.0),
            [
                35.0,
                40.0,
                45.0,
                50.0,
                55.0,
                60.0,
                70.0,
                80.0,
                90.0,
                105.0,
                120.0,
                150.0,
                180.0,
                240.0,
            ],
            [300.0, 360.0, 480.0, 600.0, 720.0, 960.0, 1440.0, 2880.0],
        )
    )
    / 60.0
)
#: Warm is what gives at least this part of the level that follows.
_WARM = 0.995
#: Taken where the log does not show a warm-up, h. Source: 15 to 30 minutes after starting are to
#: be ignored (common practice, no source).
DEFAULT_WARM_H = 0.5
_LONGEST_WARM_H = 1.5
#: The sag before looking: a few per cent, as rests bring back in published stack tests (common
#: practice, no source for the numbers). Without it, a battery that tapers early passes for sag.
_SAG_PRIOR, _SAG_PRIOR_SD = 0.02, 0.03
#: More than this within a run is taken for something else (common practice, no source).
_LARGEST_SAG = 0.08
#: Later than this in a run, wear and weather say more than sag, h.
_SAG_WITHIN_H = 24.0
#: A cell below this part of its run's usual power is no sag: the fuel ran out, or another source
#: held the battery up.
_FAILING = 0.75
_FEWEST_RUNS = 5


@dataclass(frozen=True, slots=True)
class Cells:
    """Means over cells of run and time since start; arrays of shape (c,), only filled cells."""

    run: NDArray[np.intp]
    bin: NDArray[np.intp]
    since_start_h: Floats
    seconds: Floats
    power_w: Floats
    temperature_c: Floats


@dataclass(frozen=True, slots=True)
class Sag:
    """Loss inside a run: ``depth`` of the settled output goes with time constant ``time_h``.

    Every rest is taken to bring all of it back: how fast it recovers is not estimated.
    """

    depth: float = 0.0
    depth_se: float = 0.0
    time_h: float = 6.0


def cells(found: Stretches, use: Flags) -> Cells:
    """Average the power of the intervals in ``use`` over cells of run and time since start."""
    run, power = found.run[use], found.power_w[use]
    seconds, since = found.duration_s[use], found.since_start_h[use]
    which = np.clip(np.searchsorted(EDGES_H, since, side="right") - 1, 0, len(EDGES_H) - 2)
    width = len(EDGES_H) - 1
    key = run * width + which
    order = np.argsort(key, kind="stable")
    key = key[order]
    opens = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1]))) if len(key) else key
    if len(key) == 0:
        none = np.empty(0)
        return Cells(run, which, none, none, none, none)

    def add(values: Floats) -> Floats:
        return np.add.reduceat(values[order], opens)

    total = add(seconds)
    heat = found.temperature_c[use]
    told = np.where(np.isfinite(heat), seconds, 0.0)
    heat_seconds = add(told)
    with np.errstate(invalid="ignore", divide="ignore"):
        warmth = add(np.nan_to_num(heat) * told) / heat_seconds
    keys = key[opens]
    return Cells(
        keys // width,
        keys % width,
        add(since * seconds) / total,
        total,
        add(power * seconds) / total,
        warmth,
    )


def warm_up_h(found: Stretches, runs: int) -> tuple[float, bool]:
    """Find how long after the start a run gives what it can.

    Returns
    -------
    hours, found
        Hours since the start of the run; ``found`` is False where too few runs show it.
    """
    pool = cells(found, (found.code == SOURCE) | (found.code == HEAT))
    settled = (pool.since_start_h > 0.75) & (pool.since_start_h < 3.0)
    seconds = np.bincount(pool.run[settled], weights=pool.seconds[settled], minlength=runs)
    energy = np.bincount(
        pool.run[settled], weights=(pool.seconds * pool.power_w)[settled], minlength=runs
    )
    have = seconds > 900.0
    if have.sum() < _FEWEST_RUNS:
        return DEFAULT_WARM_H, False
    level = np.divide(energy, seconds, out=np.full(runs, np.nan), where=have)
    ratio = pool.power_w / level[pool.run]
    last = int(np.searchsorted(EDGES_H, _LONGEST_WARM_H))
    profile = np.full(last, np.nan)
    for b in range(last):
        of_bin = ratio[(pool.bin == b) & np.isfinite(ratio)]
        if len(of_bin) >= _FEWEST_RUNS:
            # The slower half of the runs must be warm as well.
            profile[b] = np.quantile(of_bin, 0.35)
    known = np.flatnonzero(np.isfinite(profile))
    if len(known) < 3:
        return DEFAULT_WARM_H, False
    top = float(np.max(np.convolve(profile[known], np.ones(3) / 3.0, mode="valid")))
    cold = known[profile[known] < _WARM * top]
    cold = cold[cold < known[np.argmax(profile[known] >= _WARM * top)]] if len(cold) else cold
    edge = EDGES_H[(cold[-1] + 1) if len(cold) else known[0]]
    # One cell more: the approach to the level is gradual.
    further = EDGES_H[min(np.searchsorted(EDGES_H, edge, side="right"), len(EDGES_H) - 1)]
    return float(min(max(further, 0.1), _LONGEST_WARM_H)), True


def saturating(
    t: Floats, y: Floats, weights: Floats, group: NDArray[np.intp] | None = None
) -> tuple[float, float, float]:
    """Fit ``y = depth (1 - exp(-t / time))`` by least squares, with a free level per group if any.

    The depth is linear and solved exactly for each time constant; the time constant is found on a
    grid and refined, so no start has to be guessed (variable projection: Golub and Pereyra 1973,
    SIAM J. Numer. Anal. 10:413-432).

    Parameters
    ----------
    t, y, weights
        Shapes (n,).
    group
        Group of each row, 0 to g - 1: each has its own level, which is taken out; None: level zero.

    Returns
    -------
    depth, time, residual sum of squares
    """
    total = None if group is None else np.bincount(group, weights=weights)

    def within(values: Floats) -> Floats:
        if group is None or total is None:
            return values
        return values - (np.bincount(group, weights=weights * values) / total)[group]

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
    log_time = _minimise(lambda v: solve(v)[1], float(low), float(high))
    depth, residual = solve(log_time)
    return depth, math.exp(log_time), residual


def _minimise(function: Callable[[float], float], low: float, high: float) -> float:
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
    # Below this the sum of squares no longer resolves: its slope does (central differences).
    middle, h = 0.5 * (low + high), 1e-4
    for _ in range(3):
        left, here, right = function(middle - h), function(middle), function(middle + h)
        bend = left - 2.0 * here + right
        if bend <= 0.0:
            break
        middle += float(np.clip(0.5 * h * (left - right) / bend, -h, h))
    return middle


def sag(pool: Cells, warm_h: float) -> Sag:
    """Estimate the sag from cells of source-limited running after the warm-up.

    Parameters
    ----------
    pool
        Cells of power brought to the reference temperature.
    warm_h
        End of the warm-up, h since the start of the run.
    """
    keep = (pool.since_start_h > warm_h) & (pool.since_start_h < _SAG_WITHIN_H)
    keep &= (pool.power_w > 0.0) & (pool.seconds > 60.0)
    keep[keep] = _not_failing(pool.run[keep], pool.power_w[keep])
    run, t = pool.run[keep], pool.since_start_h[keep]
    if keep.sum() < 10:
        return Sag()
    longest = np.zeros(int(run.max()) + 1)
    np.maximum.at(longest, run, t)
    enough = longest[run] > warm_h + 1.5
    if len(np.unique(run[enough])) < _FEWEST_RUNS:
        return Sag()
    group = np.unique(run[enough], return_inverse=True)[1]
    y = np.log(pool.power_w[keep][enough])
    weights = np.minimum(pool.seconds[keep][enough], 1800.0)
    weights = weights / weights.mean()
    t = t[enough]
    # Robust: cells far from their run's level say something else (a heater, a bad lead).
    for _ in range(2):
        depth, time_h, rss = saturating(t, y, weights, group)
        time_h = float(np.clip(time_h, 0.5, 48.0))
        level = np.bincount(group, weights=weights * y) / np.bincount(group, weights=weights)
        shape = -np.expm1(-t / time_h)
        shape -= (np.bincount(group, weights=weights * shape) / np.bincount(group, weights))[group]
        left = y - level[group] - depth * shape
        spread = max(1.4826 * float(np.median(np.abs(left))), 1e-4)
        weights = weights / (1.0 + (left / (3.0 * spread)) ** 2)
    degrees = max(len(y) - int(group.max()) - 3, 1)
    norm = float((weights * shape) @ shape)
    # Cells of one run are not independent: count runs rather than cells.
    inflation = len(y) / (int(group.max()) + 1)
    error = math.sqrt(max(rss, 1e-12) / degrees / max(norm, 1e-9) * inflation)
    # The estimate and what was to be expected, weighed by their precision.
    seen, expected = error**-2, _SAG_PRIOR_SD**-2
    middle = (-depth * seen + _SAG_PRIOR * expected) / (seen + expected)
    return Sag(float(np.clip(middle, 0.0, _LARGEST_SAG)), (seen + expected) ** -0.5, time_h)


def _not_failing(run: NDArray[np.intp], power: Floats) -> Flags:
    """Mark the cells whose power is near the upper power of their run."""
    top = np.zeros(int(run.max()) + 1 if len(run) else 0)
    np.maximum.at(top, run, power)
    return power >= _FAILING * top[run]
