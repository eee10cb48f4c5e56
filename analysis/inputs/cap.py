"""Finds a flat cap: the charger gives one round figure, far steadier than wear or heat allow.

If a setting turns a charger down, its power neither sags inside a run nor differs between runs.
Such a run is only a lower bound of what the charger can give.

Where a battery takes short charges, a dozen runs pass in so few running hours that wear does not
show, and they may stand at a round figure by chance. But a setting is made in a moment: the power
falls to it, or rises from it, from one run to the next. So a cap has an edge. One without an edge
takes less from the output than the least edge, and hides no more than that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import MAD_TO_SD
from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Flags = NDArray[np.bool_]

#: Fewest runs in a row for a cap (judgement, no source).
LEAST_RUNS = 12
#: Greatest relative standard deviation of such runs, by their middle four fifths. Runs without a
#: cap differ by at least two per mille, mostly by five and more (simulated boats).
STEADY = 0.0012
#: Greatest relative difference between early and late in a run, median over such runs (judgement).
NO_SAG = 0.003
#: A cap is within this part of a multiple of 5 W or of 5 % of rated: settings are round figures
#: (judgement).
ROUND = 0.006
#: Least edge, part of the output: of the nearest runs before it and after it that gave more, one
#: gave so much more (judgement; so much wear takes a hundred running hours and more).
EDGE, NEAREST_RUNS = 0.03, 6
#: A log that begins capped and stays so has no edge: then this share of its runs is in the cap
#: (our choice).
ALL_ALONG = 0.5
#: A cap above this part of rated changes no conclusion (judgement).
BELOW = 0.95
#: The early and the late part of a run (or of a day of a long one), h: warm, and hours later
#: (our choice).
_EARLY_H, _LATE_H = (0.75, 2.5), (3.0, 9.0)
#: Distance of the 10 % and 90 % quantiles of a normal distribution, in standard deviations.
_TENTHS_APART = 2.563


@dataclass(frozen=True, slots=True)
class Cap:
    """Runs that a setting held at one power."""

    runs: Flags
    power_w: float
    now: bool
    """Whether the last runs are among them."""


@dataclass(frozen=True, slots=True)
class RunPower:
    """Median power of each run, W, shape (runs,); NaN where too short."""

    early: Floats
    late: Floats
    whole: Floats


def power_of_runs(runs: Runs) -> RunPower:
    """Return the median power of each run: early, late, and over both."""
    early, late, whole = (np.full(len(runs), np.nan) for _ in range(3))
    for run in range(len(runs)):
        inside = slice(runs.first[run], runs.last[run] + 1)
        power = runs.power_w[inside]
        finite = np.isfinite(power)
        since_h = (runs.log.start_s[inside] - runs.start_s[run]) / 3600.0
        spans = ((early, _EARLY_H), (late, _LATE_H), (whole, (_EARLY_H[0], _LATE_H[1])))
        for found, (begin, end) in spans:
            of_it = power[(since_h >= begin) & (since_h < end) & finite]
            if len(of_it) >= 5:
                found[run] = quantile_of(of_it, 0.5)
    return RunPower(early, late, whole)


def find_caps(seen: RunPower, rated_w: float) -> list[Cap]:
    """Find the runs that a setting held at one power, for each such power; the latest first.

    Parameters
    ----------
    seen
        Power of the runs, in order of time.
    rated_w
        Rated output, W.
    """
    at = np.flatnonzero(np.isfinite(seen.whole))
    if len(at) < LEAST_RUNS:
        return []
    power, highest_w = seen.whole[at], np.fmax(seen.early, seen.late)
    middle, held = _steady_stretches(seen, at, rated_w)
    caps: list[Cap] = []
    while held.any():
        # A power that some run shows: half way between two settings there may be none.
        level = float(middle[held][-1])
        there = np.flatnonzero(held & (np.abs(middle / level - 1.0) < ROUND))
        seen_at = slice(int(there[0]), int(there[-1]) + LEAST_RUNS)
        # A tenth of a stretch may lie elsewhere: its ends are runs at the level itself.
        first, last = at[seen_at][np.abs(power[seen_at] / level - 1.0) < ROUND][[0, -1]]
        cap = _held_at(level, int(first), int(last), highest_w)
        if cap.runs[at].mean() >= ALL_ALONG or _has_edge(cap, highest_w):
            caps.append(cap)
            held &= ~np.lib.stride_tricks.sliding_window_view(cap.runs[at], LEAST_RUNS).all(axis=1)
        held[there] = False
    return caps


def _steady_stretches(seen: RunPower, at: Indices, rated_w: float) -> tuple[Floats, Flags]:
    """Return the power of each dozen runs in a row, and whether it is steady, flat and round.

    ``at`` are the runs whose power is known; shape (len(at) - LEAST_RUNS + 1,) each.
    """
    early_w, late_w = seen.early[at], seen.late[at]
    with np.errstate(invalid="ignore"):
        sag = np.abs(late_w - early_w) / np.maximum(early_w, 1e-9)
    windows = np.lib.stride_tricks.sliding_window_view(seen.whole[at], LEAST_RUNS)
    middle = np.median(windows, axis=1)
    tenth, nine_tenths = np.quantile(windows, (0.1, 0.9), axis=1)
    # Runs of no power, as a current that stands still shows them, are no cap.
    spread = np.full(len(middle), np.inf)
    np.divide((nine_tenths - tenth) / _TENTHS_APART, middle, out=spread, where=middle > 0.0)
    sags = np.lib.stride_tricks.sliding_window_view(sag, LEAST_RUNS)
    known = np.isfinite(sags).sum(axis=1)
    flat = np.full(len(sags), np.inf)
    flat[known > 0] = np.nanmedian(sags[known > 0], axis=1)
    return middle, (
        (spread < STEADY)
        & (flat < NO_SAG)
        & (known >= LEAST_RUNS // 2)
        & (middle < BELOW * rated_w)
        & np.array([_is_round(float(m), rated_w) for m in middle])
    )


def _held_at(level: float, first: int, last: int, power_w: Floats) -> Cap:
    """Return the cap whose first and last run are known.

    The setting may have limited every run between the last one before and the first one after that
    gave more, so these are capped, too. But a dozen in a row that gave less were not held by it.
    """
    count = len(power_w)
    more = np.flatnonzero(power_w > level * (1.0 + 8.0 * STEADY))
    begin = int(more[more < first].max(initial=-1)) + 1
    end = int(more[more > last].min(initial=count))
    if np.isfinite(power_w[begin:first]).sum() >= LEAST_RUNS:
        begin = first
    if np.isfinite(power_w[last + 1 : end]).sum() >= LEAST_RUNS:
        end = last + 1
    runs = np.zeros(count, dtype=bool)
    runs[begin:end] = True
    return Cap(runs, level, end == count)


def _has_edge(cap: Cap, power_w: Floats) -> bool:
    """Tell whether the nearest runs that gave more gave so much more that it was no wear."""
    begin, end = np.flatnonzero(cap.runs)[[0, -1]]
    more = np.flatnonzero(power_w > cap.power_w * (1.0 + 8.0 * STEADY))
    near = np.concatenate((more[more < begin][-NEAREST_RUNS:], more[more > end][:NEAREST_RUNS]))
    return bool((power_w[near] > cap.power_w * (1.0 + EDGE)).any())


def _is_round(power_w: float, rated_w: float) -> bool:
    return any(
        abs(power_w / max(round(power_w / step) * step, step) - 1.0) < ROUND
        for step in (5.0, 0.05 * rated_w)
    )


def cap_finding(cap: Cap, power_w: Floats, time_s: Floats, rated_w: float) -> Finding:
    """Return the finding about a cap: its power, and since when."""
    since_s = float(np.nanmin(time_s[cap.runs]))
    until_s = float(np.nanmax(time_s[cap.runs]))
    when = f"since {day(since_s)}" if cap.now else f"from {day(since_s)} to {day(until_s)}"
    apart = np.abs(power_w[cap.runs] / cap.power_w - 1.0)
    sd = MAD_TO_SD * float(np.nanmedian(apart))
    return Finding(
        "flat_cap",
        Severity.DOUBT,
        since_s,
        f"The output stands at {cap.power_w:.1f} W {when} and hardly moves. From run to run it "
        f"differs by {max(100.0 * sd, 0.1):.1f} %, in {int(cap.runs.sum())} runs: a setting holds "
        "it there; this is not wear. These runs count only as lower bounds.",
        "Look for a limit that is set on the charger (turned down, a quiet or night mode, a "
        "derating). Let it run for an hour without the limit, to see how much it can give.",
        "a power that sags and differs from run to run by half a per cent or more",
        f"{cap.power_w:.1f} W, {100.0 * cap.power_w / rated_w:.0f} % of rated, within "
        f"{max(100.0 * sd, 0.1):.1f} %",
        series("power by run", "W", time_s, power_w),
    )
