"""Running hours of a fitting: from the charger's own counter where that is credible, else the log.

A counter may be missing, coarse, reset, rolled over, or belong to another unit after an exchange.
Its growth counts while it fits the time that has passed. Where it does not fit, the running hours
of the log replace it, and the break is reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Hours by which a counter's growth may exceed the time that has passed: one step of a counter in
#: whole hours, and a tenth.
SLACK_H = 1.1
#: Part by which it may exceed that time besides: clocks of small boards and counters drift, by far
#: less than this (common practice, no source).
SLACK_SHARE = 0.02
#: A longer gap in the log counts as a boat laid up, h: one week (judgement, no source).
LONGEST_SILENCE_H = 168.0
#: Share of the running hours without power: starting and shutting down (judgement, no source).
EDGES_SHARE = 0.01
#: Counters wrap at powers of ten of hours, or of two of seconds, minutes, hours and their tenths.
MODULI_H = (
    *(10.0**k for k in range(3, 8)),
    *(2.0**bits / per for bits in (16, 24, 32) for per in (1.0, 10.0, 60.0, 3600.0)),
)


@dataclass(frozen=True, slots=True)
class Hours:
    """Running hours at the end of each interval, shape (n,), and how they were found."""

    at_end_h: Floats
    """Never decreasing; starts from the counter's first credible value, or from zero."""
    counted: bool
    """Whether the charger's own counter was used."""
    breaks: NDArray[np.intp]
    """Intervals at which the counter was reset, rolled over or exchanged."""
    wraps: NDArray[np.intp]
    """The roll-overs among ``breaks``; the hours continue across them without doubt."""
    unseen_h: float = 0.0
    """Most hours that the charger may have run unseen, where there is no counter."""


def running_hours(
    end_s: Floats, duration_s: Floats, running: Flags, counter_h: Floats, clock_known: Flags
) -> Hours:
    """Find the running hours at the end of each interval.

    Parameters
    ----------
    end_s, duration_s
        End (Unix time) and length of each interval, s, in order of time.
    running
        Whether the charger ran in the interval.
    counter_h
        Last reading of the charger's counter in each interval, h; NaN where absent.
    clock_known
        False where the interval could only be placed between its neighbours.

    Returns
    -------
    Hours
        Of the same length.
    """
    logged = np.cumsum(np.where(running, duration_s, 0.0)) / 3600.0
    none = np.empty(0, dtype=np.intp)
    told = np.flatnonzero(np.isfinite(counter_h) & (counter_h >= 0.0))

    def uncounted() -> Hours:
        unseen_h = _unseen_h(end_s, duration_s, running)
        return Hours(logged, counted=False, breaks=none, wraps=none, unseen_h=unseen_h)

    if len(told) == 0:
        return uncounted()
    glitch = _glitches(counter_h[told], end_s[told], clock_known[told])
    if glitch.any():
        told = told[~glitch]
    value, known = counter_h[told], clock_known[told]
    growth = np.diff(value)
    # Ten years are a million rows or more, so only few arrays of that length exist at a time.
    room = credible_growth_h(np.diff(end_s[told]) / 3600.0)
    believable = growth <= room
    believable |= ~(known[1:] & known[:-1])
    believable &= growth >= 0.0
    amount = growth.copy()
    odd = np.flatnonzero(~believable)
    amount[odd] = logged[told[odd + 1]] - logged[told[odd]]
    wrapped = np.zeros(len(growth), dtype=bool)
    for k in odd:
        for modulus in MODULI_H:
            over = growth[k] + modulus
            near = value[k] > 0.98 * modulus and value[k] <= modulus
            if growth[k] < 0.0 and near and 0.0 <= over <= room[k]:
                amount[k], wrapped[k] = over, True
                break
    if not (growth[believable] > 0.0).any() and logged[-1] > 2.0 * SLACK_H:
        return uncounted()  # a counter that never counts
    del growth, room
    at_told = value[0] + np.concatenate(([0.0], np.cumsum(amount)))
    at_end = _between(logged, told, at_told)
    broken = told[1:][~believable]
    return Hours(at_end, counted=True, breaks=broken, wraps=told[1:][wrapped])


def credible_growth_h(passed_h: Floats) -> Floats:
    """Return the most by which a counter may grow in a time, h."""
    return passed_h * (1.0 + SLACK_SHARE) + SLACK_H


def _unseen_h(end_s: Floats, duration_s: Floats, running: Flags) -> float:
    """Return the most hours that a charger without a counter may have run unseen.

    In a gap between two running intervals it ran throughout. In other gaps it ran up to twice its
    usual share of the time. In a gap of more than a week the boat was laid up.
    """
    if len(end_s) < 2:
        return 0.0
    gap_h = np.maximum(end_s[1:] - duration_s[1:] - end_s[:-1], 0.0) / 3600.0
    gap_h[gap_h > LONGEST_SILENCE_H] = 0.0
    logged_h = float(duration_s[running].sum()) / 3600.0
    usual = logged_h * 3600.0 / max(float(duration_s.sum()), 1.0)
    through = running[1:] & running[:-1]
    share = np.where(through, 1.0, min(1.0, 2.0 * usual))
    return float(gap_h @ share) + EDGES_SHARE * logged_h


def _glitches(value: Floats, clock: Floats, known: Flags) -> Flags:
    """Mark single readings that jump away from neighbours which agree with each other."""
    bad = np.zeros(len(value), dtype=bool)
    if len(value) < 3:
        return bad

    def agrees(first: Floats, second: Floats, room: Floats) -> Flags:
        rise = second - first
        fits: Flags = rise >= 0.0
        fits &= rise <= room
        return fits

    fits = agrees(value[:-1], value[1:], credible_growth_h(np.diff(clock) / 3600.0))
    fits |= ~(known[1:] & known[:-1])
    if fits.all():
        return bad
    step = np.diff(clock) / 3600.0
    over_both = credible_growth_h(step[:-1] + step[1:])
    around = agrees(value[:-2], value[2:], over_both)
    bad[1:-1] = around & ~(fits[:-1] & fits[1:])
    return bad


def _between(logged: Floats, told: NDArray[np.intp], at_told: Floats) -> Floats:
    """Extend the counter's hours to the intervals without one, by the running hours of the log."""
    if len(told) == len(logged):
        value: Floats = at_told + logged
        value -= logged
        np.minimum(value[:-1], at_told[1:], out=value[:-1])
    else:
        last = np.searchsorted(told, np.arange(len(logged)), side="right") - 1
        first = last < 0
        base = np.where(first, 0, last)
        value = at_told[base] + logged - logged[told[base]]
        following = np.minimum(last + 1, len(told) - 1)
        # Between two values of the counter the hours must not exceed the later one.
        value = np.where(first | (following == base), value, np.minimum(value, at_told[following]))
    np.maximum(value, 0.0, out=value)
    return np.maximum.accumulate(value, out=value)
