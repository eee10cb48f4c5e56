"""Lays out how the available output of an invented charger changes over its running hours.

The course is the truth that an estimator should find: output warm, at 25 degC, with the battery not
limiting, early in a run. It is computed for every hour before the simulation begins. So it does not
depend on how the boat is used or read, and the charger's true future is known.
"""

from __future__ import annotations

import math
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logger.sources.boat.model import ChargerModel

#: Least output of a running charger, fraction of rated: the formulas could fall below zero.
FLOOR = 0.05


def permanent_loss(charger: ChargerModel, hours: float, per_1000h: float, start: float) -> float:
    """Return the permanent loss after ``hours``, fraction of rated.

    Parameters
    ----------
    charger
        Form, curvature and the hours at which all forms agree.
    hours
        Running hours since new or since the last renewal.
    per_1000h
        Mean loss per 1000 h up to ``reference_h``.
    start
        Output when new, fraction of rated; sets the scale of the exponential form.
    """
    reference = charger.reference_h
    total = per_1000h * reference / 1000.0
    share = hours / reference
    if charger.form == "linear":
        return total * share
    if charger.form == "exponential":
        left = max(0.02, 1.0 - total / start)
        return start * (1.0 - math.exp(math.log(left) * share))
    if charger.form == "accelerating":
        bend = charger.curvature
        return total * share * (1.0 - bend + bend * share)
    if charger.form == "power":
        return total * math.pow(share, charger.curvature)
    raise ValueError(f"unknown form {charger.form!r}")


def lay_out(charger: ChargerModel, seed: int) -> list[float]:
    """Return available output at each whole running hour from 0 to ``horizon_h`` inclusive."""
    rng = Random(f"{seed}/course")  # noqa: S311 - a simulation wants a seed, not secrecy
    sigma = charger.wander_per_sqrt_1000h / math.sqrt(1000.0)
    renewals = sorted(charger.renewals, key=lambda renewal: renewal.at_h)
    steps = sorted(charger.steps, key=lambda step: step.at_h)
    start, per_1000h, since, offset, wander = (
        charger.new_fraction,
        charger.loss_per_1000h,
        0.0,
        0.0,
        0.0,
    )
    course: list[float] = []
    for hour in range(int(charger.horizon_h) + 2):
        while renewals and hour >= renewals[0].at_h:
            renewed = renewals.pop(0)
            start, per_1000h, since = renewed.fraction, renewed.loss_per_1000h, renewed.at_h
            offset = wander = 0.0
        while steps and hour >= steps[0].at_h:
            offset += steps.pop(0).change
        age = hour - since
        settled = charger.transient * -math.expm1(-age / charger.transient_h)
        value = start + offset + wander - settled - permanent_loss(charger, age, per_1000h, start)
        course.append(max(FLOOR, value))
        wander += rng.gauss(0.0, sigma)
    return course


def course_at(course: Sequence[float], hours: float) -> float:
    """Return available output at any number of running hours, by linear interpolation."""
    if hours >= len(course) - 1:
        return course[-1]
    whole = int(hours)
    return course[whole] + (hours - whole) * (course[whole + 1] - course[whole])


def crossing_h(
    course: Sequence[float], limit: float, after_h: float, sustained_h: float = 100.0
) -> float | None:
    """Return the running hours at which the course falls below ``limit`` for good.

    "For good" means for at least ``sustained_h`` running hours, because real stacks dip and
    recover. Returns ``after_h`` if the course is already below for good, None if it never falls
    below within the course.

    Parameters
    ----------
    course
        Output at whole hours, fraction of rated.
    limit
        Fraction of rated.
    after_h
        Only crossings from here on count.
    sustained_h
        Running hours for which the course must stay below.
    """
    below_since: float | None = None
    first = int(after_h)
    for hour in range(first, len(course)):
        if course[hour] >= limit:
            below_since = None
            continue
        if below_since is None:
            if hour == first:
                below_since = after_h
            else:
                before = course[hour - 1]
                below_since = hour - 1 + (before - limit) / (before - course[hour])
        if hour - below_since >= sustained_h:
            return max(after_h, below_since)
    return None
