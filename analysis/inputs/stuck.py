"""A current that stands still though the voltage moves, and one that never passes a figure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.zero import mean_current

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: A current that does not move by more than this, A, ...
STILL_A = 0.002
#: ... for so long, h, while the voltage moves by so much (V per 12 V), is stuck. Between rest and
#: running the voltage of a 12 V bank moves by a volt and more (common practice, no source).
STILL_H, MOVES_V = 48.0, 0.5
#: Below this part of the rated current it may be a charger that rests, seen by a sensor whose zero
#: is off: a digital one shows the same figure for days.
AT_REST = 0.35
#: The sensor is at the end of its range where so much of the running lies within this part of the
#: highest current ...
SHARE, WITHIN = 0.3, 0.002
#: ... though the voltage meanwhile moves by so much, V per 12 V: at a steady power the current
#: would follow it by 4 %.
SPANS_V = 0.5
#: Running is a current above this part of rated.
RUNNING = 0.4
_LEAST_H = 24.0


def stuck_current(log: History, rated_a: float, volts: float) -> tuple[Finding, Flags] | None:
    """Return a finding about a current that stands still, and the intervals in which it does."""
    current = mean_current(log)
    told = np.flatnonzero(np.isfinite(current) & np.isfinite(log.voltage_mean_v))
    if len(told) < 2:
        return None
    moves = np.abs(np.diff(current[told])) > STILL_A
    number = np.concatenate(([0], np.cumsum(moves)))
    opens = np.flatnonzero(np.diff(number, prepend=-1))
    hours = np.add.reduceat(log.duration_s[told], opens) / 3600.0
    voltage = log.voltage_mean_v[told]
    span = np.maximum.reduceat(voltage, opens) - np.minimum.reduceat(voltage, opens)
    bad = (hours >= STILL_H) & (span >= MOVES_V * volts / 12.0)
    bad &= np.abs(current[told][opens]) > AT_REST * rated_a
    if not bad.any():
        return None
    still = np.zeros(len(log), dtype=bool)
    still[told[bad[number]]] = True
    first = int(np.argmax(still))
    value, total_h = float(current[first]), float(hours[bad].sum())
    since_s = float(log.start_s[first])
    lasts = bool(still[told[-1]])
    finding = Finding(
        "current_stuck",
        Severity.DOUBT,
        since_s,
        f"The current stands at {value:.2f} A for {total_h:.0f} h from {day(since_s)} on, while "
        f"the voltage moves by {float(span[bad].max()):.1f} V: the value is stuck. These hours are "
        f"left out{', so that nothing newer is known' if lasts else ''}.",
        "Look at the sensor, its cable and what repeats its last value when the link is lost. "
        "Import the time again if it was recorded elsewhere.",
        "a current that follows the charger",
        f"{value:.2f} A for {total_h:.0f} h",
        series("current", "A", log.start_s[told], current[told]),
    )
    return finding, still


def without_current(log: History, where: Flags) -> History:
    """Return the log without current and energy in some intervals."""
    return replace(
        log,
        charge_c=np.where(where, np.nan, log.charge_c),
        energy_j=np.where(where, np.nan, log.energy_j),
    )


def saturated_current(log: History, rated_a: float, volts: float) -> Finding | None:
    """Return a finding where the current never passes a figure, whatever the voltage."""
    current, voltage = mean_current(log), log.voltage_mean_v
    with np.errstate(invalid="ignore"):
        running = (current > RUNNING * rated_a) & np.isfinite(voltage)
    if log.duration_s[running].sum() < 3600.0 * _LEAST_H:
        return None
    top = float(np.quantile(current[running], 0.999))
    with np.errstate(invalid="ignore"):
        at_top = running & (np.abs(current / top - 1.0) < WITHIN)
    share = float(log.duration_s[at_top].sum() / log.duration_s[running].sum())
    if share < SHARE:
        return None
    low_v, high_v = np.quantile(voltage[at_top], (0.1, 0.9))
    if high_v - low_v < SPANS_V * volts / 12.0:
        return None
    return Finding(
        "current_saturates",
        Severity.DOUBT,
        None,
        f"The current never passes {top:.2f} A and stands there in {100.0 * share:.0f} % of the "
        f"running, from {low_v:.1f} to {high_v:.1f} V: the sensor is at the end of its range, or "
        "a limit of the current is set. What was seen is a lower bound of the output.",
        "Hold a clamp meter against it while the charger runs. Take a sensor with a wider range, "
        "or lift the limit for an hour.",
        f"a current that falls by {100.0 * (1.0 - low_v / high_v):.0f} % over these volts",
        f"{top:.2f} A throughout",
        series("current of the running charger", "A", log.start_s[running], current[running]),
    )
