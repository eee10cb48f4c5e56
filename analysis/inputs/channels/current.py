"""Finds a current that stands still while the voltage moves, or never exceeds a figure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.channels.still import still_stretches
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.zero import mean_current
from analysis.physics import NOMINAL_V

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# Limits without another reason are a judgement (no source).
#: A current that changes by no more than this stands still, A.
STILL_A = 0.002
#: A current is stuck if it stands still for this long, h, while the voltage moves by this much, V
#: per 12 V. Between rest and running the voltage of a 12 V bank moves by a volt and more (common
#: practice, no source).
STILL_H, MOVES_V = 48.0, 0.5
#: Below this part of the rated current the charger may be at rest, measured by a sensor with a
#: wrong zero: a digital one shows the same figure for days.
AT_REST = 0.35
#: The sensor is at the end of its range if this share of the running lies within this part of the
#: highest current, while the voltage moves by at least ``SPANS_V``.
SHARE, WITHIN = 0.3, 0.002
#: Least movement of the voltage, V per 12 V: at constant power the current would move by 4 %.
SPANS_V = 0.5
#: The charger runs if the current is above this part of the rated one.
RUNNING = 0.4
#: Least running for this check, h.
_LEAST_H = 24.0
#: From this part of the running on at one figure it is no measured current: even a sensor at the
#: end of its range shows less at starts and at the end of a charge.
NOT_MEASURED = 0.95
#: Steps of coarse sensors, A; one is found where this part of the values lie on its multiples, on
#: at least so many of them, each with this part of the values: a set value is one alone.
_STEPS_A, _ON_STEPS, _FEWEST_VALUES = (1.0, 0.5, 0.2, 0.1), 0.5, 50
_MULTIPLES, _EACH = 3, 0.02


def stuck_current(log: History, rated_a: float, volts: float) -> tuple[Finding, Flags] | None:
    """Return a finding about a current that stands still, and the intervals in which it stands."""
    current = mean_current(log)
    known = np.isfinite(current) & np.isfinite(log.voltage_mean_v)
    found = still_stretches(log, current, known, STILL_A)
    if found is None:
        return None
    told, opens, hours = found.told, found.opens, found.hours
    if hours.max() < STILL_H:
        return None
    voltage = log.voltage_mean_v[told]
    span = np.maximum.reduceat(voltage, opens) - np.minimum.reduceat(voltage, opens)
    bad = (hours >= STILL_H) & (span >= MOVES_V * volts / NOMINAL_V)
    bad &= np.abs(current[told][opens]) > AT_REST * rated_a
    if not bad.any():
        return None
    # At constant power a coarse sensor stands still until the current has moved by a whole step.
    elsewhere = np.ones(len(log), dtype=bool)
    elsewhere[found.intervals(bad, len(log))] = False
    step_a = step_of(current[elsewhere & known], rated_a)
    bad &= np.abs(current[told][opens]) * span / volts > step_a
    if not bad.any():
        return None
    still = found.intervals(bad, len(log))
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
        f"left out{', so nothing newer is known' if lasts else ''}.",
        "Check the sensor, its cable, and any device that repeats the last value when the link is "
        "lost. Import this time again if it was recorded elsewhere.",
        "a current that follows the charger",
        f"{value:.2f} A for {total_h:.0f} h",
        series("current", "A", log.start_s[told], current[told]),
    )
    return finding, still


def step_of(current_a: Floats, rated_a: float) -> float:
    """Return the step of a coarse sensor, A; zero for a fine one, or where too few values tell."""
    with np.errstate(invalid="ignore"):
        flows = current_a[np.abs(current_a) > AT_REST * rated_a]
    if len(flows) < _FEWEST_VALUES:
        return 0.0
    for step in _STEPS_A:
        multiple = np.round(flows / step)
        on = np.abs(flows - step * multiple) < STILL_A
        if float(np.mean(on)) < _ON_STEPS:
            continue
        _, times = np.unique(multiple[on], return_counts=True)
        if int((times >= _EACH * len(flows)).sum()) >= _MULTIPLES:
            return step
    return 0.0


def without_current(log: History, where: Flags) -> History:
    """Return the log without current and energy in some intervals."""
    return replace(
        log,
        charge_c=np.where(where, np.nan, log.charge_c),
        energy_j=np.where(where, np.nan, log.energy_j),
    )


def saturated_current(log: History, rated_a: float, volts: float) -> Finding | None:
    """Return a finding if the current never exceeds a figure, whatever the voltage is."""
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
    if high_v - low_v < SPANS_V * volts / NOMINAL_V:
        return None
    step_a = step_of(current[running & (np.abs(current / top - 1.0) >= WITHIN)], rated_a)
    if top * (1.0 - low_v / high_v) < step_a:
        return None
    if share >= NOT_MEASURED:
        cause = (
            "That is no measured current: the device tells a set value, or the sensor is at the "
            "end of its range. Nothing can be said of the output."
        )
    else:
        cause = (
            "The sensor is at the end of its range, or a limit of the current is set. The measured "
            "output is a lower bound."
        )
    return Finding(
        "current_saturates",
        Severity.STOP if share >= NOT_MEASURED else Severity.DOUBT,
        None,
        f"The current never exceeds {top:.2f} A and stays there for {100.0 * share:.0f} % of the "
        f"running, from {low_v:.1f} to {high_v:.1f} V. {cause}",
        "Compare with a clamp meter while the charger runs. If the log repeats a set value, log a "
        "measured one. If the clamp shows more, fit a sensor with a wider range, or lift the limit "
        "for an hour.",
        f"a current that falls by {100.0 * (1.0 - low_v / high_v):.0f} % over these volts",
        f"{top:.2f} A throughout",
        series("current of the running charger", "A", log.start_s[running], current[running]),
    )
