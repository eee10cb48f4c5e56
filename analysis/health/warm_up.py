"""Finds from the data how long warming up takes.

It compares the power of each run over time since its start with the run's own later level, so wear
and weather between runs do not enter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.health.limiter import HEAT, SOURCE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.limiter import Stretches

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Edges of the cells of time since the start, h: two minutes wide where warming up happens, hours
#: wide later.
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
#: A charger is warm when it gives at least this part of its later level: the rest is within the
#: scatter of a run (judgement, no source).
_WARM = 0.995
#: Warm-up assumed where the log does not show one, h: ignore 15 to 30 minutes after starting
#: (common practice, no source).
DEFAULT_WARM_H = 0.5
#: Longest warm-up that is looked for, h: three times the usual one (common practice, no source).
_LONGEST_WARM_H = 1.5
#: If the charger is warm in a first cell that begins this early, it has no warm-up, h (our
#: choice, three cells).
_EARLY_ENOUGH_H = 0.1
#: Fewest runs, and least share of the runs, that a cell of the profile needs (judgement, no
#: source).
_FEWEST_RUNS = 5
_SHARE_OF_RUNS = 0.25


@dataclass(frozen=True, slots=True)
class Cells:
    """Means over cells of run and time since start; arrays of shape (c,), only filled cells."""

    run: NDArray[np.intp]
    bin: NDArray[np.intp]
    since_start_h: Floats
    seconds: Floats
    power_w: Floats
    temperature_c: Floats


def cells(found: Stretches, use: Flags) -> Cells:
    """Average the power of the intervals in ``use`` over cells of run and time since start."""
    run, power = found.run[use], found.power_w[use]
    seconds, since = found.duration_s[use], found.since_start_h[use]
    which = np.searchsorted(EDGES_H, since, side="right") - 1
    np.clip(which, 0, len(EDGES_H) - 2, out=which)
    width = len(EDGES_H) - 1
    key = run * width
    key += which
    del run, which
    # Runs follow one another in time, so that the cells nearly always are in order already.
    order = None
    if (key[1:] < key[:-1]).any():
        order = np.argsort(key, kind="stable")
        key = key[order]
    opens = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1]))) if len(key) else key
    if len(key) == 0:
        none = np.empty(0)
        return Cells(key, key, none, none, none, none)

    def add(values: Floats) -> Floats:
        return np.add.reduceat(values if order is None else values[order], opens)

    total = add(seconds)
    keys = key[opens]
    since *= seconds
    power *= seconds
    heat = found.temperature_c[use]
    seconds[~np.isfinite(heat)] = 0.0
    heat_seconds = add(seconds)
    np.nan_to_num(heat, copy=False)
    heat *= seconds
    with np.errstate(invalid="ignore", divide="ignore"):
        warmth = add(heat) / heat_seconds
    return Cells(keys // width, keys % width, add(since) / total, total, add(power) / total, warmth)


def warm_up_h(found: Stretches, runs: int) -> tuple[float, bool]:
    """Find how long after the start a run is warm.

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
    with np.errstate(invalid="ignore", divide="ignore"):  # runs of no power tell nothing
        ratio = pool.power_w / level[pool.run]
    last = int(np.searchsorted(EDGES_H, _LONGEST_WARM_H))
    profile = np.full(last, np.nan)
    for b in range(last):
        of_bin = ratio[(pool.bin == b) & np.isfinite(ratio)]
        # Too few runs are no profile: a run whose start fell into a gap of the log is warm at once.
        if len(of_bin) >= max(_FEWEST_RUNS, _SHARE_OF_RUNS * have.sum()):
            # A quantile below the median, so that the slower runs must be warm as well.
            profile[b] = np.quantile(of_bin, 0.35)
    known = np.flatnonzero(np.isfinite(profile))
    if len(known) < 3:
        return DEFAULT_WARM_H, False
    top = float(np.max(np.convolve(profile[known], np.ones(3) / 3.0, mode="valid")))
    cold = known[profile[known] < _WARM * top]
    cold = cold[cold < known[np.argmax(profile[known] >= _WARM * top)]] if len(cold) else cold
    if len(cold) == 0 and EDGES_H[known[0]] > _EARLY_ENOUGH_H:
        return DEFAULT_WARM_H, False  # the log shows only the time after the warm-up
    edge = EDGES_H[(cold[-1] + 1) if len(cold) else known[0]]
    # Add one cell, because the approach to the level is gradual.
    further = EDGES_H[min(np.searchsorted(EDGES_H, edge, side="right"), len(EDGES_H) - 1)]
    return float(min(max(further, 0.1), _LONGEST_WARM_H)), True
