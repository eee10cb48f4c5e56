"""The power that a charger must give to carry this boat's load with its bank, with its error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90
from analysis.load.bank import PARTS, Bank, Carried, Days, live
from analysis.load.doubts import ALL_DAY_H, ENGINE_H
from analysis.load.usual_bank import CAPACITY_SD, USUAL_DAYS
from analysis.physics import blocks_in_series
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.result import LoadResult

    Floats = NDArray[np.float64]

#: So many days on end with help all day are a boat that is laid up on shore power (judgement).
LAID_UP_D = 14
#: Where no cycle from full to a start is seen, a capacity that is not configured is so much less
#: known (judgement).
NO_CYCLES = 2.0
#: Relative scatter of the loads of days with an engine (judgement).
ENGINE_SCATTER = 0.3
_SEED = 20261130


@dataclass(frozen=True, slots=True)
class LoadLimit:
    """Least output with which the bank is short on no more than one day in twenty."""

    power_w: float
    relative_sd: float
    """Standard deviation of its logarithm, from the interval that holds 90 % of the draws."""


def limit_of(lived: Carried) -> LoadLimit:
    """Return the limit from the simulation of a bank."""
    low, middle, high = np.percentile(np.log(lived.limit_w()), [5.0, 50.0, 95.0])
    # From the ends of 90 %: some draws that no output carries would set the width of all.
    return LoadLimit(float(np.exp(middle)), float((high - low) / (2.0 * Z90)))


def carried(found: LoadResult) -> Carried | None:
    """Simulate the bank over the boat's own days; None where the load is not known."""
    if found.ah_p95 is None or found.voltage_v is None or found.bank is None:
        return None
    blocks = blocks_in_series(found.voltage_v)
    mean_ah = float(found.daily_ah.mean())
    label = found.bank.capacity_ah
    # A log without whole cycles comes from a bank that is large, or seldom left alone.
    spread = CAPACITY_SD if found.start_ah is not None else NO_CYCLES * CAPACITY_SD
    bank = Bank(
        capacity_ah=label or USUAL_DAYS * mean_ah,
        capacity_sd=0.0 if label else spread,
        chemistry=found.bank.chemistry,
        blocks=blocks,
        start_ah=found.start_ah,
        start_depth=found.start_depth,
    )
    return live(days_of(found), bank)


def days_of(found: LoadResult) -> Days:
    """Order the days; a day without a known load gets that of the nearest known one.

    Where the charger gives clearly more on days with an engine than the boat draws on others, such
    a day gets what the charger gave; the engine then charges nothing beside it.
    """
    known = np.round(found.daily_s / DAY_S).astype(np.intp)
    helped = np.round(found.other_s / DAY_S).astype(np.intp)
    silent = set(np.round(found.gap_s / DAY_S).astype(int).tolist())
    silent |= laid_up_days(helped, found.help_h)
    first, last = int(known[0]), int(known[-1])
    day = np.array([d for d in range(first, last + 1) if d not in silent], dtype=np.intp)
    after = np.clip(np.searchsorted(known, day), 0, len(known) - 1)
    before = np.clip(after - 1, 0, None)
    nearest = np.where(day - known[before] < known[after] - day, before, after)
    help_h = np.zeros(len(day))
    inside = np.isin(helped, day)
    place = np.searchsorted(day, helped[inside])
    help_h[place] = found.help_h[inside]
    help_ah = None
    if found.help_ah is not None:
        help_ah = np.zeros(len(day))
        help_ah[place] = found.help_ah[inside]
    load_ah = found.draw_ah[:, nearest]
    if found.helped_ah is not None:
        engine = np.isin(day, helped[found.help_h < ENGINE_H])
        given = found.helped_ah * _scattered(len(load_ah), int(engine.sum()))
        load_ah[:, engine] = np.maximum(load_ah[:, engine], given)
        help_h[engine] = 0.0
    pattern = np.full(PARTS, 1.0 / PARTS)
    if found.pattern is not None:
        pattern = found.pattern.reshape(PARTS, -1).sum(axis=1)
    return Days(
        load_ah=load_ah,
        gap=np.diff(day, prepend=day[0]) > 1,
        help_h=help_h,
        pattern=pattern,
        relative_sd=_common_sd(found),
        help_ah=help_ah,
    )


def _scattered(draws: int, days: int) -> Floats:
    """Return days about a mean of one, shape (draws, days)."""
    rng = np.random.default_rng(_SEED)
    noise = rng.standard_normal((draws, days))
    return np.asarray(np.exp(ENGINE_SCATTER * noise - 0.5 * ENGINE_SCATTER**2), dtype=np.float64)


def _common_sd(found: LoadResult) -> float:
    """Return what all loads may be wrong by alike, beyond what the draws of the days spread."""
    own = 0.0
    if len(found.draw_ah) > 1:
        own = float(found.draw_ah.mean(axis=1).std() / max(found.draw_ah.mean(), 1e-9))
    return math.sqrt(max(found.relative_sd**2 - own**2, 0.0))


def laid_up_days(helped: NDArray[np.intp], help_h: Floats) -> set[int]:
    """Return the days on which the boat was laid up: on shore power for weeks.

    They are no days of a season: a winter of them would dilute the days on which she was short.
    """
    day = helped[help_h >= ALL_DAY_H]
    found: set[int] = set()
    for part in np.split(day, np.flatnonzero(np.diff(day) > 1) + 1):
        if len(part) >= LAID_UP_D:
            found.update(part.tolist())
    return found
