"""Measures how much a run warms its compartment, and how the output changes meanwhile.

Warm exhaust that the unit draws in again shows as a large rise and an output that falls with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.health import limiter
from analysis.history.sums import sums_by
from analysis.statistics.robust import LEAST_BEYOND, robust_fit, robust_mean

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Windows inside a run, h since its start: the start itself; later, before the day has changed
#: much; the settled early output; the output at the end of the later window.
_START, _LATER, _EARLY_OUTPUT, _LATE_OUTPUT = (0.0, 0.1), (1.0, 2.0), (0.5, 0.8), (1.5, 2.0)
#: Fewest runs for a mean with an interval.
LEAST_RUNS = 1 + LEAST_BEYOND
#: With a rise above this the exhaust should be checked, K (common practice, no source).
USUAL_RISE_K = 15.0
#: Least scatter of a rise, K, and of a relative change of output: the resolution of common sensors
#: (common practice, no source).
_LEAST_SD_K, _LEAST_SD_SHARE = 0.1, 0.002
#: Fewest runs and running hours for a trend (judgement).
TREND_RUNS, TREND_H = 10, 200.0


@dataclass(frozen=True, slots=True)
class Warmth:
    """Rise and change by run, shape (runs,); NaN where a run does not show them."""

    runtime_h: Floats
    start_s: Floats
    rise_k: Floats
    """Compartment one to two hours into the run, less at its start."""
    change: Floats
    """Output at the end of those hours over the settled early output, less one."""


def warmth(runs: Runs, rated_w: float, ceiling_v: float | None) -> Warmth:
    """Return rise and change of each run whose start was seen."""
    found, _ = limiter.stretches(runs, rated_w, ceiling_v)
    warm = np.isfinite(found.temperature_c)
    free = (found.code == limiter.SOURCE) & np.isfinite(found.power_w)

    def mean(values: Floats, window: tuple[float, float], use: Flags) -> Floats:
        use = use & (found.since_start_h >= window[0]) & (found.since_start_h < window[1])
        run, weight = found.run[use], found.duration_s[use]
        over = sums_by(run, weight, len(runs))
        total = sums_by(run, weight * values[use], len(runs))
        result: Floats = np.divide(total, over, out=np.full(len(runs), np.nan), where=over > 0.0)
        return result

    rise = mean(found.temperature_c, _LATER, warm) - mean(found.temperature_c, _START, warm)
    early = mean(found.power_w, _EARLY_OUTPUT, free)
    late = mean(found.power_w, _LATE_OUTPUT, free)
    change = np.divide(late, early, out=np.full(len(runs), np.nan), where=early > 0.0) - 1.0
    told = runs.start_seen
    return Warmth(
        runs.hours.at_end_h[runs.last],
        runs.start_s,
        np.where(told, rise, np.nan),
        np.where(told, change, np.nan),
    )


def rise_and_change(found: Warmth, use: Flags) -> tuple[Span, Span, int]:
    """Return rise (K), change of output (fraction), and the number of runs that showed the rise."""
    rise = found.rise_k[use & np.isfinite(found.rise_k)]
    change = found.change[use & np.isfinite(found.change)]
    return robust_mean(rise, _LEAST_SD_K), robust_mean(change, _LEAST_SD_SHARE), len(rise)


def rise_trend(found: Warmth) -> tuple[Span, str | None]:
    """Return the change of the rise, K per 1000 running hours, or why it is not known."""
    use = np.isfinite(found.rise_k)
    kh = found.runtime_h[use] / 1000.0
    if len(kh) < TREND_RUNS:
        return Span(), f"{len(kh)} of {TREND_RUNS} runs of two hours with a temperature"
    if np.ptp(kh) < TREND_H / 1000.0:
        return Span(), f"{1000.0 * np.ptp(kh):.0f} of {TREND_H:.0f} running hours between the runs"
    design = np.column_stack((np.ones(len(kh)), kh - kh.mean()))
    return robust_fit(design, found.rise_k[use], _LEAST_SD_K)[1], None
