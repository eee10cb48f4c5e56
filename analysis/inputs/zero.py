"""The zero of the current: what the sensor says while the charger rests, over the years.

A charger that rests gives nothing, so whatever the sensor says then is its zero. When it rests is
told by its state or its counter. It is found by stretches of two weeks, so that a drift over the
years is followed; it is taken off before anything else is concluded, and how well it is known goes
into every interval. Where nothing tells a rest, a small steady current may be a zero or a trickle:
that is told, and widens the interval instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import MAD_TO_SD, Z90
from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.rest import told
from analysis.physics import NOMINAL_V
from analysis.statistics.selection import quantile_of
from logger.durations import DAY_S, YEAR_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs
    from analysis.inputs.rest import Told

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: The zero is looked at in stretches of so many days with at least so many hours of rest
#: (our choice, short against a drift, long against a day).
BLOCK_D, LEAST_REST_H = 14.0, 6.0
#: At rest the current stands still. Half of it must lie within this part of the rated current, or
#: it is no zero but a current: a load, a trickle (our choice; a sensor of class 1
#: repeats better).
STEADY = 0.01
#: Current below this part of rated may be a zero; above, it is a current (our choice, well below
#: the output of a worn unit).
MAY_BE_ZERO = 0.35
#: A smaller zero is left alone, part of the rated current: far below what anybody can act on (our
#: choice).
LEAST = 0.004
#: From this part of the rated current on it is a doubt: somebody should adjust the sensor (our
#: choice).
DOUBTFUL = 0.02
#: The zero is not known better than this, A: the last digit of common sensors (common practice, no
#: source).
LEAST_SD_A = 0.005

#: Where neither state nor counter tells a rest: a current that stands still though the voltage
#: moves by so much, V per 12 V, is a zero. A battery that is discharged moves by more in a day;
#: one that is floated does not (common practice, no source).
FREE_V = 0.25


@dataclass(frozen=True, slots=True)
class Zero:
    """Current at rest over time, arrays of shape (blocks,)."""

    time_s: Floats
    current_a: Floats
    sd_a: float
    """How well it is known at any time, A."""
    sure: bool = True
    """False where it may be a small current as well: nothing tells that the charger rests."""

    def at(self, time_s: Floats) -> Floats:
        """Return the zero at times, A; before and after the blocks it is that of the nearest."""
        return np.interp(time_s, self.time_s, self.current_a)


def mean_current(log: History) -> Floats:
    """Return the mean current of each interval, A; NaN where not measured."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return log.charge_c / log.duration_s


def find_zero(runs: Runs, rated_a: float, counted: Told | None = None) -> Zero | None:
    """Find the zero of the current in a log; None where no rest shows it.

    Parameters
    ----------
    runs
        The log in order of time; whether its states are believed.
    rated_a
        Rated current, A.
    counted
        What the hour counter tells of runs and rests, where that is known already.
    """
    log = runs.log
    if len(log) == 0:
        return None
    current = mean_current(log)
    with np.errstate(invalid="ignore"):
        low = np.isfinite(current) & (np.abs(current) < MAY_BE_ZERO * rated_a)
    known = told(runs, counted)
    rests = low & known.rests
    if log.duration_s[rests].sum() >= 3600.0 * LEAST_REST_H:
        found = _by_block(log, current, rests, rated_a)
        if found:
            return _zero(found, sure=True)
    # The lowest current that stands still, where nothing says that it is one.
    found = _by_block(log, current, low & known.untold, rated_a)
    known_v = log.voltage_mean_v[np.isfinite(log.voltage_mean_v)]
    volts = float(np.median(known_v)) if found and len(known_v) else NOMINAL_V
    free = [block for block in found if block[2] >= FREE_V * volts / NOMINAL_V]
    return _zero(free, sure=True) or _zero(found, sure=False)


def _zero(blocks: list[tuple[float, float, float]], *, sure: bool) -> Zero | None:
    if not blocks:
        return None
    time_s, current_a, _ = np.array(blocks).T
    return Zero(time_s, current_a, _spread(current_a), sure)


def _by_block(
    log: History, current: Floats, where: Flags, rated_a: float
) -> list[tuple[float, float, float]]:
    """Return (time, current, span of its voltage) of each stretch of two weeks that stands still.

    The span is that from the first to the last tenth, V.
    """
    block = np.floor((log.start_s - log.start_s[0]) / (DAY_S * BLOCK_D)).astype(np.intp)
    at = np.flatnonzero(where)
    opens = np.flatnonzero(np.diff(block[at], prepend=-1))
    found = []
    for part in np.split(at, opens[1:]):
        if log.duration_s[part].sum() < 3600.0 * LEAST_REST_H or len(part) < 5:
            continue
        middle, width = _shortest_half(current[part])
        if width > STEADY * rated_a:
            continue
        volts = log.voltage_mean_v[part][np.abs(current[part] - middle) <= 2.0 * width + 1e-9]
        volts = volts[np.isfinite(volts)]
        span_v = quantile_of(volts, 0.9) - quantile_of(volts, 0.1) if len(volts) else 0.0
        found.append((quantile_of(log.start_s[part], 0.5), middle, span_v))
    return found


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
    return max(LEAST_SD_A, MAD_TO_SD * float(np.median(np.abs(bend))) / math.sqrt(1.5))


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
        years = (zero.time_s[-1] - zero.time_s[0]) / YEAR_S
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


def unsure_finding(zero: Zero, rated_a: float) -> Finding:
    """Tell a small steady current of which nobody knows whether the charger gives it."""
    seen_a = float(np.median(zero.current_a))
    percent = 100.0 * abs(seen_a) / rated_a
    return Finding(
        "current_zero_unsure",
        Severity.DOUBT,
        float(zero.time_s[0]),
        f"The current stands at {seen_a:+.2f} A for long ({percent:.0f} % of the rated current). "
        "Neither a state nor an hour counter tells whether the charger runs then: it is the "
        "sensor's zero or a trickle. Nothing was taken off; the interval is wider by it.",
        "Switch the charger off for a minute and look at what the sensor shows. Best log the "
        "charger's state or its hour counter, too.",
        "0 A at rest, with a state or a counter that tells the rest",
        f"{seen_a:+.2f} A, steady",
        series("small steady current", "A", zero.time_s, zero.current_a, 0.0),
    )


def sd_of(zero: Zero, shown_elsewhere_a: float) -> float:
    """Return what is left of the zero after it was looked for, A (standard deviation).

    Parameters
    ----------
    zero
        As found.
    shown_elsewhere_a
        What the sensor's data sheet allows, A.
    """
    if not zero.sure:
        # Off or not: the interval of 90 % reaches from one case to the other.
        return max(float(np.abs(zero.current_a).max()) / Z90, shown_elsewhere_a)
    # A device that blanks small currents shows a zero of exactly nothing, whatever it is.
    return zero.sd_a if np.any(zero.current_a != 0.0) else shown_elsewhere_a
