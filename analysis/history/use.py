"""What the charger delivered and how long it ran, by local day and in a year of the calendar.

Every command that states hours, energy, litres or containers a year takes them from here.

* A year is 365 days of the calendar, winter included. It ends with the last long stretch of
  logging: a few minutes of logging after the winter do not move it.
* Where the log has holes, the charger's hour counter tells how long it ran in them. That time is
  spread over the hole, at the mean power of the running before and after. Without a counter, a
  hole of less than a week counts as time like that around it, a longer one as a boat laid up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90, Span
from analysis.figures import iso
from analysis.history.hours import LONGEST_SILENCE_H
from analysis.physics import J_PER_KWH
from logger.durations import DAY_S

if TYPE_CHECKING:
    from datetime import tzinfo

    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: A year of use, in whole days, so that it begins and ends at midnight.
YEAR_OF_USE_D = 365
#: A gap in the log longer than ``PAUSE_D`` is a pause. The log after it counts once it holds
#: ``RESUMED_D``, days (judgement, no source).
PAUSE_D, RESUMED_D = 14.0, 14.0
#: A shorter gap in the log is no hole, s: a charger at rest is stored every ten minutes, and some
#: are read every few minutes only.
_HOLE_S = 1500.0
#: Step of a counter that may come from rounding alone, h: one and a half steps of a tenth.
_COUNTER_STEP_H = 0.15
#: Relative uncertainty of the power in a hole (one sd), taken from the running beside it
#: (judgement: when the charger runs, it runs at its output).
_HOLE_SD = 0.10
#: Relative uncertainty of the time run in a hole where there is no counter (one sd; judgement).
_UNCOUNTED_SD = 0.5
#: From this part of the time on, the logger counts as aboard all the time (judgement).
_MOSTLY_LOGGED = 0.5
#: The mean power of this many running hours before and after a hole fills it (judgement).
_BESIDE_H = 50.0


@dataclass(frozen=True, slots=True)
class Holes:
    """Holes of the log, shape (h,): when they were, and what the charger did meanwhile."""

    begin_s: Floats
    end_s: Floats
    hours: Floats
    """Running hours, by the counter where there is one."""
    energy_kwh: Floats
    sd_kwh: Floats
    """Standard deviation of ``energy_kwh``."""


@dataclass(frozen=True, slots=True)
class Use:
    """Use of the charger by local day, whole days only; arrays of shape (days,)."""

    edges_s: Floats
    """Unix time of each local midnight, shape (days + 1,)."""
    energy_kwh: Floats
    """Energy delivered, holes of the log filled."""
    hours: Floats
    """Running hours, holes filled."""
    logged: Floats
    """Part of each day that was logged, 0 to 1."""
    year: Year | None
    """The last year; None where there is no log."""

    @property
    def whole(self) -> Flags:
        """Days that were logged (nearly) whole."""
        return np.asarray(self.logged > 0.9)


@dataclass(frozen=True, slots=True)
class Year:
    """Use of the last year of the calendar, or of the shorter time for which there is a log."""

    begin_s: float
    end_s: float
    kwh: float
    """Delivered in that time, holes filled."""
    kwh_sd: float
    """Standard deviation of what was filled in, kWh."""
    hours: float
    unlogged_kwh: float
    """Part of ``kwh`` that the log did not see."""
    days_logged: float
    """Days that the log saw."""

    @property
    def days(self) -> float:
        """Days of the calendar."""
        return (self.end_s - self.begin_s) / DAY_S

    @property
    def whole(self) -> bool:
        """Whether it is a whole year, every season in it."""
        return self.days >= YEAR_OF_USE_D - 0.5

    def document(self) -> dict[str, object]:
        """Return the figures under their published keys."""
        return {
            "from": iso(self.begin_s),
            "to": iso(self.end_s),
            "days": round(self.days, 2),
            "whole": self.whole,
            "kwh": round(self.kwh, 4),
            "running_hours": round(self.hours, 2),
            "unlogged_kwh": round(self.unlogged_kwh, 4),
            "days_logged": round(self.days_logged, 2),
        }

    def kwh_per_year(self) -> Span:
        """Return energy a year, kWh.

        If the log is shorter than a year, the missing seasons are unknown. The low end then assumes
        that the boat is laid up for the rest of the year; median and high end assume that it goes
        on as logged.
        """
        if self.whole:
            half = Z90 * self.kwh_sd
            return Span(max(self.kwh - half, 0.0), self.kwh, self.kwh + half)
        on = YEAR_OF_USE_D / max(self.days, 1.0)
        half = Z90 * self.kwh_sd
        return Span(max(self.kwh - half, 0.0), self.kwh * on, (self.kwh + half) * on)

    def hours_per_year(self) -> float:
        """Return running hours a year; a shorter log is extended to a year as it is."""
        return self.hours if self.whole else self.hours * YEAR_OF_USE_D / max(self.days, 1.0)


def day_edges(first_s: float, last_s: float, zone: tzinfo) -> Floats:
    """Return the local midnights from ``first_s`` to ``last_s`` inclusive, Unix time."""
    date = datetime.fromtimestamp(first_s, zone).date()
    found: list[float] = []
    while True:
        edge = datetime.combine(date, time(), zone).timestamp()
        if edge > last_s:
            return np.array(found, dtype=np.float64)
        if edge >= first_s:
            found.append(edge)
        date += timedelta(days=1)


def find_use(runs: Runs, zone: tzinfo) -> Use:
    """Find the use of the charger in a log.

    Parameters
    ----------
    runs
        The runs of the log, with its hours.
    zone
        Where the boat's days begin.
    """
    log = runs.log
    if len(log) == 0:
        none = np.empty(0)
        return Use(none, none, none, none, None)
    ran_h = np.where(runs.running, log.duration_s / 3600.0, 0.0)
    total_h = np.cumsum(ran_h)
    total_kwh = np.cumsum(runs.delivered_j) / J_PER_KWH
    holes = find_holes(runs, total_h, total_kwh)
    edges = day_edges(float(log.start_s[0]), float(log.end_s[-1]), zone)
    end = last_logged_s(runs)
    begin = max(end - YEAR_OF_USE_D * DAY_S, float(log.start_s[0]))
    at = np.concatenate((edges, [begin, end]))
    knots = np.column_stack((log.start_s, log.end_s)).ravel()
    np.maximum.accumulate(knots, out=knots)
    # Only the knots beside the times that are asked for: ten years have a million others.
    beside = np.searchsorted(knots, at, side="right")
    beside = np.unique(np.clip(np.concatenate((beside - 1, beside)), 0, len(knots) - 1))
    knots = knots[beside]
    of = (beside - 1) // 2  # the interval that ended last at each knot; -1 is none yet

    def logged(total: Floats) -> Floats:
        values = np.where(of < 0, 0.0, total[of])
        return np.asarray(np.interp(at, knots, values), dtype=np.float64)

    def filled(amount: Floats) -> Floats:
        return _total(holes.begin_s, holes.end_s, amount, at)

    seen_s, unseen_kwh = logged(np.cumsum(log.duration_s)), filled(holes.energy_kwh)
    kwh = logged(total_kwh) + unseen_kwh
    hours = logged(total_h) + filled(holes.hours)
    variance = filled(holes.sd_kwh**2)
    year = Year(
        begin,
        end,
        kwh=float(kwh[-1] - kwh[-2]),
        kwh_sd=max(float(variance[-1] - variance[-2]), 0.0) ** 0.5,
        hours=float(hours[-1] - hours[-2]),
        unlogged_kwh=float(unseen_kwh[-1] - unseen_kwh[-2]),
        days_logged=float(seen_s[-1] - seen_s[-2]) / DAY_S,
    )
    if len(edges) < 2:
        none = np.empty(0)
        return Use(edges, none, none, none, year)
    part = np.diff(seen_s[:-2]) / np.diff(edges)
    return Use(edges, np.diff(kwh[:-2]), np.diff(hours[:-2]), np.minimum(part, 1.0), year)


def find_holes(runs: Runs, total_h: Floats, total_kwh: Floats) -> Holes:
    """Find the holes of the log, in which the charger may have run.

    ``total_h`` and ``total_kwh`` are the hours and energy logged up to the end of each interval.
    """
    log, at_h = runs.log, runs.hours.at_end_h
    end_s = np.maximum.accumulate(log.end_s)
    gap_s = log.start_s[1:] - end_s[:-1]
    place = np.flatnonzero(gap_s > _HOLE_S)
    begin, end = end_s[place], log.start_s[place + 1]
    passed_h = gap_s[place] / 3600.0
    if runs.hours.counted:
        own_h = np.where(runs.running[place + 1], log.duration_s[place + 1] / 3600.0, 0.0)
        hours = at_h[place + 1] - at_h[place] - own_h
        # Where the counter broke, the log's own hours replace it, and the hole gets none.
        hours = np.where(hours > _COUNTER_STEP_H, np.minimum(hours, passed_h), 0.0)
        sd = np.full(len(place), _HOLE_SD)
    else:
        short = passed_h < LONGEST_SILENCE_H
        logged_s = float(log.duration_s.sum())
        share = float(total_h[-1]) * 3600.0 / max(logged_s, 1.0)
        if logged_s < _MOSTLY_LOGGED * float(end_s[-1] - log.start_s[0]):
            # A log that holds little more than the runs says nothing about the time between them.
            share = 0.0
        through = runs.running[place] & runs.running[place + 1] & (passed_h < 24.0)
        hours = np.where(short, np.where(through, passed_h, share * passed_h), 0.0)
        sd = np.full(len(place), _UNCOUNTED_SD)
    centre = total_h[place]
    before = np.interp(centre - _BESIDE_H, total_h, total_kwh)
    after = np.interp(centre + _BESIDE_H, total_h, total_kwh)
    low, high = np.maximum(centre - _BESIDE_H, 0.0), np.minimum(centre + _BESIDE_H, total_h[-1])
    power_kw = (after - before) / np.maximum(high - low, 1e-9)
    energy = hours * np.where(high > low, power_kw, 0.0)
    return Holes(begin, end, hours, energy, sd * energy)


def _total(begin_s: Floats, end_s: Floats, amount: Floats, at_s: Floats) -> Floats:
    """Return the sum of the amounts up to times, each amount spread evenly over its hole."""
    if len(begin_s) == 0:
        return np.zeros(len(at_s))
    sums = np.concatenate(([0.0], np.cumsum(amount)))
    knots = np.maximum.accumulate(np.column_stack((begin_s, end_s)).ravel())
    values = np.column_stack((sums[:-1], sums[1:])).ravel()
    return np.asarray(np.interp(at_s, knots, values), dtype=np.float64)


def last_logged_s(runs: Runs) -> float:
    """Return the end of the last long stretch of logging, Unix time.

    After a pause of weeks, logging counts once it has lasted two weeks.
    """
    log = runs.log
    end_s = np.maximum.accumulate(log.end_s)
    pause = np.flatnonzero(log.start_s[1:] - end_s[:-1] > PAUSE_D * DAY_S)
    if len(pause) == 0:
        return float(end_s[-1])
    after_s = float(log.duration_s[pause[-1] + 1 :].sum())
    at = runs.hours.at_end_h
    ran_meanwhile = runs.hours.counted and at[-1] - at[pause[-1]] > 2.0
    if after_s >= RESUMED_D * DAY_S or ran_meanwhile:
        return float(end_s[-1])
    return float(end_s[pause[-1]])
