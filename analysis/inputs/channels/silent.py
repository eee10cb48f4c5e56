"""A current that shows nothing though every run raises the voltage: the charger gives, unseen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.rest import stretches
from analysis.inputs.zero import mean_current
from analysis.physics import NOMINAL_V
from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.inputs.rest import Told

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Flags = NDArray[np.bool_]

# Limits without another reason are a judgement (no source).
#: A run shows no current if it stays below this part of the rated one: less raises no voltage.
NOTHING = 0.03
#: A run raises the voltage by this much, V per 12 V: from a battery that is low to one on charge
#: it is a volt and more (common practice, no source).
RISES_V = 0.5
#: So many runs one after the other: an engine may have charged in one or two.
IN_A_ROW = 3
#: A shorter run says nothing, h; the voltage before a run is the usual one of so many hours, or the
#: last where that is lower. A coarse interval just before a start may hold some of the rise.
_LEAST_H, _BEFORE_H = 1.0, 2.0
#: Where this part of the runs is silent, nothing is left to judge.
_MOSTLY = 0.8


@dataclass(frozen=True, slots=True)
class Seen:
    """What current and voltage show in each run that is long enough; shape (runs,)."""

    first: Indices
    """First interval of the run."""
    last: Indices
    """Last interval of the run."""
    peak_a: Floats
    """Highest current, A."""
    rise_v: Floats
    """Rise of the voltage, V; NaN for a run with a current, which needs none."""


def silent_current(
    log: History, known: Told, rated_a: float, volts: float
) -> tuple[Finding, Flags] | None:
    """Return a finding about runs without a current that raise the voltage, and their intervals.

    Parameters
    ----------
    log
        In order of time.
    known
        Runs as state or hour counter tell them: the current cannot.
    rated_a, volts
        Rated current, A, and usual voltage, V.
    """
    seen = _seen_in_runs(log, known, rated_a)
    row = _in_a_row(seen.rise_v >= RISES_V * volts / NOMINAL_V)
    if not row.any():
        return None
    where = np.zeros(len(log), dtype=bool)
    for begin, end in _rows(row):
        where[seen.first[begin] : seen.last[end - 1] + 1] = True
    return _finding(seen, row, log.start_s[seen.first], rated_a), where


def _seen_in_runs(log: History, known: Told, rated_a: float) -> Seen:
    """Return the highest current of each run, and the rise of the voltage where there is none."""
    current, voltage = np.abs(mean_current(log)), log.voltage_mean_v
    firsts, lasts, peaks, rises = [], [], [], []
    for first, last in stretches(known.runs, log):
        if log.end_s[last] - log.start_s[first] < 3600.0 * _LEAST_H:
            continue
        begin = int(np.searchsorted(log.end_s, log.start_s[first] - 3600.0 * _BEFORE_H))
        amps, inside, before = (
            values[np.isfinite(values)]
            for values in (
                current[first : last + 1],
                voltage[first : last + 1],
                voltage[begin:first],
            )
        )
        if not len(amps) or not len(inside) or not len(before):
            continue
        firsts.append(first)
        lasts.append(last)
        peaks.append(quantile_of(amps, 0.95))
        rises.append(np.nan)
        if peaks[-1] < NOTHING * rated_a:
            low_v = min(quantile_of(before, 0.5), float(before[-1]))
            rises[-1] = quantile_of(inside, 0.95) - low_v
    return Seen(
        np.array(firsts, dtype=np.intp),
        np.array(lasts, dtype=np.intp),
        np.array(peaks),
        np.array(rises),
    )


def _finding(seen: Seen, row: Flags, starts_s: Floats, rated_a: float) -> Finding:
    """Tell in how many runs the current shows nothing."""
    count, all_runs = int(row.sum()), len(row)
    since_s = float(starts_s[row][0])
    nearly_all = count >= _MOSTLY * all_runs
    left = "Nothing can be said of the output." if nearly_all else "These runs are left out."
    most_a, rise = float(seen.peak_a[row].max()), float(np.median(seen.rise_v[row]))
    return Finding(
        "current_silent",
        Severity.STOP if nearly_all else Severity.DOUBT,
        since_s,
        f"In {count} of {all_runs} runs, first on {day(since_s)}, the current shows nothing, but "
        f"the voltage rises by {rise:.1f} V. Something charges the battery, and the sensor does "
        f"not show it. {left}",
        "Hold a clamp meter on the charger's output lead in a run. If it shows a current, look for "
        "a sensor that is dead or unplugged, and for a wrong unit or divisor of current_a. If it "
        "shows none, another source charged in these runs: declare it in [[other_sources]], and "
        "find out why the charger gives nothing.",
        f"up to {rated_a:.1f} A in a run",
        f"at most {most_a:.2f} A in {count} runs that raised the voltage by {rise:.1f} V",
        series("highest current by run", "A", starts_s, seen.peak_a, rated_a),
    )


def _rows(flags: Flags) -> list[tuple[int, int]]:
    """Return begin and end (not included) of each row of runs that are flagged."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False]))))
    return [(int(begin), int(end)) for begin, end in zip(edges[::2], edges[1::2], strict=True)]


def _in_a_row(dead: Flags) -> Flags:
    """Return which of the runs lie among enough silent ones that follow one another."""
    row = np.zeros(len(dead), dtype=bool)
    for begin, end in _rows(dead):
        row[begin:end] = end - begin >= IN_A_ROW
    return row
