"""Stretches in which something holds the voltage of the battery, on a grid of five minutes.

A bank that is charged rises and one that is drawn from falls. Where it does neither for longer
than it can, another source holds it. Voltages are for a 12 V block.
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
#: A lead-acid bank charged above this rises, unless something holds it: the lowest float voltage
#: in use (2.23 V per cell, default of IEC/EN 62485-2 for free acid).
PINNED_V = 13.35
#: Hours of running for which a voltage must stand still to be held.
PINNED_H = 5
#: Within an hour of rest a held voltage stays within this, V: noise and a coarse meter.
HELD_SPREAD_V = 0.08
#: An LFP bank at rest above this (3.345 V per cell: nearly full) sinks as it is drawn from, if only
#: by millivolts; for this time (cells) within this spread, and not sinking by this, V, it is held.
LEVEL_V, LEVEL_CELLS, LEVEL_SPREAD_V, LEVEL_SINKS_V = 13.38, 72, 0.08, 0.001
#: The highest float voltage in use (2.30 V per cell, AGM; common practice, no source), V: at rest a
#: bank falls from above it at once, unless it is held; even a short while (cells) within this
#: spread (V) shows that.
HIGH_V, HIGH_CELLS, HIGH_SPREAD_V = 13.8, 4, 0.10


def held(shown: Floats, above_v: float) -> Flags:
    """Mark hours of rest in which the voltage is high and does not fall.

    Surface charge falls fastest at first, and every load takes of it: a bank that stands still
    above its resting voltage ``above_v`` is held there, from the very stop of the charger on.
    ``shown`` is the voltage at rest, NaN elsewhere.
    """
    return reaching_back(_still(shown, shown, HOUR, above_v, HELD_SPREAD_V), HOUR)


def held_high(lowest: Floats, highest: Floats) -> Flags:
    """Mark rest in which the voltage stands above any float voltage, however short.

    The lowest and highest voltage of each record are looked at, NaN where not at rest: a mean over
    a long record would hide the fall.
    """
    still = _still(lowest, highest, HIGH_CELLS, HIGH_V, HIGH_SPREAD_V)
    return reaching_back(still, HIGH_CELLS)


def level(shown: Floats) -> Flags:
    """Mark rest in which an LFP bank stands still for hours where only a nearly full one stands.

    ``shown`` is the voltage at rest, NaN elsewhere.
    """
    if len(shown) < LEVEL_CELLS:
        return np.zeros(len(shown), dtype=bool)
    mean = trailing_mean(shown, HOUR_2)
    sunk = ago(mean, LEVEL_CELLS - HOUR_2) - mean
    still = _still(shown, shown, LEVEL_CELLS, LEVEL_V, LEVEL_SPREAD_V)
    return reaching_back(still & (sunk < LEVEL_SINKS_V), LEVEL_CELLS)


def reach_of_stillness(shown: Floats, cells: int, above_v: float, spread_v: float) -> Flags:
    """Mark every stretch of so many cells in which the voltage, NaN elsewhere, stands still."""
    return reaching_back(_still(shown, shown, cells, above_v, spread_v), cells)


def _still(lowest: Floats, highest: Floats, cells: int, above_v: float, spread_v: float) -> Flags:
    """Mark where, over so many cells, all voltages lay above one and no farther apart than that."""
    low = window(lowest, 0, cells - 1, np.minimum)
    return (low > above_v) & (window(highest, 0, cells - 1, np.maximum) - low <= spread_v)


def pinned(v: Floats, running: Flags, top_v: float) -> Flags:
    """Mark stretches of running in which the voltage is high and does not move for hours.

    A bank that is being charged well above its resting voltage rises; one whose load takes all
    the charger gives sinks to its resting voltage. Only something that holds the voltage keeps it
    still.
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
    """Voltage per block that runs usually end at: the charge ceiling, where one is reached."""
    return float(np.nanpercentile(v[running], 98.0)) if running.any() else 14.2
