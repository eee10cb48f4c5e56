"""The best forecast that is possible: the posterior of one who knows how the boats are drawn.

Nobody knows that of real chargers, so no program can be held to it. It shows which part of an error
is the estimate's, and which part nobody could avoid. Thousands of chargers are drawn as the study
draws them. Each is weighed by how well its course, with a wander of its own size, explains the run
figures of a boat. The futures of those that explain them are the answer.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from analysis.statistics.passage import passage_for_good
from analysis.study.population import WANDER_LOG, WANDER_MOST, draw_charger
from analysis.study.scores import Said
from logger.sources.boat.course import permanent_loss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.health.life import Health
    from logger.sources.boat.model import ChargerModel

    Floats = NDArray[np.float64]

#: Chargers that are drawn and weighed; one in a hundred or so explains a long log.
_CHARGERS = 8000
#: Futures drawn of those that explain the log.
_PATHS = 2000
#: Hours at which their courses are kept, running hours; between them they are straight.
COURSE_H = np.concatenate((np.arange(0.0, 600.0, 25.0), np.arange(600.0, 20_001.0, 200.0)))
#: Sizes of the wander that are tried, standard deviations of its logarithm.
_SIZES = (-1.5, -0.75, 0.0, 0.75, 1.5)
#: Spread of the effect of heat, or of the season, on the figures: fraction of rated, each column.
_HEAT = 0.03


@functools.cache
def _courses() -> Floats:
    """Return the courses of chargers drawn at random, without wander, shape (chargers, hours)."""
    rng = np.random.default_rng(20)
    return np.array([smooth_course(draw_charger(rng, "wear")) for _ in range(_CHARGERS)])


def smooth_course(charger: ChargerModel) -> Floats:
    """Return the course of a charger without wander and steps at :data:`COURSE_H`."""
    loss = [
        permanent_loss(charger, hour, charger.loss_per_1000h, charger.new_fraction)
        for hour in COURSE_H.tolist()
    ]
    settled = charger.transient * -np.expm1(-COURSE_H / charger.transient_h)
    return np.asarray(charger.new_fraction - settled - np.array(loss))


def _at(courses: Floats, hours: Floats) -> Floats:
    """Return courses at any hours, shape (chargers, hours)."""
    right = np.clip(np.searchsorted(COURSE_H, hours), 1, len(COURSE_H) - 1)
    part = (hours - COURSE_H[right - 1]) / (COURSE_H[right] - COURSE_H[right - 1])
    return np.asarray(courses[:, right - 1] * (1.0 - part) + courses[:, right] * part)


@dataclass(frozen=True, slots=True)
class Seen:
    """The figures of a charger that one who knows looks at."""

    hours: Floats
    """Running hours, rising, shape (m,)."""
    value: Floats
    known: Floats
    """Covariance of the errors of the figures without the wander, shape (m, m)."""


def best_possible(health: Health, now_h: float, limit: float, longest_h: float) -> Said:
    """Return the remaining hours as one would state them who knows how the boats are drawn.

    Parameters
    ----------
    health
        The estimate; only the figures of its nodes are used.
    now_h
        True running hours since new.
    limit
        Replacement limit, fraction of rated.
    longest_h
        The study keeps no longer lives than this, running hours.
    """
    sites = health.sites
    heat = sites.design[:, 2:]
    known = np.diag(1.0 / sites.precision) + _HEAT**2 * heat @ heat.T
    seen = Seen(1000.0 * sites.kh, sites.value, known)
    return knowing(seen, _courses(), now_h, limit, longest_h)


def knowing(
    seen: Seen,
    courses: Floats,
    now_h: float,
    limit: float,
    longest_h: float,
    places: Sequence[float] = _SIZES,
    level_sd: float = 0.0,
) -> Said:
    """Return the remaining hours by chargers drawn at random, weighed by the figures of one.

    Parameters
    ----------
    seen
        The figures.
    courses
        Courses of the chargers at :data:`COURSE_H`, without wander, shape (chargers, hours).
    now_h
        Running hours since new.
    limit
        Replacement limit, fraction of rated.
    longest_h
        Longer lives than this, running hours, are left out.
    places
        Sizes of the wander that are tried, standard deviations of its logarithm.
    level_sd
        Spread of the output when new about that of the courses, fraction of rated; normal. Fewer
        chargers are needed than where it is drawn with them.
    """
    hours, rng = seen.hours, np.random.default_rng(6)
    left = seen.value[None] - _at(courses, hours)
    before = np.minimum(hours[:, None], hours[None]) / 1000.0
    to_now = np.minimum(hours, now_h) / 1000.0
    sizes = np.minimum(np.exp(WANDER_LOG[0] + WANDER_LOG[1] * np.array(places)), WANDER_MOST)
    weight, mean, sd = [], [], []
    for size, place in zip(sizes, places, strict=True):
        root = cholesky(seen.known + level_sd**2 + size**2 * before, lower=True, check_finite=False)
        white = solve_triangular(root, left.T, lower=True, check_finite=False)
        towards = solve_triangular(
            root, level_sd**2 + size**2 * to_now, lower=True, check_finite=False
        )
        weight.append(
            -0.5 * (white**2).sum(axis=0) - float(np.log(np.diag(root)).sum()) - 0.5 * place**2
        )
        mean.append(towards @ white)
        rest = level_sd**2 + size**2 * now_h / 1000.0 - float(towards @ towards)
        sd.append(math.sqrt(max(rest, 0.0)))
    odds = np.exp(np.array(weight) - np.max(weight))
    pick = rng.choice(odds.size, _PATHS, p=(odds / odds.sum()).ravel())
    size_of, charger = np.unravel_index(pick, odds.shape)
    ahead_h = (longest_h - now_h + 200.0) * np.linspace(0.0, 1.0, 250)
    paths = _at(courses[charger], now_h + ahead_h)
    wander = np.array(mean)[size_of, charger] + np.array(sd)[size_of] * rng.standard_normal(_PATHS)
    paths += wander[:, None]
    steps = rng.standard_normal((_PATHS, len(ahead_h) - 1)) * sizes[size_of][:, None]
    paths[:, 1:] += np.cumsum(steps * np.sqrt(np.diff(ahead_h) / 1000.0), axis=1)
    ends_h = passage_for_good(ahead_h, paths, limit)
    short = ends_h[now_h + ends_h <= longest_h]
    low, median, high = np.quantile(short if len(short) else [longest_h - now_h], (0.05, 0.5, 0.95))
    return Said(float(low), float(median), float(high), math.nan)
