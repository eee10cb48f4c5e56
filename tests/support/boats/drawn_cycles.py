"""A boat whose charger runs the same six hours each day: all of her balance is known by eye."""

from dataclasses import replace

import numpy as np

from analysis.history.runs import find_runs
from analysis.load.sources.other_sources import make_grid
from tests.support.boats.plain_log import RATED_W, RUNNING, STANDBY, log


def boat(days=12, full_v=14.2, start_v=12.3):
    """Return runs and grid: each day six hours of running from 12.3 V up to 14.2 V, 8 A."""
    # Eighteen hours of rest in ten minutes each; the log ends with a rest.
    plain = log(runs=days + 1, run_h=6.0, rest=108)
    plain = plain.select(np.arange(len(plain) - 36))
    inside = plain.energy_j > 0.0
    place = np.cumsum(inside) - 1
    volts = np.full(len(inside), start_v)
    volts[inside] = 13.0 + (full_v - 13.0) * (place[inside] % 36) / 35.0
    current = np.where(inside, 8.0, 0.0)
    history = replace(
        plain, state=np.where(inside, RUNNING, STANDBY).astype(np.int8),
        charge_c=current * 600.0, energy_j=current * volts * 600.0, voltage_mean_v=volts,
        voltage_min_v=volts, voltage_max_v=volts, voltage_last_v=volts,
    )  # fmt: skip
    runs = find_runs(history, RATED_W)
    return runs, make_grid(runs, "agm", 14.4)
