"""The power that a charger must give to carry this boat's load with its bank, with its error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.load.bank import PARTS, Bank, Carried, Days, live
from analysis.load.usual_bank import CAPACITY_SD, USUAL_DAYS
from analysis.physics import blocks_in_series
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.result import LoadResult

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LoadLimit:
    """Least output with which the bank is short on no more than one day in twenty."""

    power_w: float
    relative_sd: float
    """Standard deviation of its logarithm."""


def limit_of(lived: Carried) -> LoadLimit:
    """Return the limit from the simulation of a bank."""
    log = np.log(lived.limit_w())
    return LoadLimit(float(np.exp(np.median(log))), float(log.std()))


def carried(found: LoadResult) -> Carried | None:
    """Simulate the bank over the boat's own days; None where the load is not known."""
    if found.ah_p95 is None or found.voltage_v is None or found.bank is None:
        return None
    blocks = blocks_in_series(found.voltage_v)
    mean_ah = float(found.daily_ah.mean())
    label = found.bank.capacity_ah
    bank = Bank(
        capacity_ah=label or USUAL_DAYS * mean_ah,
        capacity_sd=0.0 if label else CAPACITY_SD,
        chemistry=found.bank.chemistry,
        blocks=blocks,
        start_ah=found.start_ah,
    )
    return live(_days(found), bank)


def _days(found: LoadResult) -> Days:
    """Order the days; a day without a known load gets that of the nearest known one."""
    known = np.round(found.daily_s / DAY_S).astype(np.intp)
    helped = np.round(found.other_s / DAY_S).astype(np.intp)
    silent = set(np.round(found.gap_s / DAY_S).astype(int).tolist())
    first, last = int(known[0]), int(known[-1])
    day = np.array([d for d in range(first, last + 1) if d not in silent], dtype=np.intp)
    after = np.clip(np.searchsorted(known, day), 0, len(known) - 1)
    before = np.clip(after - 1, 0, None)
    nearest = np.where(day - known[before] < known[after] - day, before, after)
    help_h = np.zeros(len(day))
    inside = np.isin(helped, day)
    help_h[np.searchsorted(day, helped[inside])] = found.help_h[inside]
    pattern = np.full(PARTS, 1.0 / PARTS)
    if found.pattern is not None:
        pattern = found.pattern.reshape(PARTS, -1).sum(axis=1)
    return Days(
        load_ah=found.draw_ah[:, nearest],
        gap=np.diff(day, prepend=day[0]) > 1,
        help_h=help_h,
        pattern=pattern,
        # What the days' own draws spread is in them; the rest moves all alike.
        relative_sd=found.relative_sd,
    )
