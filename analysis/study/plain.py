"""Three plain methods that people use today, as a yardstick for the estimator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.durations import DAY_S

if TYPE_CHECKING:
    from analysis.history.runs import Runs

#: Plain methods use this many last running hours.
_LAST_H = 200.0
#: A month of the calendar is about 30 days.
_MONTH_S = 30.0 * DAY_S


def mean_while_running(runs: Runs, rated_w: float) -> float:
    """Return the mean power of the last hours of running, fraction of rated."""
    running = runs.running & np.isfinite(runs.power_w)
    hours = runs.hours.at_end_h
    recent = running & (hours > hours[-1] - _LAST_H) if len(hours) else running
    seconds = runs.log.duration_s[recent].sum()
    if seconds <= 0.0:
        return float("nan")
    energy = (runs.power_w * runs.log.duration_s)[recent].sum()
    return float(energy / seconds / rated_w)


def upper_percentile(runs: Runs, rated_w: float) -> float:
    """Return the 95th percentile of power in the last month with running, fraction of rated."""
    running = np.flatnonzero(runs.running & np.isfinite(runs.power_w))
    if len(running) == 0:
        return float("nan")
    last_s = runs.log.end_s[running[-1]]
    month = running[runs.log.start_s[running] > last_s - _MONTH_S]
    return float(np.quantile(runs.power_w[month], 0.95)) / rated_w


def straight_line(runs: Runs, rated_w: float, limit: float) -> tuple[float, float]:
    """Fit a straight line through the mean power of all runs over running hours.

    Returns
    -------
    output now, remaining hours
        Fraction of rated, and hours until the line meets ``limit`` (infinite if it does not fall).
    """
    hours = (runs.end_s - runs.start_s) / 3600.0
    use = hours > 0.5
    if use.sum() < 3:
        return float("nan"), float("nan")
    power = runs.total(runs.log.energy_j)[use] / (3600.0 * hours[use]) / rated_w
    at_h = runs.hours.at_end_h[runs.last[use]]
    if np.ptp(at_h) <= 0.0:
        return float("nan"), float("nan")
    slope, level = np.polyfit(at_h, power, 1)
    now_h = float(runs.hours.at_end_h[-1])
    output = float(level + slope * now_h)
    if slope >= 0.0:
        return output, float("inf")
    return output, max(0.0, (output - limit) / -float(slope))
