"""The boat's yearly pattern of use: turns running hours ahead into dates.

A year has seasons: the days of the calendar say in which part of it the charger ran, winters
included. What came after the last stretch that was really logged (a few readings after a pause)
says nothing about the pattern, nor does a pause longer than any winter.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from logger.durations import DAY_S, YEAR_D

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.use import Use

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Parts of a year, each the same length: a coarse season is all that a few years can show.
_PARTS = 24
#: A guess from the rest of the year counts as so many days of observation (our choice, it gives way
#: at once).
_PRIOR_DAYS = 0.5
#: A silence longer than this is no winter: the boat was out of use, days (our choice).
LONGEST_WINTER_D = 300.0
#: Spread of a year's use about the mean that is assumed before years can be compared, how many
#: years that guess counts for, and the lowest part of the usual that a year is taken for (our
#: choice, no source).
_PRIOR_SPREAD, _PRIOR_YEARS, _LEAST_SHARE = 0.25, 3.0, 0.25
#: A season begins and ends this many days earlier or later than in other years (judgement).
_SHIFT_SD_D = 12.0
#: A fortnight's use about what the season lets expect, before it is known (judgement).
_FORTNIGHT_D, _FORTNIGHT_SPREAD = 14, 0.5
#: Chance that the boat is laid up in the parts of the year that the log has not seen: a first log
#: is often of one summer (judgement, no source).
_LAID_UP = 0.5
#: Output below which no charger is counted on, fraction of rated: a forecast may fall to nothing.
_LEAST_OUTPUT = 0.1
#: Furthest date ahead, years: later ones are not stated anyway.
_LONGEST_YEARS = 60


@dataclass(frozen=True, slots=True)
class Usage:
    """Running hours a day over the year, and how much years differ."""

    hours_per_day: Floats
    """By part of the year, each as long, shape (24,)."""
    spread: float
    """Standard deviation of the logarithm of a year's use."""
    fortnight: float = _FORTNIGHT_SPREAD
    """Standard deviation of a fortnight's use about what the season lets expect, relative."""
    unseen: Flags = field(default_factory=lambda: np.zeros(_PARTS, dtype=bool))
    """Parts of the year of which the log holds no day, shape (24,)."""

    def per_year(self) -> float:
        """Return the running hours of a usual year."""
        return float(self.hours_per_day.mean()) * YEAR_D


def usage(use: Use) -> Usage | None:
    """Learn the pattern from the use by day; None where the log holds no use of a whole day."""
    if use.year is None or len(use.hours) == 0:
        return None
    begin_s = use.edges_s[:-1]
    told = telling_days(use) & (begin_s < use.year.end_s)
    if not told.any() or float(use.hours[told].sum()) <= 0.0:
        return None
    part = part_of_year(begin_s[told] + DAY_S / 2.0)
    covered = np.bincount(part, minlength=_PARTS).astype(float)
    ran = np.bincount(part, weights=use.hours[told], minlength=_PARTS)
    overall = float(ran.sum() / covered.sum())
    per_day = (ran + overall * _PRIOR_DAYS) / (covered + _PRIOR_DAYS)
    if covered.min() > 0.0:  # the guess of unseen parts adds no use where all parts were seen
        per_day *= float((ran / covered).mean()) / float(per_day.mean())
    return Usage(
        per_day,
        years_spread(begin_s[told], use.hours[told], use.year.end_s),
        fortnight_differs(use.hours[told], per_day[part]),
        covered == 0.0,
    )


def telling_days(use: Use) -> Flags:
    """Mark the days that count: all but those of a pause longer than any winter."""
    silent = (use.logged <= 0.0) & (use.hours <= 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], silent.astype(np.int8), [0]))))
    told = np.ones(len(silent), dtype=bool)
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - first > LONGEST_WINTER_D:
            told[first:stop] = False
    return told


def part_of_year(time_s: Floats) -> NDArray[np.intp]:
    """Return the part of the year of Unix times (to a day)."""
    share = (time_s / DAY_S / YEAR_D) % 1.0
    return np.minimum((share * _PARTS).astype(np.intp), _PARTS - 1)


def years_spread(begin_s: Floats, hours: Floats, end_s: float) -> float:
    """Return how much years differ, shrunk towards what is usual."""
    years = int((end_s - float(begin_s[0])) / DAY_S / YEAR_D)
    if years < 2:
        return _PRIOR_SPREAD
    which = ((end_s - begin_s) / DAY_S / YEAR_D).astype(np.intp)
    days = np.bincount(which[which < years], minlength=years)
    total = np.bincount(which[which < years], weights=hours[which < years], minlength=years)
    total = total[days > 0.9 * YEAR_D]  # not years with a pause in them that tells nothing
    if len(total) < 2 or total.max() <= 0.0:
        return _PRIOR_SPREAD
    share = np.log(np.maximum(total / total.mean(), _LEAST_SHARE))
    seen = float(((share - share.mean()) ** 2).sum())
    return float(
        np.sqrt((seen + _PRIOR_YEARS * _PRIOR_SPREAD**2) / (len(total) - 1 + _PRIOR_YEARS))
    )


def fortnight_differs(hours: Floats, usual: Floats) -> float:
    """Return how much the use of a fortnight differs from what the season lets expect."""
    count = len(hours) // _FORTNIGHT_D
    if count == 0:
        return _FORTNIGHT_SPREAD
    shape = (count, _FORTNIGHT_D)
    ran = hours[: count * _FORTNIGHT_D].reshape(shape).sum(axis=1)
    expected = usual[: count * _FORTNIGHT_D].reshape(shape).sum(axis=1)
    season = expected > 0.5 * _FORTNIGHT_D * float(usual.max())
    if season.sum() < 4:
        return _FORTNIGHT_SPREAD
    return float(np.sqrt(np.mean((ran[season] / expected[season] - 1.0) ** 2)))


def dates(pattern: Usage, from_s: float, ahead_h: Floats, rng: np.random.Generator) -> Floats:
    """Return the Unix time at which each number of running hours will have been used.

    Parameters
    ----------
    pattern
        Use over the year.
    from_s
        Now, Unix time.
    ahead_h
        Running hours ahead, shape (n,); infinity stays infinity.
    rng
        Source of chance: each draw has its own years, weeks and beginning of the season, and where
        the log has not seen the whole year, its own guess whether she is laid up then.
    """
    if pattern.unseen.any():
        used = replace(pattern, unseen=np.zeros(_PARTS, dtype=bool))
        idle = replace(used, hours_per_day=np.where(pattern.unseen, 0.0, pattern.hours_per_day))
        laid_up = rng.random(len(ahead_h)) < _LAID_UP
        either = [dates(one, from_s, ahead_h, rng) for one in (idle, used)]
        return np.where(laid_up, *either)
    step = YEAR_D / (4.0 * _PARTS)
    back = 4.0 * _SHIFT_SD_D
    days = np.arange(-back, _LONGEST_YEARS * YEAR_D, step)
    rate = pattern.hours_per_day[part_of_year(from_s + days * DAY_S)]
    hours = np.concatenate(([0.0], np.cumsum(rate[:-1] * step)))
    shift = np.clip(_SHIFT_SD_D * rng.standard_normal(len(ahead_h)), -back, back)
    begun_h = np.interp(shift, days, hours)
    # A long wait averages over years; part of the difference between years stays (habits change).
    wait_years = np.interp(ahead_h + np.interp(0.0, days, hours), hours, days) / YEAR_D
    in_use_d = ahead_h / max(float(pattern.hours_per_day.max()), 1e-9)
    variance = pattern.spread**2 * (0.5 + 0.5 / np.maximum(wait_years, 1.0))
    variance += pattern.fortnight**2 * _FORTNIGHT_D / np.maximum(in_use_d, _FORTNIGHT_D)
    factor = np.exp(rng.standard_normal(len(ahead_h)) * np.sqrt(variance))
    reached = np.interp(ahead_h / factor + begun_h, hours, days, right=np.inf) - shift
    when: Floats = from_s + np.maximum(reached, 0.0) * DAY_S
    return when


@dataclass(frozen=True, slots=True)
class Pace:
    """How long a wearing charger runs for the energy that its hours used to give.

    The boat asks for energy, not for hours. A charger that gives three quarters of what it gave
    while the pattern of use was logged runs for a third longer each day.
    """

    real_h: Floats
    """Running hours ahead, rising from zero, shape (n,)."""
    usual_h: Floats
    """Hours in which it gave the same energy at the mean output of the log, shape (n,)."""

    @classmethod
    def of(cls, ahead_h: Floats, output: Floats, mean_output: float) -> Pace:
        """Add up the energy ahead.

        Parameters
        ----------
        ahead_h, output
            The forecast output at running hours ahead, rising from zero, shape (n,).
        mean_output
            Mean output over the hours of the log.
        """
        share = np.maximum(output, _LEAST_OUTPUT) / max(mean_output, _LEAST_OUTPUT)
        steps = 0.5 * (share[1:] + share[:-1]) * np.diff(ahead_h)
        # Beyond the forecast the output stays what it is at its end.
        far = float(ahead_h[-1]) + _LONGEST_YEARS * YEAR_D * 24.0
        usual = np.concatenate(([0.0], np.cumsum(steps)))
        last = float(usual[-1]) + (far - float(ahead_h[-1])) * float(share[-1])
        return cls(np.append(ahead_h, far), np.append(usual, last))

    def usual(self, real_h: Floats) -> Floats:
        """Return the hours at the mean output of the log; infinity stays infinity."""
        return np.interp(real_h, self.real_h, self.usual_h, right=np.inf)

    def real(self, usual_h: Floats) -> Floats:
        """Return the hours that the charger will really run."""
        return np.interp(usual_h, self.usual_h, self.real_h)


def date_of(drawn_s: Floats, hours: Span) -> Span:
    """Return the median date and its 90 % interval.

    Parameters
    ----------
    drawn_s
        Unix times at which the limit is met, infinity for never, shape (n,).
    hours
        Remaining running hours as they are told: what is open there has no date.
    """
    ordered = np.sort(drawn_s)
    latest = datetime(2200, 1, 1, tzinfo=UTC).timestamp()

    def at(probability: float, told_h: float | None) -> float | None:
        value = float(ordered[min(int(probability * len(ordered)), len(ordered) - 1)])
        return None if told_h is None or value > latest else value

    return Span(at(0.05, hours.low), at(0.5, hours.median), at(0.95, hours.high))


def expected_date(pattern: Usage, from_s: float, ahead_h: float) -> float | None:
    """Return the Unix time at which so many running hours will be used in a usual year.

    None where that lies beyond 60 years.
    """
    time_s, hours = expected_hours(pattern, from_s)
    reached_s = float(np.interp(ahead_h, hours, time_s, right=np.inf))
    return reached_s if np.isfinite(reached_s) else None


def expected_hours(pattern: Usage, from_s: float) -> tuple[Floats, Floats]:
    """Return Unix times from ``from_s`` on, and the running hours from then on in usual years.

    Both have the shape (n,); winters are flat.
    """
    step = YEAR_D / (4.0 * _PARTS)
    days = np.arange(0.0, _LONGEST_YEARS * YEAR_D, step)
    rate = pattern.hours_per_day[part_of_year(from_s + days * DAY_S)]
    return from_s + days * DAY_S, np.concatenate(([0.0], np.cumsum(rate[:-1] * step)))
