"""The boat's yearly pattern of use: turns running hours ahead into dates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

DAY_S = 86400.0
YEAR_D = 365.2425
#: Months of a year, each the same length: a coarse season is all that a few years can show.
_MONTHS = 12
#: A guess from other months counts as so many days of observation.
_PRIOR_DAYS = 20.0
#: Spread of a year's use about the mean that is assumed before years can be compared.
_PRIOR_SPREAD = 0.25
_LONGEST_YEARS = 60


@dataclass(frozen=True, slots=True)
class Usage:
    """Running hours a day over the year, and how much years differ."""

    hours_per_day: Floats
    """By twelfth of the year, shape (12,)."""
    spread: float
    """Standard deviation of the logarithm of a year's use."""

    def per_year(self) -> float:
        """Return the running hours of a usual year."""
        return float(self.hours_per_day.mean()) * YEAR_D


def usage(
    start_s: Floats, hours: Floats, logged_from_s: Floats, logged_to_s: Floats
) -> Usage | None:
    """Learn the pattern.

    Parameters
    ----------
    start_s, hours
        Unix time and length of each run, s and h.
    logged_from_s, logged_to_s
        Stretches during which the log (or the charger's counter) covered the boat; time outside
        says nothing about use.

    Returns
    -------
    None where there is no span of time to learn from.
    """
    covered = np.zeros(_MONTHS)
    for begin, end in zip(logged_from_s, logged_to_s, strict=True):
        edges = np.arange(begin, end, DAY_S)
        np.add.at(covered, _month(edges), np.minimum(end - edges, DAY_S) / DAY_S)
    total = float(covered.sum())
    if total < 1.0 or len(hours) == 0:
        return None
    used = np.zeros(_MONTHS)
    np.add.at(used, _month(start_s), hours)
    overall = float(used.sum()) / total
    per_day = (used + overall * _PRIOR_DAYS) / (covered + _PRIOR_DAYS)
    return Usage(per_day, _spread(start_s, hours, logged_from_s, logged_to_s))


def _month(time_s: Floats) -> NDArray[np.intp]:
    """Return the twelfth of the year of Unix times (to a day)."""
    share = (time_s / DAY_S / YEAR_D) % 1.0
    return np.minimum((share * _MONTHS).astype(np.intp), _MONTHS - 1)


def _spread(start_s: Floats, hours: Floats, begin: Floats, end: Floats) -> float:
    """Return how much years differ, shrunk towards what is usual."""
    first, last = float(begin.min()), float(end.max())
    years = int((last - first) / DAY_S / YEAR_D)
    if years < 2:
        return _PRIOR_SPREAD
    which = ((last - start_s) / DAY_S / YEAR_D).astype(np.intp)
    total = np.bincount(which[which < years], weights=hours[which < years], minlength=years)
    share = np.log(np.maximum(total, 1.0) / max(float(total.mean()), 1.0))
    seen = float(((share - share.mean()) ** 2).sum())
    return float(np.sqrt((seen + 2.0 * _PRIOR_SPREAD**2) / (years - 1 + 2.0)))


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
        Source of chance: each draw has its own years.
    """
    days = np.arange(0.0, _LONGEST_YEARS * YEAR_D, YEAR_D / 48.0)
    rate = pattern.hours_per_day[_month(from_s + days * DAY_S)]
    hours = np.concatenate(([0.0], np.cumsum(rate[:-1] * np.diff(days))))
    # A long wait averages over years; part of the difference between years stays (habits change).
    wait_years = np.interp(ahead_h, hours, days) / YEAR_D
    spread = pattern.spread * np.sqrt(0.5 + 0.5 / np.maximum(wait_years, 1.0))
    factor = np.exp(rng.standard_normal(len(ahead_h)) * spread)
    reached = np.interp(ahead_h / factor, hours, days, right=np.inf)
    when: Floats = from_s + reached * DAY_S
    return when
