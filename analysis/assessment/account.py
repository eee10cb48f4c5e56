"""The account of hours: how each running hour of the log was used. Each hour counts once.

    all running hours seen
    - starting, warming up, later in the run, the battery at its ceiling, ...   (by reason)
    - hours of runs that were left out whole                                    (by reason)
    = hours that are used, as values or as lower bounds

A run counts once. A long run is cut into days; it counts under the limit of its best piece, in the
order source, heat, battery, unusable.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.health.run_table import Limit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.run_output import Outputs
    from analysis.history.runs import Runs

#: Fewer hours than this are rounding, h.
NOTHING_H = 0.01
_UNMEASURED = "power not measured"
_LIMITS = (Limit.SOURCE, Limit.HEAT, Limit.BATTERY, Limit.UNUSABLE)


@dataclass(frozen=True, slots=True)
class HoursRow:
    """Hours of one use, or left out for one reason."""

    what: str
    hours: float
    used: bool
    limit: Limit | None = None
    """What limited the runs that are used."""
    runs: int | None = None
    """Number of runs that count here; None for parts of runs."""


def run_limits(runs: Runs, out: Outputs) -> NDArray[np.intp]:
    """Return for each run, before it was cut into days, the place of its limit in the order.

    The order is: source, heat, battery, unusable.
    """
    rank = np.array([_LIMITS.index(limit) for limit in out.limit], dtype=np.intp)
    if len(rank) == 0:
        return rank
    opens = np.concatenate(([True], runs.begun_s[1:] != runs.begun_s[:-1]))
    return np.asarray(np.minimum.reduceat(rank, np.flatnonzero(opens)), dtype=np.intp)


def count_runs(runs: Runs, out: Outputs, limit: Limit) -> int:
    """Return the number of runs with a limit; over all limits they are the runs of the log."""
    return int((run_limits(runs, out) == _LIMITS.index(limit)).sum())


def hours_account(total_h: float, runs: Runs, out: Outputs) -> tuple[HoursRow, ...]:
    """Return the account, used hours first; its hours add up to ``total_h``."""
    limits = np.array([str(limit) for limit in out.limit])
    found: list[HoursRow] = []
    for limit in _LIMITS[:-1]:
        mine = out.used & (limits == str(limit))
        if mine.any():
            hours = float(out.kept_h[mine].sum())
            number = count_runs(runs, out, limit)
            found.append(HoursRow(str(limit), hours, used=True, limit=limit, runs=number))
    left: list[HoursRow] = []
    lost = ~out.used  # runs of which no part is used
    if lost.any():
        whys = dict.fromkeys(out.reason[k].removeprefix("left out: ") for k in np.flatnonzero(lost))
        text = f"runs left out whole ({'; '.join(whys)})"
        hours, number = float(out.kept_h[lost].sum()), count_runs(runs, out, Limit.UNUSABLE)
        if hours > NOTHING_H or number:
            left.append(HoursRow(text, hours, used=False, runs=number))
    left += [HoursRow(reason, h, used=False) for reason, h in out.left_out_h.items()]
    rest = total_h - sum(row.hours for row in found + left)
    if abs(rest) > NOTHING_H:
        left.append(HoursRow(_UNMEASURED, rest, used=False))
    return (*found, *sorted(left, key=lambda row: -row.hours))
