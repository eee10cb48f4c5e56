"""A gain of the current sensor that drifts, against what the clock and the voltage say.

A log alone cannot tell a sensor that shows less from a charger that gives less: output and fuel per
kWh then change in the same proportion. But a charger that really gives less must run longer. Two
comparisons need no current at all. With I the charger's mean current in its runs, L the mean load,
C what the bank takes between stop and start, T the time of all runs and of all rests behind them,
and n the number of these cycles:

* hours times load: I T_run = L (T_run + T_rest), so I / L = (T_run + T_rest) / T_run;
* the times of a cycle: L = n C / T_rest, so I / C = n (T_run + T_rest) / (T_run T_rest).

The first is wrong where the load has changed, the second where the bank has. Where both say that
the charger runs as it did while the sensor says that it gives less (or the other way round), the
sensor is in doubt: load and bank would have to have changed by the same part at the same time.

All three are sums over the cycles, because only a sum of charge is balanced; the middle of all
cycles is not. Where the bank takes less than the charger can give, the middle power of a run falls
by more than its charge. And a charger that runs longer has fewer cycles on days of a high load, so
the load of the middle cycle falls though no day draws less.

But a gain changes each cycle by the same part, so the middle cycle must contradict the sensor in
the same way. Where only the sums do, the mix of the days has changed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90
from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.physics import blocks_in_series
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Flags = NDArray[np.bool_]

GAIN_DRIFT = "gain_drift"
#: Less than this, as a part, is within what loads, heat and seasons do to the times (judgement).
LEAST = 0.06
#: The sensor is in doubt where one side changed by less than this part of what the other did (our
#: choice, held by tests/analysis/inputs/test_gain.py).
LESS_THAN = 0.6
#: Standard errors that must lie between the sensor and each comparison, and in the sum of both
#: (our choice: on 229 sound logs of two generators, with the middle cycle, none is doubted).
SURE, SURE_OF_BOTH = 1.5, 4.5
#: What loads and bank change by in any case from one time to another, as a part (judgement).
USUAL_CHANGE = 0.02
#: Whole cycles in each of the two times that are compared, and days between their middles
#: (our choice, more than one season's weather).
LEAST_CYCLES, LEAST_DAYS = 20, 120.0
#: Load and weather stay for days, so errors are found from whole weeks: at least so many (our
#: choice, the fewest whose spread tells an error).
WEEK_S, LEAST_WEEKS = 7.0 * DAY_S, 4
#: Above this, two hours after a run, something else holds the bank, V per 12 V: between the highest
#: resting voltage (LFP 13.3) and the lowest float voltage (common practice, no source).
HELD_V, SETTLED_S = 13.4, 7200.0
#: A cycle is whole if this share of it is in the log (our choice).
WHOLE = 0.97


@dataclass(frozen=True, slots=True)
class Cycles:
    """Runs and the rests behind them, with nothing else charging; shape (cycles,) each."""

    time_s: Floats
    run_h: Floats
    rest_h: Floats
    current_a: Floats
    """Mean current of the run by the sensor, A."""


@dataclass(frozen=True, slots=True)
class Change:
    """What changed from the first third of the cycles to the last, as a logarithm."""

    seen: float
    by_hours: float
    by_times: float
    hours_se: float
    times_se: float
    """Standard errors of ``seen`` less each of the two."""
    begin_s: float
    end_s: float
    middle: tuple[float, float, float]
    """The first three, of the middle cycle instead of all."""
    longer: float = 1.0
    """The whole log is so many times as long as from the one middle to the other."""

    @property
    def gain(self) -> float:
        """What the gain would have to have changed by in the whole log, as a logarithm."""
        return self.longer * (self.seen - 0.5 * (self.by_hours + self.by_times))

    @property
    def gain_se(self) -> float:
        """Standard error of :attr:`gain`, as if the two comparisons erred alike."""
        return self.longer * 0.5 * (self.hours_se + self.times_se)


def find_cycles(runs: Runs) -> Cycles:
    """Return the whole cycles of a log that no other source took part in."""
    log = runs.log
    if not len(runs) or not math.isfinite(log.usual_v):
        return Cycles(*np.empty((4, 0)))
    opens = np.flatnonzero(np.diff(runs.begun_s, prepend=-np.inf))  # pieces of long runs are joined
    first, last = runs.first[opens], runs.last[np.append(opens[1:], len(runs)) - 1]
    high_v = HELD_V * blocks_in_series(log.usual_v)
    logged = np.concatenate(([0.0], np.cumsum(log.duration_s)))
    begin, end, upto = first[:-1], last[:-1], first[1:]
    run_s, rest_s = log.end_s[end] - log.start_s[begin], log.start_s[upto] - log.end_s[end]
    settled = np.searchsorted(log.start_s, log.end_s[end] + SETTLED_S, side="right")
    whole = (rest_s > SETTLED_S) & (settled < upto)
    whole &= logged[upto] - logged[begin] >= WHOLE * (run_s + rest_s)
    if not whole.any():
        return Cycles(*np.empty((4, 0)))

    def of_each(values: Floats, first: Indices, end: Indices, add: np.ufunc) -> Floats:
        """Reduce the values from ``first`` up to ``end`` of each whole cycle."""
        edges = np.column_stack((first[whole], end[whole])).ravel()
        reduced: Floats = add.reduceat(values, edges)[::2]
        return reduced

    # Without a voltage the log does not show that nothing else charged.
    free = of_each(log.voltage_max_v, settled, upto, np.fmax) < high_v
    told = np.isfinite(log.charge_c)
    charge_c = of_each(np.where(told, log.charge_c, 0.0), begin, end + 1, np.add)
    measured_s = of_each(np.where(told, log.duration_s, 0.0), begin, end + 1, np.add)
    with np.errstate(invalid="ignore"):
        mean_a = charge_c / measured_s
        free &= mean_a > 0.0
    found = (log.start_s[begin[whole]], run_s[whole] / 3600.0, rest_s[whole] / 3600.0, mean_a)
    return Cycles(*(values[free] for values in found))


def find_change(cycles: Cycles) -> Change | None:
    """Hold what the sensor shows against the two comparisons; None where there is too little."""
    third = len(cycles.time_s) // 3
    if third < LEAST_CYCLES:
        return None
    early, late = slice(0, third), slice(len(cycles.time_s) - third, None)
    begin_s, end_s = (float(np.median(cycles.time_s[part])) for part in (early, late))
    if end_s - begin_s < LEAST_DAYS * DAY_S:
        return None
    before, after = _balance(cycles, early), _balance(cycles, late)
    if before is None or after is None:
        return None
    (was, was_var), (became, became_var) = before, after
    seen, by_hours, by_times = (float(change) for change in became - was)
    var = was_var + became_var
    of_hours, of_times = (var[0, 0] + var[k, k] - 2.0 * var[0, k] for k in (1, 2))
    return Change(
        seen,
        by_hours,
        by_times,
        math.sqrt(USUAL_CHANGE**2 + of_hours),
        math.sqrt(USUAL_CHANGE**2 + of_times),
        begin_s,
        end_s,
        _middle_change(cycles, early, late),
        float(cycles.time_s[-1] - cycles.time_s[0]) / (end_s - begin_s),
    )


def _middle_change(cycles: Cycles, early: slice, late: slice) -> tuple[float, float, float]:
    """Return how I, I / L and I / C of the middle cycle have changed, as logarithms."""
    both = cycles.run_h + cycles.rest_h
    of_cycles = (
        cycles.current_a,
        both / cycles.run_h,
        both / (cycles.run_h * cycles.rest_h),
    )
    seen, hours, times = (
        math.log(np.median(values[late]) / np.median(values[early])) for values in of_cycles
    )
    return seen, hours, times


def _balance(cycles: Cycles, part: slice) -> tuple[Floats, Floats] | None:
    """Return the logarithms of I, I / L and I / C of some cycles, and their covariance.

    The covariance is found by leaving out one week after the other: cycles of a week have the same
    load, and are no independent witnesses.
    """
    run, rest = cycles.run_h[part], cycles.rest_h[part]
    week = np.unique(cycles.time_s[part] // WEEK_S, return_inverse=True)[1]
    weeks = int(week.max()) + 1
    if weeks < LEAST_WEEKS:
        return None
    charge = run * cycles.current_a[part]
    sums = np.array([np.bincount(week, x) for x in (run, rest, charge, np.ones(len(run)))])

    def logs(of: Floats) -> Floats:
        run_h, rest_h, ah, count = of
        share = np.log((run_h + rest_h) / run_h)
        return np.array([np.log(ah / run_h), share, share + np.log(count / rest_h)])

    whole = sums.sum(axis=1)
    without = logs(whole[:, None] - sums)
    apart = without - without.mean(axis=1, keepdims=True)
    return logs(whole), (weeks - 1) / weeks * apart @ apart.T


def in_doubt(change: Change) -> bool:
    """Tell whether the sensor shows a change that neither comparison bears out, or hides one."""
    others = (change.by_hours, change.by_times)
    errors = (change.hours_se, change.times_se)
    apart = [abs(change.seen - w) / se for w, se in zip(others, errors, strict=True)]
    if min(apart) < SURE or sum(apart) < SURE_OF_BOTH:
        return False
    all_cycles = (change.seen, *others)
    return any(says(*all_cycles) and says(*change.middle) for says in (_falls_alone, _hides_wear))


def _falls_alone(seen: float, by_hours: float, by_times: float) -> bool:
    """Tell whether the sensor says less, and neither comparison does.

    No charger grows stronger with use: where a comparison rose, load or bank have changed.
    """
    return seen < -LEAST and all(LESS_THAN * seen < w < LEAST for w in (by_hours, by_times))


def _hides_wear(seen: float, by_hours: float, by_times: float) -> bool:
    """Tell whether both comparisons say less, and the sensor does not."""
    least = max(by_hours, by_times)
    return least < -LEAST and LESS_THAN * least < seen < LEAST


def gain_finding(change: Change, cycles: Cycles) -> Finding:
    """Tell what was compared, and ask for a clamp reading."""

    def percent(logarithm: float) -> str:
        # Adding nothing makes a zero of "-0".
        return f"{round(100.0 * math.expm1(logarithm)) + 0.0:+.0f} %"

    when = f"from {day(change.begin_s)} to {day(change.end_s)}"
    compared = (
        f"the current sensor says {percent(change.seen)}, running hours against the load "
        f"{percent(change.by_hours)}, the times of charging and resting {percent(change.by_times)}"
    )
    said = (
        f"it shows {100.0 * abs(math.expm1(change.seen)):.0f} % less output, but the charger does "
        "not run longer for it"
        if change.seen < LESS_THAN * max(change.by_hours, change.by_times) and change.seen < -LEAST
        else "the charger runs longer than the output that it shows explains"
    )
    return Finding(
        GAIN_DRIFT,
        Severity.DOUBT,
        change.begin_s,
        f"The current sensor may drift: {said}. "
        f"Compared {when}: {compared}. Either the sensor's gain drifts, or load and bank changed "
        "by the same part. The fuel per kWh follows the same sensor and is no second proof. The "
        "interval holds both readings.",
        "Hold a clamp meter on the charger's lead in a run and record what it shows: ebbwatt event "
        "add reading --current A --voltage V. Replace nothing before.",
        "the same change by each of the three",
        compared,
        series("mean current of a run", "A", cycles.time_s, cycles.current_a),
    )


def look_for_drift(cycles: Cycles) -> tuple[Finding, float] | None:
    """Return a finding where the sensor's gain is in doubt, and what it may have changed by.

    That is what the others say, and their own error beyond it (90 %): a truth that is just theirs
    would lie outside of the interval half of the time.
    """
    change = find_change(cycles)
    if change is None or not in_doubt(change):
        return None
    return gain_finding(change, cycles), abs(math.expm1(change.gain)) + Z90 * change.gain_se
