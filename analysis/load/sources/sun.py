"""Recognises solar that nobody named, and tells roughly what it gives.

Round noon the sun lifts a bank at rest above the line from its morning to its evening voltage, day
after day. Loads do not: a bank sinks evenly between them, and they come at hours of their own. How
much an ampere-hour of the sun lifts the voltage differs from bank to bank by a factor of five, and
the log does not show it. So what the sun gives is known to that factor only.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.load.doubts import BY_LIFT, shared_load
from analysis.load.sources.other_sources import start_rise
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.result import LoadResult
    from analysis.load.sources.other_sources import Grid

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Hours of the boat's clock whose mean voltages are morning, noon and evening.
MORNING_H, NOON_H, EVENING_H = (7.0, 8.0), (11.5, 13.5), (17.0, 18.0)
#: So many days at rest from morning to evening are looked at together: panels may be newer than the
#: log (judgement).
REST_DAYS = 10
#: The sun shines where noon stands above the line by so much on the middle one of such days: V, and
#: part of the rise at a start of the charger (settled on boats of three generators, see METHOD.md).
LIFT_V, LIFT_PART = 0.025, 0.03
#: What one Ah of the sun lifts noon by, over what one ampere of the charger lifts the voltage by at
#: a start, 1/h: lowest and highest of nine boats in ten of two generators (see METHOD.md).
LIFT_PER_AH = (0.05, 0.30)
#: Relative standard deviation of what the charger will have to bring beside a source that comes and
#: goes with the weather and the season (judgement).
SUN_SD = 0.2
#: Where the battery's current tells the load, sun that is weaker than the load makes it too low by
#: up to so much (16 % on the worst of ten boats of the independent generator).
MISSED = 0.2


def with_sources_along(
    found: LoadResult, grid: Grid, named: tuple[str, ...], chemistry: str
) -> LoadResult:
    """Say what else gives a part every day: as the configuration names it, or the sun.

    ``named`` are the sentences on what is configured.
    """
    # An LFP bank stands at one voltage with the sun and without it.
    solar = Span() if chemistry == "lfp" else solar_ah(grid)
    if found.method == "battery_current" and not named:
        return _with_sun_by_current(found) if solar.low is not None else found
    if not named and solar.low is None:
        return found
    found = replace(
        found, shared=True, solar_ah=solar, relative_sd=float(np.hypot(found.relative_sd, SUN_SD))
    )
    said = shared_load(found.boat_ah, solar, named=bool(named))
    return replace(found, doubts=(*named, *found.doubts, *said))


def _with_sun_by_current(found: LoadResult) -> LoadResult:
    """Allow for sun in a load by the battery's current, in which it shows where it is strong."""
    high = None if found.ah.high is None else (1.0 + MISSED) * found.ah.high
    said = (
        f"{BY_LIFT} solar probably charges as well. While it gives less than the boat draws, the "
        f"currents do not show it: she may use up to {100 * MISSED:.0f} % more than is told, which "
        "the interval allows for. Name the source in [[other_sources]]."
    )
    return replace(
        found,
        ah=replace(found.ah, high=high),
        relative_sd=float(np.hypot(found.relative_sd, 0.5 * MISSED)),
        doubts=(*found.doubts, said),
    )


def solar_ah(grid: Grid) -> Span:
    """Return what the sun gives a day, Ah; an empty span where the log does not show any."""
    lift, rise = noon_lift(grid), start_rise(grid.volts, grid.running)
    if len(lift) < REST_DAYS or not grid.running.any():
        return Span()
    parts = np.array_split(lift, len(lift) // REST_DAYS)
    middle_v = np.array([np.median(part) for part in parts])
    if rise <= 0.0 or middle_v.max() < max(LIFT_V, LIFT_PART * rise):
        return Span()
    amps = float(np.median(grid.amps[grid.running]))
    given = float(np.maximum(middle_v, 0.0).mean()) * amps / rise
    most, least = (given / per_ah for per_ah in LIFT_PER_AH)
    return Span(least, (least * most) ** 0.5, most)


def noon_lift(grid: Grid) -> Floats:
    """Return by how much noon stands above the line from morning to evening, V.

    One value for each day on which the charger rests from the one to the other.
    """
    local_s = grid.local_s
    day = np.floor(local_s / DAY_S).astype(np.intp)
    day -= day[0]
    hour = local_s % DAY_S / 3600.0
    busy = grid.running | ~grid.known
    spoilt = np.bincount(day, busy & (hour >= MORNING_H[0]) & (hour < EVENING_H[1]))

    def mean(hours: tuple[float, float]) -> Floats:
        inside = ~busy & (hour >= hours[0]) & (hour < hours[1])
        count = np.bincount(day[inside], minlength=len(spoilt))
        total = np.bincount(day[inside], grid.volts[inside], len(spoilt))
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    morning, noon, evening = (0.5 * sum(hours) for hours in (MORNING_H, NOON_H, EVENING_H))
    part = (noon - morning) / (evening - morning)
    lift = mean(NOON_H) - (1.0 - part) * mean(MORNING_H) - part * mean(EVENING_H)
    return np.asarray(lift[(spoilt == 0) & np.isfinite(lift)], dtype=np.float64)
