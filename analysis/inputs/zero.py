"""The zero of the current: what the sensor says while the charger rests, over the years.

A charger that rests gives nothing, so whatever the sensor says then is its zero. It is found by
stretches of two weeks, so that a drift over the years is followed; it is taken off before anything
else is concluded, and how well it is known goes into every interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.history.history import STATE_CODE
from analysis.inputs.finding import Finding, Severity, series
from logger.reading import OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: The zero is looked at in stretches of so many days with at least so many hours of rest.
BLOCK_D, LEAST_REST_H = 14.0, 6.0
#: At rest the current stands still. Half of it must lie within this part of the rated current, or
#: it is no zero but a current: a load, a trickle. (A class 1 sensor repeats better.)
STEADY = 0.01
#: Current below this part of rated may be a zero; above, it is a current.
MAY_BE_ZERO = 0.35
#: A smaller zero is left alone, part of the rated current: far below what anybody can act on.
LEAST = 0.004
#: From this part of the rated current on it is a doubt: somebody should adjust the sensor.
DOUBTFUL = 0.02
#: The zero is not known better than this, A: the last digit of common sensors.
LEAST_SD_A = 0.005

_RESTS = tuple(
    STATE_CODE[s] for s in (OperatingState.OFF, OperatingState.SLEEPING, OperatingState.STANDBY)
)


@dataclass(frozen=True, slots=True)
class Zero:
    """Current at rest over time, arrays of shape (blocks,)."""

    time_s: Floats
    current_a: Floats
    sd_a: float
    """How well it is known at any time, A."""

    def at(self, time_s: Floats) -> Floats:
        """Return the zero at times, A; before and after the blocks it is that of the nearest."""
        return np.interp(time_s, self.time_s, self.current_a)


def mean_current(log: History) -> Floats:
    """Return the mean current of each interval, A; NaN where not measured."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return log.charge_c / log.duration_s


def find_zero(log: History, rated_a: float) -> Zero | None:
    """Find the zero of the current in a log in order of time; None where no rest shows it."""
    if len(log) == 0:
        return None
    current = mean_current(log)
    with np.errstate(invalid="ignore"):
        low = np.isfinite(current) & (np.abs(current) < MAY_BE_ZERO * rated_a)
    by_state = low & np.isin(log.state, _RESTS)
    # A source that tells states tells when it rests; else the lowest current that stands still.
    rest = by_state if log.duration_s[by_state].sum() > 0.2 * log.duration_s[low].sum() else low
    block = np.floor((log.start_s - log.start_s[0]) / (86400.0 * BLOCK_D)).astype(np.intp)
    at = np.flatnonzero(rest)
    opens = np.flatnonzero(np.diff(block[at], prepend=-1))
    times, values = [], []
    for part in np.split(at, opens[1:]):
        if log.duration_s[part].sum() < 3600.0 * LEAST_REST_H or len(part) < 5:
            continue
        middle, width = _shortest_half(current[part])
        if width <= STEADY * rated_a:
            times.append(float(np.median(log.start_s[part])))
            values.append(middle)
    if not values:
        return None
    time_s, current_a = np.array(times), np.array(values)
    return Zero(time_s, current_a, _spread(current_a))


def _shortest_half(values: Floats) -> tuple[float, float]:
    """Return the middle and the half width of the shortest stretch that holds half of the values.

    Source: the shorth of Andrews et al. 1972, Robust Estimates of Location (from memory).
    """
    ordered = np.sort(values)
    half = len(ordered) // 2 + 1
    width = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    best = int(np.argmin(width))
    inside = ordered[best : best + half]
    return float(inside.mean()), 0.5 * float(width[best])


def _spread(values: Floats) -> float:
    """Return how far neighbouring blocks scatter about a course that may drift, A."""
    if len(values) < 3:
        return LEAST_SD_A
    bend = values[1:-1] - 0.5 * (values[:-2] + values[2:])
    return max(LEAST_SD_A, 1.4826 * float(np.median(np.abs(bend))) / math.sqrt(1.5))


def matters(zero: Zero | None, rated_a: float) -> bool:
    """Tell whether the zero is far enough off to be taken off."""
    return zero is not None and float(np.abs(zero.current_a).max()) > LEAST * rated_a


def without_zero(log: History, zero: Zero) -> History:
    """Return the log with the zero taken off charge and energy."""
    off_c = zero.at(log.start_s + 0.5 * log.duration_s) * log.duration_s
    return replace(
        log, charge_c=log.charge_c - off_c, energy_j=log.energy_j - off_c * log.voltage_mean_v
    )


def zero_finding(zero: Zero, rated_a: float) -> Finding:
    """Tell the zero that was taken off."""
    first, last = float(zero.current_a[0]), float(zero.current_a[-1])
    most = float(zero.current_a[np.argmax(np.abs(zero.current_a))])
    severity = Severity.DOUBT if abs(most) >= DOUBTFUL * rated_a else Severity.NOTE
    drifts = abs(last - first) > max(LEAST * rated_a, 4.0 * zero.sd_a)
    if drifts:
        years = (zero.time_s[-1] - zero.time_s[0]) / (365.25 * 86400.0)
        seen = f"{first:+.2f} A on {day(zero.time_s[0])}, {last:+.2f} A on {day(zero.time_s[-1])}"
        pace = f" ({(last - first) / years:+.2f} A a year)" if years > 0.5 else ""
        text = f"The zero of the current sensor drifts: at rest it shows {seen}{pace}."
    else:
        seen = f"{np.median(zero.current_a):+.2f} A at rest"
        text = f"The current sensor shows {seen}, where nothing flows."
    return Finding(
        "current_zero",
        severity,
        float(zero.time_s[0]),
        f"{text} It was taken off every reading; what is left of it ({zero.sd_a:.3f} A) is in the "
        "intervals.",
        "Set the sensor's zero with the charger switched off, or exchange the sensor.",
        "0 A at rest",
        seen,
        series("current at rest", "A", zero.time_s, zero.current_a, 0.0),
    )
