"""Finds the runs in a log: the intervals from each start of the charger to its shutting down.

The state decides where it is credible; the power decides where the state is missing or wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.history import STATE_CODE
from analysis.history.hours import SLACK_SHARE, Hours, running_hours
from analysis.history.sums import sums_by
from logger.durations import DAY_S
from logger.reading import OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.intp]

#: Power above this part of rated means running, even if the state says "off" or "standby". It is
#: more than the zero error of a current sensor (judgement, no source).
FLOWING = 0.08
#: The same where the state is unknown, and nothing contradicts a lower threshold (judgement).
FLOWING_UNKNOWN = 0.04
#: Longest pause inside a run, s. A charger that stops for less has not cooled down (common
#: practice, no source).
LONGEST_PAUSE_S = 900.0
#: A state that is "running" for more than this share of the log may be stuck; it is if no power
#: flows for a tenth of that time (judgement, no source).
STUCK_SHARE = 0.9
#: Overlap of two intervals that rounding and a corrected clock may cause, s (our choice, a
#: second of rounding on either side).
_SLACK_S = 2.0

_RUNNING = STATE_CODE[OperatingState.RUNNING]
_THROTTLED = STATE_CODE[OperatingState.THROTTLED]
_UNKNOWN = STATE_CODE[OperatingState.UNKNOWN]
_EDGES = (STATE_CODE[OperatingState.STARTING], STATE_CODE[OperatingState.SHUTTING_DOWN])


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of a log. A run of several days is cut into days, so that each day gives a figure.

    ``log`` is the ordered, deduplicated history; intervals index into it.
    """

    log: History
    hours: Hours
    power_w: Floats
    """Mean power of each interval, W; NaN where not measured."""
    running: Flags
    """Whether the charger runs in the interval (while starting it may give no power)."""
    run: Indices
    """Number of the run of each interval, -1 outside runs."""
    first: Indices
    """First interval of each run, shape (runs,)."""
    last: Indices
    """Last interval of each run."""
    start_seen: Flags
    """Whether the log saw the run begin (False after a gap: it may have been running)."""
    states_told: bool
    """Whether the states are credible."""
    begun_s: Floats
    """Unix time at which the charger started, shape (runs,): before ``start_s`` where a long run
    was cut into days."""
    starts: int
    """How often the charger started: the number of runs before long ones were cut."""

    def __len__(self) -> int:
        """Return the number of runs."""
        return len(self.first)

    @property
    def start_s(self) -> Floats:
        """Unix time at which each run starts."""
        return self.log.start_s[self.first]

    @property
    def end_s(self) -> Floats:
        """Unix time at which each run ends."""
        return self.log.end_s[self.last]

    @property
    def delivered_j(self) -> Floats:
        """Energy that the charger delivered in each interval, J; nothing where it does not run.

        The noise of a current sensor at rest is no energy. What is not measured counts as nothing.
        """
        return np.where(self.running, np.nan_to_num(self.log.energy_j), 0.0)

    def total(self, values: Floats) -> Floats:
        """Add up values of the intervals by run; NaN counts as zero."""
        inside = self.run >= 0
        return sums_by(self.run[inside], np.nan_to_num(values[inside]), len(self))


def tidy(history: History) -> History:
    """Return the intervals in order of time, without duplicates, overlaps and empty ones.

    Overlapping imports and repeated rows must not count twice; the longer of two records of the
    same instant is kept.
    """
    history = _kept(
        history,
        np.isfinite(history.start_s) & np.isfinite(history.duration_s) & (history.duration_s > 0.0),
    )
    if not np.all(history.start_s[1:] > history.start_s[:-1]):
        history = history.select(np.lexsort((-history.duration_s, history.start_s)))
    if len(history) == 0:
        return history
    end = history.end_s
    before = np.maximum.accumulate(end)
    before = np.concatenate(([-np.inf], before[:-1]))
    return _kept(history, (history.start_s >= before - _SLACK_S) & (end > before))


def _kept(history: History, keep: Flags) -> History:
    """Select, but without copying ten years of log where all of it stays."""
    return history if keep.all() else history.select(keep)


def find_runs(history: History, rated_w: float) -> Runs:
    """Find the runs.

    Parameters
    ----------
    history
        The log, in any order.
    rated_w
        Rated output, W: sets what counts as power.
    """
    log = tidy(history)
    power = log.energy_j / log.duration_s if len(log) else np.empty(0)
    running, told = _running(log, power / rated_w)
    hours = running_hours(log.end_s, log.duration_s, running, log.runtime_h, log.clock_known)
    run, first, last, seen = _segment(log, running)
    begun_s = log.start_s[first]
    starts = len(first)
    run, first, last, of_run = _cut_into_days(log, run, first, last)
    return Runs(
        log, hours, power, running, run, first, last, seen[of_run], told, begun_s[of_run], starts
    )


def runs_since(runs: Runs, begin_s: float) -> Runs:
    """Return the runs of the log from a time on, without finding them again.

    A run that was going on then is cut there; its start was not seen. Running hours go on counting
    from the beginning of the whole log.
    """
    begin = int(np.searchsorted(runs.log.start_s, begin_s))
    if begin == 0:
        return runs
    leading = int(np.searchsorted(runs.last, begin))
    run = runs.run[begin:]
    run = np.where(run >= 0, run - leading, run)
    first, start_seen = runs.first[leading:] - begin, runs.start_seen[leading:].copy()
    if len(first) and first[0] < 0:
        first[0], start_seen[0] = np.argmax(run == 0), False
    begun_s = runs.begun_s[leading:]
    hours = runs.hours
    breaks, wraps = (at[at >= begin] - begin for at in (hours.breaks, hours.wraps))
    return Runs(
        runs.log.select(slice(begin, None)),
        replace(hours, at_end_h=hours.at_end_h[begin:], breaks=breaks, wraps=wraps),
        runs.power_w[begin:],
        runs.running[begin:],
        run,
        first,
        runs.last[leading:] - begin,
        start_seen,
        runs.states_told,
        begun_s,
        len(np.unique(begun_s)),
    )


def _running(log: History, fraction: Floats) -> tuple[Flags, bool]:
    """Decide for each interval whether the charger runs, and whether its states are credible."""
    state = log.state
    flowing = np.nan_to_num(fraction) > FLOWING
    says_running = (state == _RUNNING) | (state == _THROTTLED)
    edge = np.isin(state, _EDGES)
    unknown = state == _UNKNOWN
    length = log.duration_s
    total = float(length.sum())
    told = bool(length[unknown].sum() < 0.5 * total) if total > 0.0 else False
    idle_running = says_running & ~flowing
    # Stuck at "running": hardly any other state, yet for part of that time no power flows.
    if told and length[says_running].sum() > STUCK_SHARE * total:
        told = bool(length[idle_running].sum() < 0.1 * length[says_running].sum())
        # A counter that grows meanwhile agrees with the state: it trickles.
        told |= _counted_h(log, idle_running) > 0.5 * length[idle_running].sum() / 3600.0
    # Stuck at rest: most of the power flows while the state denies it.
    quiet = ~(says_running | edge | unknown)
    power_time = length[flowing].sum()
    if told and power_time > 0.0 and length[flowing & quiet].sum() > 0.5 * power_time:
        told = False
    by_power = np.nan_to_num(fraction) > FLOWING_UNKNOWN
    if not told:
        return by_power, False
    return says_running | edge | (quiet & flowing) | (unknown & by_power), True


def _counted_h(log: History, where: Flags) -> float:
    """Return what the counter gained in some intervals, h; nothing where it tells nothing."""
    told = np.flatnonzero(np.isfinite(log.runtime_h))
    if len(told) < 2:
        return 0.0
    gained, passed_h = np.diff(log.runtime_h[told]), np.diff(log.end_s[told]) / 3600.0
    sound = (gained >= 0.0) & (gained <= (1.0 + SLACK_SHARE) * passed_h + 0.1) & where[told[1:]]
    return float(gained[sound].sum())


def _segment(log: History, running: Flags) -> tuple[Indices, Indices, Indices, Flags]:
    """Give each run a number; a short pause belongs to the run around it."""
    number = np.full(len(log), -1, dtype=np.intp)
    active = np.flatnonzero(running)
    if len(active) == 0:
        none = np.empty(0, dtype=np.intp)
        return number, none, none, np.empty(0, dtype=bool)
    pause = log.start_s[active[1:]] - log.end_s[active[:-1]]
    opens = np.concatenate(([True], pause > LONGEST_PAUSE_S))
    first = active[opens]
    last = active[np.concatenate((opens[1:], [True]))]
    of_active = np.cumsum(opens) - 1
    number[active] = of_active
    # If a gap in the log precedes the run, the charger may have started long before.
    previous_end = np.concatenate(([-np.inf], log.end_s))[first]
    starting = log.state[first] == STATE_CODE[OperatingState.STARTING]
    seen = starting | (log.start_s[first] - previous_end <= LONGEST_PAUSE_S)
    return number, first, last, seen


def _cut_into_days(
    log: History, run: Indices, first: Indices, last: Indices
) -> tuple[Indices, Indices, Indices, Indices]:
    """Cut runs of more than a day and a half into days.

    Returns
    -------
    run, first, last, of_run
        As from the segmentation, by piece; and the run that each piece belongs to.
    """
    if len(first) == 0:
        return run, first, last, first
    active = np.flatnonzero(run >= 0)
    of_active = run[active]
    length_s = log.end_s[last] - log.start_s[first]
    pieces = np.maximum(np.round(length_s / DAY_S), 1.0)
    since_s = log.start_s[active] - log.start_s[first][of_active]
    piece = np.minimum(np.floor(since_s / DAY_S), pieces[of_active] - 1.0)
    opens = np.concatenate(([True], (of_active[1:] != of_active[:-1]) | (piece[1:] != piece[:-1])))
    number = np.cumsum(opens) - 1
    cut = run.copy()
    cut[active] = number
    begins = active[opens]
    ends = active[np.concatenate((opens[1:], [True]))]
    return cut, begins, ends, of_active[opens]
