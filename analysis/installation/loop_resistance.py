"""Resistance of the loop charger, leads, battery, from the steps of the charger's current.

When the charger stops, its current falls to zero within a reading, and the voltage at its terminals
falls with it. Step of voltage over step of current is the resistance of the loop: both leads, fuse,
joints, and the battery's own resistance at that instant. The log holds one voltage, so the
battery's part cannot be separated by measurement.

Intervals show the step as sharply as the readings do. Neighbours share an instant, so the last
voltage of an interval is the first of the next; with I the mean current, V the mean and L the last
voltage of the interval before a rest,

    (V - L) / (I - I of the rest)

is the resistance wherever inside the interval the current fell, because mean current and mean
voltage hold the same share of the step. The change of the battery's voltage meanwhile remains as an
error: little in a second, much in a minute. So steps seen by slow readings give an upper bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90, Span
from analysis.statistics.robust import LEAST_BEYOND, robust_fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Greatest spacing of readings for a sharp step, s. With slower ones the battery relaxes within the
#: step: on invented boats the figure came out 1 % too high at 1 s, 5 % at 5 s, 10 % at 10 s and 80
#: % at 60 s.
SHARP_S = 5.0
#: Correction for the battery's relaxation within a step, part of the figure at one second between
#: readings, and its standard deviation. It grows with the root of the time, as diffusion does. Two
#: generators of invented batteries gave 0 to 5 %, more the fuller the battery is.
RELAXED, RELAXED_SD = 0.02, 0.012
#: Least current of a step, and greatest current at rest, parts of the rated current (judgement).
_STEP, _REST = 0.15, 0.02
#: A start counts only if the current is steady at once: within this part of the current that
#: follows (judgement).
_STANDS = 0.05
#: Longest interval before a start, s: at rest, loads move the voltage within a longer one (our
#: choice).
_LONGEST_BEFORE_S = 90.0
#: Greatest time between intervals that share a reading, s (our choice).
_JOINED_S = 1.0
#: Difference of two stored voltages that rounding may cause, V: each is rounded to a thousandth.
_ROUNDING_V = 0.0015
#: Least scatter of a voltage that is read to a hundredth of a volt, V (a step of a hundredth has
#: a standard deviation of 0.01 / sqrt(12)).
_LEAST_SD_V = 0.003
#: Fewest steps and running hours for a trend (judgement).
TREND_STEPS, TREND_H = 10, 200.0
#: Fewest steps for a resistance with an interval.
LEAST_STEPS = 1 + LEAST_BEYOND
#: A longer interval than this part of the figure, each way, is reported as wide (judgement).
_WIDE = 0.1


@dataclass(frozen=True, slots=True)
class Steps:
    """Steps of the charger's current; arrays of shape (n,), in order of time."""

    time_s: Floats
    """Unix time."""
    runtime_h: Floats
    """Running hours of the fitting."""
    volts: Floats
    amps: Floats
    """Size of the step, at least :data:`_STEP` of the rated current."""
    spacing_s: Floats
    """Time between readings round the step."""

    def __len__(self) -> int:
        """Return the number of steps."""
        return len(self.time_s)

    def select(self, keep: Flags) -> Steps:
        """Return the steps picked by a mask."""
        return Steps(
            self.time_s[keep],
            self.runtime_h[keep],
            self.volts[keep],
            self.amps[keep],
            self.spacing_s[keep],
        )


@dataclass(frozen=True, slots=True)
class Loop:
    """The resistance, ohm, or only its upper end; and why it is unknown or uncertain."""

    ohm: Span
    steps: int
    reason: str | None = None


def current_steps(runs: Runs, rated_a: float) -> Steps:
    """Find the stops and sharp starts of the charger's current.

    Parameters
    ----------
    runs
        The runs of the log; intervals without voltage or current tell nothing.
    rated_a
        Rated output over the nominal voltage, A.
    """
    log = runs.log
    amps = log.charge_c / log.duration_s
    spacing = log.duration_s / np.maximum(log.readings, 1)
    joined = _joined(log)
    before, after = amps[:-1], amps[1:]
    with np.errstate(invalid="ignore"):
        stops = joined & (after < _REST * rated_a) & (before - after > _STEP * rated_a)
        resting = (before < _REST * rated_a) & (log.duration_s[:-1] <= _LONGEST_BEFORE_S)
        starts = joined & resting & (after - before > _STEP * rated_a) & _stands(amps, joined)
    place = np.flatnonzero(stops | starts)
    sign = np.where(stops[place], 1.0, -1.0)
    found = Steps(
        log.end_s[place],
        runs.hours.at_end_h[place],
        sign * (log.voltage_mean_v[place] - log.voltage_last_v[place]),
        sign * (before[place] - after[place]),
        np.where(stops[place], spacing[place], np.maximum(spacing[place], spacing[place + 1])),
    )
    return found.select(np.isfinite(found.volts) & np.isfinite(found.amps))


def _joined(log: History) -> Flags:
    """Tell which intervals share the reading between them with the next one.

    Its voltage then lies within what the next one saw; where it does not, the step is lost.
    """
    shared = log.voltage_last_v[:-1]
    return (
        (np.abs(log.start_s[1:] - log.end_s[:-1]) < _JOINED_S)
        & (shared >= log.voltage_min_v[1:] - _ROUNDING_V)
        & (shared <= log.voltage_max_v[1:] + _ROUNDING_V)
    )


def _stands(amps: Floats, joined: Flags) -> Flags:
    """Tell where the current after a boundary stays what it is in the interval after that."""
    following = np.append(amps[2:], np.nan)
    goes_on = np.append(joined[1:], [False])[: len(joined)]
    return goes_on & (np.abs(following - amps[1:]) < _STANDS * np.abs(amps[1:]))


def loop_resistance(steps: Steps) -> Loop:
    """Return the resistance from the steps; only an upper end where readings are far apart."""
    sharp = steps.select(steps.spacing_s <= SHARP_S)
    used = sharp if len(sharp) >= LEAST_STEPS else steps
    if len(used) < LEAST_STEPS:
        missing = LEAST_STEPS - len(used)
        times = "once" if missing == 1 else f"{missing} times"
        return Loop(
            Span(),
            len(used),
            f"{len(used)} of {LEAST_STEPS} starts or stops seen: let it run at full output and "
            f"stop it {times} more",
        )
    ohm = robust_fit(used.amps[:, None], used.volts, _LEAST_SD_V)[0]
    spacing_s = float(np.median(used.spacing_s))
    if used is not sharp or ohm.low is None or ohm.median is None:
        return Loop(
            Span(high=ohm.high),
            len(used),
            f"only an upper end: between readings {spacing_s:.0f} s apart the battery relaxes; "
            f"read at least every {SHARP_S:.0f} s",
        )
    root = math.sqrt(spacing_s)
    middle = ohm.median * (1.0 - RELAXED * root)
    half = math.hypot(ohm.median - ohm.low, Z90 * RELAXED_SD * root * ohm.median)
    wide = None
    if half > _WIDE * middle:
        wide = (
            f"only to within {100.0 * half / middle:.0f} % from {len(used)} starts or stops; "
            "more of them make it surer"
        )
    return Loop(Span(max(middle - half, 0.0), middle, middle + half), len(used), wide)


def loop_trend(steps: Steps) -> Loop:
    """Return the change of the resistance, ohm per 1000 running hours."""
    sharp = steps.select(steps.spacing_s <= SHARP_S)
    if len(sharp) < TREND_STEPS:
        return Loop(
            Span(),
            len(sharp),
            f"{len(sharp)} of {TREND_STEPS} steps with readings at most {SHARP_S:.0f} s apart",
        )
    kh = sharp.runtime_h / 1000.0
    if np.ptp(kh) < TREND_H / 1000.0:
        return Loop(
            Span(),
            len(sharp),
            f"{1000.0 * np.ptp(kh):.0f} of {TREND_H:.0f} running hours between the steps",
        )
    design = np.column_stack((sharp.amps, sharp.amps * (kh - kh.mean())))
    return Loop(robust_fit(design, sharp.volts, _LEAST_SD_V)[1], len(sharp))
