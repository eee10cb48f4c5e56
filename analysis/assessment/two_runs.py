"""An early run and a recent one, minute by minute from their start, for the eye to compare."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.health.run_table import Limit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.run_table import RunTable
    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]

#: The early run is one of the first so many running hours, the recent one of the last (our
#: choice).
_WITHIN_H = 100.0
#: Shorter runs show little more than their warm-up; beyond the longest the eye sees no more, hours
#: (our choice).
_SHORTEST_H, _LONGEST_H = 1.0, 6.0
#: Points of one run in a plot; more of them cannot be seen.
_MOST_POINTS = 240


@dataclass(frozen=True, slots=True)
class RunCourse:
    """One run; arrays of shape (n,), in order of time."""

    start_s: float
    """Unix time of its start."""
    runtime_h: float
    """Running hours of the fitting in it."""
    hours: Floats
    """Time since its start, h."""
    fraction: Floats
    """Output, fraction of rated."""
    temperature_c: Floats
    """Compartment temperature, degC; NaN where not logged."""


@dataclass(frozen=True, slots=True)
class TwoRuns:
    """An early run and a recent one."""

    early: RunCourse
    recent: RunCourse

    @property
    def temperature_known(self) -> bool:
        """Whether the temperature of either was logged."""
        return any(np.isfinite(r.temperature_c).any() for r in (self.early, self.recent))


def two_runs(runs: Runs, table: RunTable | None, rated_w: float) -> TwoRuns | None:
    """Return the two runs, or None where the log holds no two that can be compared.

    It takes the longest run of the first and of the last 100 running hours in which the charger
    itself set the current. The log must hold its start: the later days of a long run begin warm,
    and beside a cold start they would look like another charger.
    """
    if table is None or not len(table):
        return None
    source = np.array([limit is Limit.SOURCE for limit in table.limit])
    if table.opens is not None:
        source &= table.opens & runs.start_seen
    good = table.used & source & np.isfinite(table.runtime_h) & (table.hours >= _SHORTEST_H)
    if good.sum() < 2:
        return None
    at_h = table.runtime_h
    first, last = float(np.min(at_h[good])), float(np.max(at_h[good]))
    early = _longest(table, good & (at_h <= first + _WITHIN_H))
    recent = _longest(table, good & (at_h >= last - _WITHIN_H))
    if early == recent or last - first < _WITHIN_H:
        return None
    return TwoRuns(_course(runs, table, early, rated_w), _course(runs, table, recent, rated_w))


def _longest(table: RunTable, among: NDArray[np.bool_]) -> int:
    hours = np.where(among, np.minimum(table.hours, _LONGEST_H), -np.inf)
    return int(np.argmax(hours))


def _course(runs: Runs, table: RunTable, row: int, rated_w: float) -> RunCourse:
    log, first, last = runs.log, int(runs.first[row]), int(runs.last[row]) + 1
    hours = (log.start_s[first:last] + log.duration_s[first:last] / 2.0 - log.start_s[first]) / 3600
    shown = hours <= _LONGEST_H
    apart = max(1, int(np.ceil(shown.sum() / _MOST_POINTS)))
    return RunCourse(
        float(log.start_s[first]),
        float(table.runtime_h[row]),
        thinned(hours[shown], apart),
        thinned(runs.power_w[first:last][shown] / rated_w, apart),
        thinned(log.temperature_c[first:last][shown], apart),
    )


def thinned(values: Floats, apart: int) -> Floats:
    """Return the mean of each so many neighbours."""
    whole = len(values) // apart * apart
    return np.asarray(values[:whole].reshape(-1, apart).mean(axis=1), dtype=np.float64)
