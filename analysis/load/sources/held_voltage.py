"""Finds stretches in which another source holds the voltage of the battery, on a 5-minute grid.

The voltage of a bank rises while it is charged and falls while it is discharged. If it does neither
for longer than it can, another source holds it. Voltages are for a 12 V block.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.statistics.windows import ago, reaching_back, trailing_mean, window

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: One hour and two, cells.
HOUR, HOUR_2 = 12, 24
#: A lead-acid bank that is charged above this voltage rises, unless something holds it: the lowest
#: float voltage in use (2.23 V per cell, default of IEC/EN 62485-2 for free acid).
PINNED_V = 13.35
#: Hours of running for which a held voltage must stand still (judgement).
PINNED_H = 5
#: Range of a held voltage within an hour of rest, V: noise of a coarse meter (judgement).
HELD_SPREAD_V = 0.08
#: An LFP bank at rest above ``LEVEL_V`` (3.345 V per cell: nearly full) sinks under load, if only
#: by millivolts. If it stays within ``LEVEL_SPREAD_V`` for ``LEVEL_CELLS`` and sinks less than
#: ``LEVEL_SINKS_V``, something holds it (judgement).
LEVEL_V, LEVEL_CELLS, LEVEL_SPREAD_V, LEVEL_SINKS_V = 13.38, 72, 0.08, 0.001
#: From above ``HIGH_V`` a bank at rest falls at once, unless something holds it: the highest float
#: voltage in use (2.30 V per cell, AGM; common practice, no source). ``HIGH_CELLS`` within
#: ``HIGH_SPREAD_V`` show that it is held.
HIGH_V, HIGH_CELLS, HIGH_SPREAD_V = 13.8, 4, 0.10


def held(shown: Floats, above_v: float) -> Flags:
    """Mark hours of rest in which the voltage is high and does not fall.

    Surface charge falls fastest at first, and every load takes some of it. So a bank that stands
    still above its resting voltage ``above_v`` is held there, even directly after a run. ``shown``
    is the voltage at rest, NaN elsewhere.
    """
    return reaching_back(_still(shown, shown, HOUR, above_v, HELD_SPREAD_V), HOUR)


def held_high(lowest: Floats, highest: Floats) -> Flags:
    """Mark rest in which the voltage stands still above any float voltage, even for a short time.

    It takes the lowest and highest voltage of each record, NaN where not at rest, because a mean
    over a long record would hide the fall.
    """
    still = _still(lowest, highest, HIGH_CELLS, HIGH_V, HIGH_SPREAD_V)
    return reaching_back(still, HIGH_CELLS)


def level(shown: Floats) -> Flags:
    """Mark rest in which the voltage of a nearly full LFP bank stands still for hours.

    ``shown`` is the voltage at rest, NaN elsewhere.
    """
    if len(shown) < LEVEL_CELLS:
        return np.zeros(len(shown), dtype=bool)
    mean = trailing_mean(shown, HOUR_2)
    sunk = ago(mean, LEVEL_CELLS - HOUR_2) - mean
    still = _still(shown, shown, LEVEL_CELLS, LEVEL_V, LEVEL_SPREAD_V)
    return reaching_back(still & (sunk < LEVEL_SINKS_V), LEVEL_CELLS)


def reach_of_stillness(shown: Floats, cells: int, above_v: float, spread_v: float) -> Flags:
    """Mark every stretch of ``cells`` cells in which the voltage stands still above a value.

    ``shown`` is NaN in cells that do not count.
    """
    return reaching_back(_still(shown, shown, cells, above_v, spread_v), cells)


def _still(lowest: Floats, highest: Floats, cells: int, above_v: float, spread_v: float) -> Flags:
    """Mark where, over the last ``cells``, all voltages are above a value and within a spread."""
    low = window(lowest, 0, cells - 1, np.minimum)
    return (low > above_v) & (window(highest, 0, cells - 1, np.maximum) - low <= spread_v)


def pinned(v: Floats, running: Flags, top_v: float) -> Flags:
    """Mark stretches of running in which the voltage is high and does not move for hours.

    A bank that is charged well above its resting voltage rises. If the load takes all of the
    current, the bank sinks to its resting voltage. So a voltage that stands still there is held.
    """
    length = PINNED_H * HOUR
    if len(v) < length + HOUR:
        return np.zeros(len(v), dtype=bool)
    shown = np.where(running, v, np.nan)
    spread = window(shown, 0, length, np.maximum) - window(shown, 0, length, np.minimum)
    mean = trailing_mean(v, HOUR)
    before = ago(mean, length - HOUR)
    still = (spread <= 0.06) & (np.abs(mean - before) <= 0.006) & (before > PINNED_V)
    return reaching_back(still & (mean < top_v - 0.15), length)


def usual_top(v: Floats, running: Flags) -> float:
    """Return the voltage per block at which runs usually end: the charge ceiling if reached, V."""
    return float(np.nanpercentile(v[running], 98.0)) if running.any() else 14.2
