"""Needs of a boat whose days are given: for tests of sizing and fuel."""

import numpy as np

from analysis.load.bank import PARTS, Bank, Days, live
from analysis.sizing.result import Need
from analysis.sizing.size import supply_wh


def need_of(loads, days=365.25, capacity_ah=300.0):
    """Days of such loads, Ah, on a lead-acid bank at 0.85."""
    loads = np.asarray(loads, dtype=float)
    lived = live(
        Days(loads[None, :], np.zeros(len(loads), dtype=bool), np.zeros(len(loads)),
             np.full(PARTS, 1.0 / PARTS), 0.0),
        Bank(capacity_ah, 0.0, "agm", 1, 60.0),
    )  # fmt: skip
    return Need(supply_wh(loads, 0.85, 1), lived, float(loads.mean()), 1, days, "agm")
