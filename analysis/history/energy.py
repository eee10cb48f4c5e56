"""The energy that a charger delivered up to a time, and draws of its energy on days to come."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.history.use import YEAR_OF_USE_D
from analysis.physics import J_PER_KWH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]

#: Days are drawn in stretches of this length: weather and kinds of use last a week or two (common
#: practice, no source).
STRETCH_D = 14
#: Most days by which this year's season may be earlier or later than last year's (judgement, no
#: source).
SHIFT_D = 14
#: Number of draws: the 5 % quantile of 2000 draws rests on 100 of them.
DRAWS = 2000


def energy_before(runs: Runs, time_s: Floats) -> Floats:
    """Return the energy delivered in the log up to times, kWh."""
    log = runs.log
    total = np.concatenate(([0.0], np.cumsum(runs.delivered_j))) / J_PER_KWH
    knots = np.column_stack((log.start_s, np.maximum.accumulate(log.end_s))).ravel()
    values = np.column_stack((total[:-1], total[1:])).ravel()
    return np.interp(time_s, np.maximum.accumulate(knots), values)


def days_to_come(daily: Floats, length: int, rng: np.random.Generator) -> Floats:
    """Draw days to come, shape (draws, length), as stretches of past days (block bootstrap)."""
    stretches = -(-length // STRETCH_D)
    begin = rng.integers(0, len(daily), (DRAWS, stretches))
    index = (begin[:, :, None] + np.arange(STRETCH_D)) % len(daily)
    return np.asarray(daily[index.reshape(DRAWS, -1)[:, :length]], dtype=np.float64)


def with_season(future: Floats, calendar: Floats, rng: np.random.Generator) -> Floats:
    """Let half of the draws follow the same season of last year, if the log holds it.

    The last weeks do not show that the boat is about to be laid up; last year does.
    """
    if len(calendar) < YEAR_OF_USE_D + SHIFT_D:
        return future
    mixed = future.copy()
    length = future.shape[1]
    for row in range(0, len(future), 2):
        begin = len(calendar) - YEAR_OF_USE_D + int(rng.integers(-SHIFT_D, SHIFT_D + 1))
        known = calendar[begin : begin + length]
        mixed[row, : len(known)] = np.where(np.isfinite(known), known, future[row, : len(known)])
    return mixed
