"""Judges each boat four times in the life of its charger, against the hours then truly left.

A life ends where the output falls below the replacement limit for good; design hours and load are
left out here. One log of a boat is cut at 10, 25, 50 and 75 % of that life, and each part goes
through the whole chain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.assessment.forecast import FURTHEST, PATHS, draw_paths
from analysis.statistics.passage import passage_for_good
from analysis.study.ahead.possible import best_possible
from analysis.study.boats import SUSTAINED_H, simulate
from analysis.study.scores import Said
from logger.config import LogConfig
from logger.sources.boat.course import course_at, crossing_h, lay_out

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.health.life import Health
    from analysis.study.boats import Boat

#: Parts of its life at which a charger is judged.
AGES = (0.10, 0.25, 0.50, 0.75)
#: Boats that were drawn because their charger wears.
_WEARING = frozenset({"wear", "half_life", "past", "hot"})
#: Lives outside of these ends, running hours, are left out: a shorter one holds no ten runs at its
#: tenth part, and a longer one takes too long to simulate.
_SHORTEST_H, _LONGEST_H = 600.0, 9000.0
#: A charger that ran before the log began is judged only if so many hours of it were logged.
_LEAST_LOGGED_H = 40.0
#: A log that ends so many running hours before an age still shows it: counters may be coarse.
_SLACK_H = 1.5
#: Readings so far apart keep a life affordable; the condenser and the analysis take them as any.
_SPACING_S = 120.0
#: Paths are drawn so far ahead, running hours. A later end counts as this one.
HORIZON_H = 30_000.0
_POINTS = 400


@dataclass(frozen=True, slots=True)
class EarlyOutcome:
    """What was said of one charger at one age."""

    name: str
    form: str
    """Form of the true decline."""
    age: float
    left: Said
    """Remaining running hours."""
    named: bool
    """Whether a report would state the median: it lies near enough."""
    possible: Said
    """Remaining hours as one would state them who knows how the boats are drawn."""
    output: Said
    """Present output, fraction of rated."""


def judge_early(boat: Boat, cache: Path | None) -> tuple[EarlyOutcome, ...]:
    """Simulate a boat until three quarters of its charger's life, and judge it at each age."""
    found = with_life(boat)
    if found is None:
        return ()
    living, end_h = found
    history, truth = simulate(living, cache)
    course = truth.course.tolist()
    counted = np.maximum.accumulate(np.nan_to_num(history.runtime_h))
    outcomes = []
    for age in AGES:
        at_h = age * end_h
        if at_h < living.model.charger.hours_before + _LEAST_LOGGED_H:
            continue
        if len(counted) == 0 or counted[-1] < at_h - _SLACK_H:
            continue  # the log ended before, after most_days
        past = np.flatnonzero(counted >= at_h)
        until = int(past[0]) + 1 if len(past) else None
        case = Case(history.select(slice(0, until)), living.config())
        if case.health is not None:
            evidence = case.evidence
            outcomes.append(
                outcome(living, age, at_h, course, case.health, evidence.logged_h, evidence.gain_sd)
            )
    return tuple(outcomes)


def outcome(
    boat: Boat,
    age: float,
    at_h: float,
    course: list[float],
    health: Health,
    logged_h: float,
    gain_sd: float,
) -> EarlyOutcome:
    """Set what an estimate says beside the truth.

    Parameters
    ----------
    boat
        The boat.
    age
        Part of the charger's life.
    at_h
        Its running hours.
    course
        Its true output at whole running hours.
    health
        The estimate.
    logged_h
        Running hours that it rests on.
    gain_sd
        Relative uncertainty of the sensor's gain.
    """
    limit = boat.replace_below
    end_h = crossing_h(course, limit, at_h, SUSTAINED_H)
    left_h = HORIZON_H if end_h is None else end_h - at_h
    said = remaining(health, gain_sd, limit)
    low, median, high = (health.output(p) for p in (0.05, 0.5, 0.95))
    return EarlyOutcome(
        boat.name,
        boat.model.charger.form,
        age,
        replace(said, truth=left_h),
        said.median <= FURTHEST * logged_h,
        replace(best_possible(health, at_h, limit, _LONGEST_H), truth=left_h),
        Said(low, median, high, course_at(course, at_h)),
    )


def with_life(boat: Boat) -> tuple[Boat, float] | None:
    """Return the boat as it is simulated here, and the running hours at which its life ends.

    None if the boat was not drawn for wear, or if its life is too short or too long.
    """
    charger = boat.model.charger
    end_h = crossing_h(lay_out(charger, boat.model.seed), boat.replace_below, 0.0, SUSTAINED_H)
    if boat.category not in _WEARING or end_h is None or not _SHORTEST_H <= end_h <= _LONGEST_H:
        return None
    sensors = replace(
        boat.model.sensors,
        spacing_s=_SPACING_S,
        rest_spacing_s=5.0 * _SPACING_S,
        counter=True,
        counter_resets_h=(),
    )
    living = replace(
        boat,
        model=replace(boat.model, sensors=sensors),
        log=LogConfig(
            interval_s=_SPACING_S,
            gap_s=10.0 * _SPACING_S + 1.0,
            longest_running_s=boat.log.longest_running_s,
            longest_rest_s=boat.log.longest_rest_s,
        ),
        until_h=AGES[-1] * end_h,
        unknown_clock=0.0,
    )
    return living, end_h


def remaining(health: Health, gain_sd: float, limit: float) -> Said:
    """Return the hours until the output falls below the limit, as the forecast draws them.

    A report withholds what lies too far ahead; here it counts all the same.
    """
    rng = np.random.default_rng(5)
    ahead_h = HORIZON_H * np.linspace(0.0, 1.0, _POINTS) ** 2
    paths, _ = draw_paths(health.posterior, health.systematic, ahead_h, PATHS, rng)
    gain = np.maximum(1.0 + gain_sd * rng.standard_normal(len(paths)), 0.2)
    ends_h = np.minimum(passage_for_good(ahead_h, paths, limit * gain), HORIZON_H)
    low, median, high = (float(q) for q in np.quantile(ends_h, (0.05, 0.5, 0.95)))
    return Said(low, median, high, math.nan)
