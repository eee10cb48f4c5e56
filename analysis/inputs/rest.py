"""Where the charger rests, by what tells of it: its state, its hour counter, never its power.

The zero of the current sensor is what it shows at rest, so the rest must not be found by the
current itself: a charger that trickles for days against another one looks like a zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.history import STATE_CODE
from analysis.history.hours import credible_growth_h
from logger.reading import RUN_STATES, OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs

    Flags = NDArray[np.bool_]

#: A counter that stands for so long, h, tells a rest: some show whole hours only, and a run of
#: less than an hour may hide on either side (our choice).
STANDS_H, EDGE_H = 4.0, 1.0
#: One that moves again within so long, h, tells a run (our choice, two steps of whole hours).
MOVES_H = 2.0
#: A counter that grows in more than this part of the time counts the hours switched on, or the
#: charger never rests; in less than that part it is stuck. Neither tells a rest (our choice).
GROWS_LEAST, GROWS_MOST = 0.01, 0.95

#: A longer silence of the log ends a stretch, s.
_SILENT_S = 3600.0

RESTS = tuple(
    STATE_CODE[s] for s in (OperatingState.OFF, OperatingState.SLEEPING, OperatingState.STANDBY)
)
RUN_CODES = tuple(STATE_CODE[s] for s in RUN_STATES)


@dataclass(frozen=True, slots=True)
class Told:
    """What state and counter tell of each interval; shape (n,) each."""

    rests: Flags
    runs: Flags

    @property
    def untold(self) -> Flags:
        """Intervals of which nothing is told."""
        return ~(self.rests | self.runs)


def told(runs: Runs, counted: Told | None = None) -> Told:
    """Return what state and counter tell; the state leads where it is believed.

    ``counted`` is what :func:`by_counter` returns, where that is known already.
    """
    log = runs.log
    counted = counted or by_counter(log)
    rests, running = counted.rests, counted.runs
    if runs.states_told:
        by_state = np.isin(log.state, RESTS)
        says_running = np.isin(log.state, RUN_CODES)
        rests = by_state | (rests & ~says_running)
        running = says_running | (running & ~by_state)
    return Told(rests, running)


def by_counter(log: History) -> Told:
    """Return what the hour counter alone tells."""
    return Told(*_by_counter(log))


def stretches(flags: Flags, log: History) -> list[tuple[int, int]]:
    """Return first and last interval of each stretch of marked intervals; an hour's gap ends one.

    Between two marked intervals of a stretch lies no other interval that is not marked.
    """
    at = np.flatnonzero(flags)
    if len(at) == 0:
        return []
    apart = (np.diff(at) > 1) | (log.start_s[at[1:]] - log.end_s[at[:-1]] > _SILENT_S)
    edges = np.flatnonzero(np.concatenate(([True], apart, [True])))
    return [(int(at[a]), int(at[b - 1])) for a, b in pairwise(edges)]


def _by_counter(log: History) -> tuple[Flags, Flags]:
    """Return the intervals in which the hour counter stands, and in which it grows."""
    nothing = np.zeros(len(log), dtype=bool)
    at = np.flatnonzero(np.isfinite(log.runtime_h))
    if len(at) < 3:
        return nothing, nothing
    start_h, ends_h = log.start_s / 3600.0, log.end_s / 3600.0
    value, end_h = log.runtime_h[at], ends_h[at]
    growth, passed_h = np.diff(value), np.diff(end_h)
    # What happened in a silence of the log is not known, nor at a jump.
    seen = (growth >= 0.0) & (growth <= credible_growth_h(passed_h)) & (passed_h <= STANDS_H)
    covered_h = float(passed_h[seen].sum())
    share = float(growth[seen].sum()) / max(covered_h, 1e-9)
    if not GROWS_LEAST < share < GROWS_MOST:
        return nothing, nothing
    # Stretches between readings at which the value moves, or the log is silent.
    opens = np.concatenate(([0], np.flatnonzero((growth != 0.0) | ~seen) + 1))
    closes = np.concatenate((opens[1:], [len(at) - 1]))
    rests, running = nothing.copy(), nothing.copy()
    lasts_h = end_h[closes] - end_h[opens]
    stands = lasts_h >= STANDS_H
    grew = (closes > opens) & np.append(False, seen & (growth > 0.0))[closes] & ~stands
    quick = grew & (lasts_h <= MOVES_H)
    # From each stretch's opening up to the next one's, which is its closing; the closing interval
    # itself is the next one's, unless that says nothing of running.
    running[at[0] : at[-1] + 1] = np.repeat(quick, np.diff(at[opens], append=at[-1] + 1))
    last = grew & ~np.append(grew[1:], False)
    running[at[closes[last]]] = quick[last]
    for k in np.flatnonzero(stands).tolist():
        first, last_at = int(opens[k]), int(closes[k])
        inside = slice(at[first], at[last_at] + 1)
        later = start_h[inside] >= end_h[first] + EDGE_H
        rests[inside] = later & (ends_h[inside] <= end_h[last_at] - EDGE_H)
    return rests, running & ~rests
