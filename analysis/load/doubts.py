"""Finds reasons to doubt a load beyond its interval.

They are solar, a bank that is kept nearly full, and many days that seem to have another source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.load.held_voltage import HOUR, HOUR_2
from analysis.load.other_sources import LEAD, start_rise
from analysis.statistics.windows import since, window
from logger.durations import DAY_S

if TYPE_CHECKING:
    from analysis.load.charge_kept import Kept
    from analysis.load.other_sources import Grid

#: Rise of a bank at rest in three hours that shows another source: this much, V, and this part of
#: the rise at a start of the charger. Loads switched off lift it less (judgement).
LIFT_V, LIFT_PART = 0.08, 0.25
#: Solar is assumed if such rises come on this many days, on this part of the days with hours of
#: rest, and at one time of day (length of the mean of the hours as directions: 1 where all are the
#: same; judgement).
SUN_DAYS, SUN_PART, SUN_ALIKE = 10, 0.2, 0.6
#: Relative standard deviation of the mean load from an unseen source by day (judgement).
SUN_SD = 0.2
#: From this standard deviation on, a doubt about the share of charge kept is stated (judgement).
KEPT_SD = 0.10
#: So many days, and this part of all, that seem to have a source that nobody named are worth a word
#: (judgement).
MANY_DAYS, MANY_PART = 7, 0.25


def sun(grid: Grid) -> bool:
    """Tell whether something lifts the bank at rest on many days at one time of day."""
    at_rest = grid.known & ~grid.running
    rested = at_rest & (since(grid.running, np.arange(len(grid.volts))) > HOUR_2)
    shown = np.where(rested, grid.volts, np.nan)
    low = window(shown, 0, 3 * HOUR, np.fmin)
    least = max(LIFT_V, LIFT_PART * start_rise(grid.volts, grid.running))
    lifted = rested & (grid.volts - low > least) & (grid.volts < LEAD.held_v + 1.5)
    day = np.floor(grid.local_s / DAY_S).astype(np.intp)
    rest_days = np.flatnonzero(np.bincount(day - day[0], weights=rested) >= 6 * HOUR)
    days, first = np.unique(day[lifted], return_index=True)
    if len(days) < max(SUN_DAYS, SUN_PART * len(rest_days)):
        return False
    angle = 2.0 * np.pi * (grid.local_s[lifted][first] % DAY_S) / DAY_S
    return bool(abs(np.exp(1j * angle).mean()) > SUN_ALIKE)


def doubts(kept: Kept, *, sunny: bool) -> tuple[str, ...]:
    """Return the doubts about the load, as sentences."""
    said = []
    if kept.load_sd > KEPT_SD:
        said.append(
            f"Much of the charge goes into a bank that is nearly full; the log does not show how "
            f"much of that the bank keeps. Of the charge below the charge ceiling it keeps "
            f"{100 * kept.low:.0f} to {100 * kept.high:.0f} %. Log the battery current, or set "
            f"charge_efficiency."
        )
    if sunny:
        said.append(
            "By day the voltage rises at rest, so solar probably charges as well; how much is not "
            "known. The figure is roughly the load that the charger meets. Log the battery "
            "current."
        )
    return tuple(said)


def unnamed_source(days: int, of_days: int) -> tuple[str, ...]:
    """Return a sentence on days left out for a source that the configuration does not name.

    The voltage alone cannot tell a source from a large load that goes off beside a worn bank.
    """
    if days < max(MANY_DAYS, MANY_PART * of_days):
        return ()
    said = (
        f"On {days} of {of_days} days the voltage rose as if something else charged (shore power, "
        "engine, solar), so they are left out. If something did, name it in [[other_sources]]. If "
        "nothing did, large loads went off beside a worn or nearly full bank: log the battery "
        "current (battery_current_a), which shows who charges."
    )
    return (said,)
