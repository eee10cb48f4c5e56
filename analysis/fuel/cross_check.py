"""Compares the rise of the fuel use with the loss of output.

The two do not confirm each other. Both follow the cell voltage, and both follow the current sensor:
a sensor that drifts by a part d multiplies the output by 1 + d and the fuel per kWh by 1/(1 + d),
just as a stack that gains d. If they agree, that proves nothing about the stack. If they do not
agree, containers were recorded wrongly, were not full, or held another fuel.

At fixed crossover, fuel per kWh goes as one over the cell voltage: a loss of 10 % costs 11.1 % more
fuel per kWh.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.physics import fuel_rise_for_output_loss

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.fuel.consumption import FuelUse
    from analysis.history.runs import Runs


def rise_of_use(use: FuelUse) -> tuple[float, float] | None:
    """Return the relative rise of L/kWh from the first to the last third of the containers.

    The second value is one standard deviation. None with fewer than four containers.
    """
    counted = use.counted
    if len(counted) < 4:
        return None
    third = max(len(counted) // 3, 1)
    log = np.log([c.l_per_kwh for c in counted])
    sd = np.array([c.sd for c in counted])
    rise = float(np.exp(log[-third:].mean() - log[:third].mean()) - 1.0)
    spread = float(np.sqrt((sd[-third:] ** 2).mean() + (sd[:third] ** 2).mean()) / np.sqrt(third))
    return rise, spread


def rise_of_output(runs: Runs, assessment: Assessment, use: FuelUse) -> float | None:
    """Return the rise that the loss of output explains over the same containers."""
    curve, counted = assessment.curve, use.counted
    if curve is None or len(counted) < 4:
        return None
    third = max(len(counted) // 3, 1)
    times = [
        np.mean([0.5 * (c.begin_s + c.end_s) for c in part])
        for part in (counted[:third], counted[-third:])
    ]
    hours = np.interp(times, runs.log.end_s, runs.hours.at_end_h)
    early, late = np.interp(hours, curve.runtime_h, curve.median)
    if early <= 0.0 or late <= 0.0:
        return None
    return 0.0 if late >= early else fuel_rise_for_output_loss(float(1.0 - late / early))
