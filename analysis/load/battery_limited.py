"""Finds cells of the grid in which the battery, not the charger, sets the current.

These are cells at the charge ceiling and in float. Voltages are per nominal 12 V block.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.load.sources.held_voltage import HOUR, HOUR_2
from analysis.statistics.windows import reaching_back, since, window

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Below this share of its own power the charger does not set the current: sag and heat cost less
#: (judgement).
LIMITED = 0.93
#: A charging bank that is not nearly full stands below this, V (common practice, no source).
CHARGED_V = 13.2
#: Absorption is held above this, float below, V (common practice: 14.1 to 14.7 and 13.4 to 13.8 V;
#: no source).
FLOAT_BELOW_V = 13.9
#: In float the voltage stays within this for two hours, V: noise of a coarse meter (judgement).
FLOAT_SPREAD_V = 0.12
#: Where the voltmeter stands at the other end of the leads, the voltage moves with each load: by so
#: much where the whole usual current comes and goes, V: 3 % of 13.2 V (common practice for the drop
#: in charging leads, no source).
LEADS_V = 0.4
#: In float the current follows the loads, by at least this part of its usual size within two hours
#: (judgement).
FOLLOWS = 0.2
#: At the charge ceiling the voltage is within this of the highest of the fortnight, V: compensation
#: for temperature moves the ceiling by 0.1 V in that time (common practice, no source).
TOP_BAND_V = 0.25
#: Below this part of its usual current, at a constant voltage, the charger is in float (judgement).
#: Heat costs less than the rest.
LITTLE = 0.6
#: Number of cells over which the charger's own power counts as constant: a fortnight of 5 minutes
#: (our choice, wear is slower).
_BLOCK = 14 * 288
#: Least power of the charger over its best in the log: the default replacement limit.
_LEAST_LEFT = 0.6


def limited(volts: Floats, amps: Floats, running: Flags) -> Flags:
    """Mark cells of running with clearly less power than the charger gives in that fortnight.

    Heat lowers its power at any voltage, the battery only at the ceiling. So the voltage must be
    near its highest, or the power less than heat would leave.
    """
    power = volts * amps
    shown = running & np.isfinite(power)
    if not shown.any():
        return np.zeros(len(volts), dtype=bool)
    best = _LEAST_LEFT * float(np.percentile(power[shown], 95.0))
    usual, top = np.empty(len(power)), np.full(len(power), np.inf)
    for first in range(0, len(power), _BLOCK):
        part = slice(first, first + _BLOCK)
        chosen = shown[part]
        given = power[part][chosen]
        usual[part] = max(float(np.percentile(given, 95.0)), best) if len(given) else best
        if len(given):
            top[part] = np.percentile(volts[part][chosen], 98.0)
    charged = shown & (volts > CHARGED_V)
    near_top = (volts > top - TOP_BAND_V) & (power < LIMITED * usual)
    return np.asarray(charged & (near_top | (power < LITTLE * usual)))


def in_float(volts: Floats, amps: Floats, running: Flags) -> Flags:
    """Mark hours in which the charger itself holds a full bank at a constant voltage.

    The voltage stands still while the current follows the loads. Where another source holds the
    voltage, the charger goes on giving all it can: its current stands still, too.
    """
    shown = running & (volts > CHARGED_V) & (volts < FLOAT_BELOW_V)
    if not shown.any():
        return np.zeros(len(volts), dtype=bool)
    usual = float(np.percentile(amps[shown], 95.0))
    level = np.where(shown, volts, np.nan)
    moved = _swing(np.where(shown, amps, np.nan)) / usual
    # A load moves the voltage at the other end of the leads, and lowers it where it is more than
    # the charger gives. In each hour it comes back to where the charger holds it.
    still = _swing(level) <= FLOAT_SPREAD_V + LEADS_V * moved
    still &= _swing(window(level, 0, HOUR - 1, np.fmax)) <= FLOAT_SPREAD_V
    held = reaching_back(still, HOUR_2)
    # While it warms up, the current changes without any load.
    warm = running & (since(~running, np.arange(len(volts))) > HOUR)
    current = np.where(warm, amps, np.nan)
    swing = window(current, 0, HOUR_2, np.maximum) - window(current, 0, HOUR_2, np.minimum)
    follows = reaching_back(swing > FOLLOWS * usual, HOUR_2)
    little = amps < LITTLE * usual
    return np.asarray(held & (follows | little))


def _swing(values: Floats) -> Floats:
    """Return the range of the last two hours; NaN where a cell of them is."""
    most = window(values, 0, HOUR_2 - 1, np.maximum)
    return np.asarray(most - window(values, 0, HOUR_2 - 1, np.minimum))
