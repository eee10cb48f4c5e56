"""A voltage that stands still, or that does not rise, while the charger starts and stops."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.channels.still import still_stretches
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.zero import mean_current
from analysis.physics import blocks_in_series
from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs

    Flags = NDArray[np.bool_]
    Floats = NDArray[np.float64]

# Limits without another reason are a judgement (no source).
#: A voltage that changes by no more than this stands still, V.
STILL_V = 0.002
#: It is stuck if it stands still for so long, h, while the charger starts or stops so often: each
#: moves the voltage of a bank by a tenth of a volt and more (common practice, no source).
STILL_H, TURNS = 48.0, 4
#: A start of the charger raises the voltage of its bank: by this much at least, V per 12 V, even a
#: large lithium one on its plateau (30 A into 3 mOhm; common practice, no source). So many starts
#: must show less.
LEAST_RISE_V, STARTS, MOST_STARTS = 0.04, 15, 300
#: The hour before a start, and the time after it that is compared, s.
BEFORE_S, AFTER_S = 3600.0, (1200.0, 5400.0)
#: Below and above these parts of the rated current the charger rests and runs.
RESTS_BELOW, RUNS_ABOVE = 0.1, 0.3


def stuck_voltage(log: History, rated_a: float) -> tuple[Finding, Flags] | None:
    """Return a finding about a voltage that stands still, and the intervals in which it stands."""
    current = mean_current(log)
    voltage = log.voltage_mean_v
    found = still_stretches(log, voltage, np.isfinite(voltage), STILL_V)
    if found is None:
        return None
    told, opens, hours = found.told, found.opens, found.hours
    if hours.max() < STILL_H:
        return None
    part = current[told] / rated_a
    with np.errstate(invalid="ignore"):
        clear = np.flatnonzero((part < RESTS_BELOW) | (part > RUNS_ABOVE))
    if len(clear) < 2:
        return None
    runs = part[clear] > RUNS_ABOVE
    turned = np.zeros(len(told))
    turned[clear[1:]] = runs[1:] != runs[:-1]
    # A turn at the edge of a stretch moved the voltage, as it must.
    turned[opens] = 0.0
    turns = np.add.reduceat(turned, opens)
    bad = (hours >= STILL_H) & (turns >= TURNS)
    if not bad.any():
        return None
    still = found.intervals(bad, len(log))
    first = int(np.argmax(still))
    since_s, value = float(log.start_s[first]), float(voltage[first])
    total_h, count = float(hours[bad].sum()), int(turns[bad].sum())
    newest = ", so nothing newer is known" if still[told[-1]] else ""
    finding = Finding(
        "voltage_stuck",
        Severity.DOUBT,
        since_s,
        f"The voltage stands at {value:.2f} V for {total_h:.0f} h from {day(since_s)} on, though "
        f"the charger started or stopped {count} times. The value is stuck. These hours are left "
        f"out{newest}.",
        "Hold a voltmeter on the charger's terminals and compare. Check the cable of the "
        "measurement, and any device that repeats the last value when the link is lost. Import "
        "this time again if it was recorded elsewhere.",
        "a voltage that rises when the charger starts and falls when it stops",
        f"{value:.2f} V for {total_h:.0f} h with {count} starts and stops",
        series("voltage", "V", log.start_s[told], voltage[told]),
    )
    return finding, still


def without_voltage(log: History, where: Flags) -> History:
    """Return the log without voltage and energy in some intervals."""
    return replace(
        log,
        energy_j=np.where(where, np.nan, log.energy_j),
        voltage_min_v=np.where(where, np.nan, log.voltage_min_v),
        voltage_max_v=np.where(where, np.nan, log.voltage_max_v),
        voltage_mean_v=np.where(where, np.nan, log.voltage_mean_v),
        voltage_last_v=np.where(where, np.nan, log.voltage_last_v),
    )


def rises_at_start(runs: Runs, rated_a: float) -> tuple[Floats, Floats]:
    """Return when the charger started and by how much the voltage rose, V; shape (starts,).

    Of many starts some are taken, evenly over the log: more tell nothing new and cost time.
    """
    log = runs.log
    current, volts, end_s = mean_current(log), log.voltage_mean_v, log.end_s
    told = np.isfinite(volts)
    found: list[tuple[float, float]] = []
    begun_s = np.unique(runs.begun_s)
    for start_s in begun_s[:: 1 + len(begun_s) // MOST_STARTS].tolist():
        first = int(np.searchsorted(log.start_s, start_s))
        begin = int(np.searchsorted(end_s, start_s - BEFORE_S))
        upto = int(np.searchsorted(log.start_s, start_s + AFTER_S[1]))
        before, after = slice(begin, first), slice(first, upto)
        rests = told[before] & (current[before] < RESTS_BELOW * rated_a)
        late = log.start_s[after] >= start_s + AFTER_S[0]
        gives = told[after] & late & (current[after] > RUNS_ABOVE * rated_a)
        if rests.any() and gives.any():
            rests_v = quantile_of(volts[before][rests], 0.5)
            found.append((start_s, quantile_of(volts[after][gives], 0.5) - rests_v))
    at_s, rise = np.array(found).reshape(-1, 2).T
    return at_s, rise


def foreign_voltage(runs: Runs, rated_a: float, volts: float) -> Finding | None:
    """Return a finding where the voltage does not notice that the charger starts."""
    at_s, rise_v = rises_at_start(runs, rated_a)
    least_v = LEAST_RISE_V * blocks_in_series(volts)
    if len(rise_v) < STARTS or float(np.quantile(rise_v, 0.75)) >= least_v:
        return None
    usual_v = round(float(np.median(rise_v)), 2) + 0.0  # no "-0.00 V"
    return Finding(
        "voltage_elsewhere",
        Severity.DOUBT,
        float(at_s[0]),
        f"The voltage does not rise when the charger starts: by {usual_v:.2f} V at {len(rise_v)} "
        "starts. It is not that of the bank that the charger charges, so power, charge state and "
        "load are wrong.",
        "Look where voltage_v is measured: at the starter battery, behind an open switch or a bad "
        "joint, or a figure that a device only repeats. Measure it at the charger's own terminals.",
        f"a rise by {least_v:.2f} V and more at most starts",
        f"{usual_v:.2f} V at {len(rise_v)} starts",
        series("rise of the voltage at each start", "V", at_s, rise_v, least_v),
    )
