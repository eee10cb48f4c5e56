"""Finds two levels of output: a fault that comes and goes, which is not wear.

Wear does not come back and does not alternate. If some runs give clearly less than those before and
after them, and all about the same share of it, the charger has two levels, and somebody must find
the cause of the lower one. The runs at the lower level are reported and left out of the estimate of
wear.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# The limits are a judgement (no source), held by tests/analysis/inputs/test_levels.py.
#: A run is low below this part of the level around it: scatter, heat and sag cost far less.
LOW = 0.85
#: A run below this part of the usual figure idles, because another source holds the battery up.
IDLES = 0.3
#: Number of runs on either side that give the level around a run.
AROUND = 12
#: Quantile of those runs that is the level: up to half of the runs may be low.
UPPER = 0.8
#: Fewest low runs, and least share of all runs, for a second level. Single events, such as an empty
#: container, make about one run in fifty low.
LEAST_RUNS, LEAST_SHARE = 5, 0.05
#: Greatest median deviation of the low runs, fraction of the upper level.
TIGHT = 0.06
#: Most runs between the two levels, as a part of the low ones: two levels have a gap between them.
BETWEEN = 0.35
#: Fewest changes between the levels: a single change is a step.
LEAST_TURNS = 4


@dataclass(frozen=True, slots=True)
class Levels:
    """The two levels of a log's runs."""

    low: Flags
    """Pieces of runs at the lower level, shape (pieces,)."""
    upper: float
    """Output of the last runs at the upper level, fraction of rated."""
    lower: float
    low_runs: int
    runs: int
    """Runs whose level is known."""


def two_levels(value: Floats, told: Flags, begun_s: Floats) -> Levels | None:
    """Find two levels among the figures of the runs.

    Parameters
    ----------
    value
        Figure of each run, or of each day of a long one, fraction of rated, shape (pieces,).
    told
        Which figures are values of the output (not lower bounds), whether used or not.
    begun_s
        Unix time at which the run of each began, rising: a long run at the lower level is one run.
    """
    at = np.flatnonzero(told & np.isfinite(value))
    if len(at):
        at = at[value[at] > IDLES * float(np.quantile(value[at], UPPER))]
    _, first, of_run = np.unique(begun_s[at], return_index=True, return_inverse=True)
    count = len(first)
    if count < 4 * LEAST_RUNS:
        return None
    figures = np.bincount(of_run, weights=value[at]) / np.bincount(of_run)
    padded = np.pad(figures, AROUND, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    ratio = figures / np.maximum(np.quantile(windows, UPPER, axis=1), 1e-6)
    low = ratio < LOW
    if int(low.sum()) < max(LEAST_RUNS, LEAST_SHARE * count):
        return None
    centre = float(np.median(ratio[low]))
    apart = np.abs(ratio[low] - centre)
    if float(np.median(apart)) > TIGHT:
        return None
    middle = (ratio > centre + 0.25 * (1.0 - centre)) & (ratio < 1.0 - 0.25 * (1.0 - centre))
    if int(middle.sum()) > BETWEEN * int(low.sum()):
        return None
    turns = int((low[1:] != low[:-1]).sum())
    if turns < LEAST_TURNS or int((low & ~_like_a_side(figures)).sum()) < LEAST_RUNS:
        return None
    mask = np.zeros(len(value), dtype=bool)
    mask[at] = low[of_run]
    upper = float(np.median(figures[~low][-AROUND:]))
    return Levels(mask, upper, centre * upper, int(low.sum()), count)


def _like_a_side(figures: Floats) -> Flags:
    """Tell which runs are like all those before them or like all those after them: a step."""
    gap = np.full(AROUND, np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.concatenate((gap, figures, gap)), AROUND + 1
    )
    upper = np.nanquantile(windows, UPPER, axis=1)
    # The side before a run and the one after it, itself in either.
    side = np.minimum(upper[: len(figures)], upper[AROUND:])
    like: Flags = figures >= LOW * np.maximum(side, 1e-6)
    return like


def levels_finding(found: Levels, value: Floats, time_s: Floats) -> Finding:
    """Return the finding: both levels, how often the lower one occurs, and since when."""
    count = found.low_runs
    first_s = float(np.nanmin(time_s[found.low]))
    tenths = 10.0 * count / found.runs
    often = f"{tenths:.0f} of 10" if tenths >= 1.5 else f"{10.0 * tenths:.0f} of 100"
    return Finding(
        "two_levels",
        Severity.DOUBT,
        first_s,
        f"The charger gives {100.0 * found.upper:.0f} % of rated, and in {often} runs "
        f"{100.0 * found.lower:.0f} % ({count} of {found.runs} runs, first on {day(first_s)}). It "
        "is a fault that comes and goes, not wear. The lower runs are left out of the estimate.",
        "Find the cause before anything is replaced: fuel supply and its connections, air intake "
        "and exhaust, a loose cable, a fault that the unit itself reports. Compare a low run with "
        "a good one. If two chargers wrote into this log, give each a log of its own.",
        "one level, falling slowly",
        f"{count} runs at about {100.0 * found.lower:.0f} %, {found.runs - count} at about "
        f"{100.0 * found.upper:.0f} %",
        series("output by run", "% of rated", time_s, 100.0 * value, 100.0 * found.upper),
    )
