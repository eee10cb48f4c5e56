"""The load by the battery's current: what flows out of the charger and not into the bank.

A grid has cells of five minutes. ``index`` is the day of each cell, ``count`` the number of days.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.load.sources.other_sources import STEP_S, Grid
from analysis.load.stretches import by_cell, charge_by_cell
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Hours of help from others that make a day not self-reliant; hours known that a day needs (our
#: choice).
HELP_H, KNOWN_H = 0.2, 18.0
#: Hours without help that tell the load of a day, where the battery's current is logged (judgement:
#: the sun gives more than a boat draws for eleven hours at most. On shore power a light load is
#: seen as help in half of the hours only).
_ALONE_H = 13.0
#: The battery's current must tell so much of the hours with help to tell their charge (our choice).
_MOST_SEEN = 0.9
#: Rounds in which levels of days and the pattern of their hours settle.
_ROUNDS = 5
#: A boat that seems to draw less than this part of her usual current is fed by something else (our
#: choice).
_NOTHING = 0.02


def boat_current(runs: Runs, grid: Grid) -> Floats | None:
    """Return charger's current less battery current in each cell, A; None without that channel.

    NaN where the battery's current was not told.
    """
    told = np.isfinite(runs.log.battery_charge_c)
    if runs.log.duration_s[told].sum() < 0.5 * runs.log.duration_s.sum():
        return None
    seen_s = 3600.0 * by_cell(runs, grid, np.where(told, runs.log.duration_s, 0.0))
    charge = charge_by_cell(runs, grid) - by_cell(runs, grid, runs.log.battery_charge_c)
    return np.where(seen_s > 0.9 * STEP_S, charge * 3600.0 / STEP_S, np.nan)


def fed_by_others(drawn: Floats, grid: Grid) -> Flags:
    """Mark where something else feeds the boat: for a quarter of an hour she seems to draw nothing.

    Then more flows into the battery than the charger gives. Where the battery's current is not
    told the voltage decides.
    """
    told = np.isfinite(drawn)
    least = _NOTHING * float(np.median(np.abs(drawn[told]))) if told.any() else 0.0
    total = np.concatenate(([0.0], np.cumsum(np.where(told, drawn, 0.0))))
    seen = np.concatenate(([0], np.cumsum(told)))
    at = np.arange(len(drawn))
    low, high = np.maximum(at - 1, 0), np.minimum(at + 2, len(drawn))
    mean = (total[high] - total[low]) / np.maximum(seen[high] - seen[low], 1)
    return np.where(told, mean < least, grid.aided)


def given_ah_by_others(drawn: Floats, grid: Grid, index: NDArray[np.intp], count: int) -> Floats:
    """Return what flowed into the bank beyond what the charger gave, Ah of each day.

    NaN where the battery's current tells less than nine tenths of the hours with help.
    """
    told = np.isfinite(drawn) & grid.aided
    surplus = np.where(told, np.maximum(-drawn, 0.0), 0.0)
    given = np.bincount(index, weights=surplus * (STEP_S / 3600.0), minlength=count)
    seen, helped = (
        np.bincount(index, weights=cells, minlength=count) for cells in (told, grid.aided)
    )
    return np.where(seen >= _MOST_SEEN * helped, given, np.nan)


def measured_ah(drawn: Floats, grid: Grid, index: NDArray[np.intp], count: int) -> Floats:
    """Return the load of each day from the battery's current, Ah; NaN where too little is told.

    Hours without a reading are filled from the mean of the same hour on other days. So are hours
    with help, by what the day's other hours draw beside theirs on other days.
    """
    kept, load, hour = _by_hour(drawn, grid)
    usual = np.bincount(hour[kept], weights=load[kept], minlength=24) / np.maximum(
        np.bincount(hour[kept], minlength=24), 1
    )
    filled = np.where(kept, load, usual[hour])
    per_h = STEP_S / 3600.0
    some = np.bincount(index, weights=grid.aided * per_h, minlength=count) > HELP_H
    beside = by_other_hours(load, kept, hour, index, count)
    filled = np.where(some[index] & ~kept, beside, filled)
    seen = np.bincount(index, weights=kept * (STEP_S / 3600.0), minlength=count)
    total = np.bincount(index, weights=filled, minlength=count)
    # The first and the last day of the log may be short of cells.
    cells = np.bincount(index, minlength=count)
    whole = cells * (STEP_S / 3600.0) > 23.0
    return np.where((seen >= np.where(some, _ALONE_H, KNOWN_H)) & whole, total, np.nan)


def _by_hour(drawn: Floats, grid: Grid) -> tuple[Flags, Floats, NDArray[np.intp]]:
    """Return which cells tell the load, what is drawn in these, Ah, and the hour of each cell."""
    kept = np.isfinite(drawn) & grid.known & ~grid.aided
    hour = (grid.local_s % DAY_S / 3600.0).astype(np.intp)
    return kept, np.where(kept, drawn, 0.0) * (STEP_S / 3600.0), hour


def pattern_of(drawn: Floats, grid: Grid, index: NDArray[np.intp], count: int) -> Floats | None:
    """Return the part of the load in each eighth of the day; heavy days weigh by what they draw."""
    kept, load, hour = _by_hour(drawn, grid)
    load = np.where(kept, load, by_other_hours(load, kept, hour, index, count))
    parts = np.maximum(np.bincount(hour // 3, weights=load, minlength=8), 0.0)
    return parts / parts.sum() if parts.sum() > 0.0 else None


def by_other_hours(
    load: Floats, kept: Flags, hour: NDArray[np.intp], index: NDArray[np.intp], count: int
) -> Floats:
    """Return what each cell draws by the level of its day and the pattern of the hours, Ah.

    The days that tell an hour may be the heavier ones, so levels and pattern are found in turn.
    """
    pattern, level = np.ones(24), np.ones(count)
    for _ in range(_ROUNDS):
        told = np.bincount(index[kept], weights=pattern[hour[kept]], minlength=count)
        given = np.bincount(index[kept], weights=load[kept], minlength=count)
        level = given / np.where(told > 0.0, told, np.inf)
        told = np.bincount(hour[kept], weights=level[index[kept]], minlength=24)
        given = np.bincount(hour[kept], weights=load[kept], minlength=24)
        pattern = np.where(told > 0.0, given / np.where(told > 0.0, told, np.inf), 1.0)
    return np.asarray(pattern[hour] * level[index], dtype=np.float64)
