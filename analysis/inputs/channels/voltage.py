"""A voltage that stands still while the charger starts and stops."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.channels.still import still_stretches
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.zero import mean_current

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Flags = NDArray[np.bool_]

# Limits without another reason are a judgement (no source).
#: A voltage that changes by no more than this stands still, V.
STILL_V = 0.002
#: It is stuck if it stands still for so long, h, while the charger starts or stops so often: each
#: moves the voltage of a bank by a tenth of a volt and more (common practice, no source).
STILL_H, TURNS = 48.0, 4
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
