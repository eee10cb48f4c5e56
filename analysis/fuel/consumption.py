"""Litres per kilowatt-hour of this unit, from its containers and a prior of common practice.

Each container between two recorded changes measures the use at the middle of its running hours. The
use rises as the output falls. Where the output is known, the figure of a new unit is divided by it;
what is left of the logarithm has a level and a trend. Where it is not known, the trend is that of a
usual unit. The newest containers count most: a linear Gaussian filter (Kalman 1960, J. Basic Eng.
82:35-45; from memory).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.fuel.changes import changes
from analysis.fuel.dry_stops import ran_dry
from analysis.history.energy import energy_before
from analysis.history.hours import LONGEST_SILENCE_H

if TYPE_CHECKING:
    from analysis.fuel.wear import Wear
    from analysis.history.runs import Runs
    from logger.config import FuelConfig
    from logger.event import Event

#: Relative standard deviation of the prior: units, fuels and ages differ (judgement, no source).
PRIOR_SD = 0.20
#: Relative standard deviation from the filling of a container and from the charger's own power
#: sensor (judgement, no source).
FILL_SD = 0.02
#: Relative standard deviation of the use from one container to the next (judgement, no source).
DRIFT_SD = 0.006
#: Prior of the rise per 1000 running hours, its standard deviation, and how much it changes in 1000
#: hours (one sd): a unit that is replaced at 60 % after 7500 h loses 7 % of its cell voltage in
#: each 1000 h (judgement).
TREND, TREND_SD, TREND_DRIFT_SD = 0.05, 0.05, 0.03
#: The same for what the fall of the output does not explain, where it is known; and how far the
#: logarithm of the rise may be from that of the loss, as a part of it (judgement).
BESIDE_SD, EXPLAINED_SD = 0.03, 0.25
#: Part left in a container that was changed before it ran out: 0 to 10 % (common practice, no
#: source). Part of the scatter is the owner's habit, the same in all containers; the rest is
#: chance.
LEFT_MEAN, LEFT_HABIT_SD, LEFT_SD = 0.05, 0.02, 0.022
#: Most running hours of a container that may be unlogged, as a share (judgement, no source).
_MOST_UNLOGGED = 0.10
#: A measurement further than this factor from the expected use means that a change was forgotten or
#: recorded wrongly: a forgotten change makes it 2 or 0.5.
_CREDIBLE_FACTOR = 1.6


@dataclass(frozen=True, slots=True)
class Container:
    """One container, from its change to the next."""

    begin_s: float
    end_s: float
    litres: float
    energy_kwh: float
    emptied: bool
    """Whether the charger ran out of fuel before the next change."""
    l_per_kwh: float
    sd: float
    """Relative standard deviation of ``l_per_kwh``."""
    problem: str | None = None
    """Why this container does not count."""


@dataclass(frozen=True, slots=True)
class FuelUse:
    """Litres per kWh now, and the containers that gave it."""

    estimate: float
    sd: float
    """Relative standard deviation."""
    containers: tuple[Container, ...]

    @property
    def counted(self) -> tuple[Container, ...]:
        """Return the containers that count."""
        return tuple(c for c in self.containers if c.problem is None)

    def quantile(self, z: float) -> float:
        """Return the figure ``z`` standard deviations above the estimate."""
        return self.estimate * float(np.exp(z * self.sd))


class UseFilter:
    """The logarithm of litres per kWh and its rise per 1000 running hours, with covariance.

    Where the output is known, both are what the loss of output does not explain.
    """

    def __init__(self, prior_l_per_kwh: float, wear: Wear | None = None, at_h: float = 0.0) -> None:
        """Begin with a unit that has run for ``at_h`` hours; the prior is that of a new one."""
        self._wear, self._at_h, self._explained = wear, at_h, 0.0
        self._state = np.array([np.log(prior_l_per_kwh), TREND])
        trend_sd = TREND_SD
        level2 = PRIOR_SD**2
        if wear is not None:
            self._explained = wear.log_rise(at_h)
            self._state[1], trend_sd = 0.0, BESIDE_SD
            level2 += (EXPLAINED_SD * self._explained) ** 2 + wear.relative_sd**2
        self._spread = np.diag([level2, trend_sd**2])
        if wear is None:
            self._move(at_h / 1000.0)
        self._guessed = 0.0  # weight of the containers that may have been changed early

    @property
    def estimate(self) -> float:
        """Return litres per kWh now."""
        return float(np.exp(self._state[0] + self._explained))

    @property
    def sd(self) -> float:
        """Return its relative standard deviation."""
        return float(np.hypot(np.sqrt(self._spread[0, 0]), LEFT_HABIT_SD * self._guessed))

    def age(self, by_kh: float) -> None:
        """Move on by half a container, ``by_kh`` thousand running hours."""
        self._move(by_kh)
        self._spread += np.diag([0.5 * DRIFT_SD**2, (TREND_DRIFT_SD * by_kh) ** 2])
        self._at_h += 1000.0 * by_kh
        if self._wear is not None:
            self._explained = self._wear.log_rise(self._at_h)

    def _move(self, by_kh: float) -> None:
        move = np.array([[1.0, by_kh], [0.0, 1.0]])
        self._state = move @ self._state
        self._spread = move @ self._spread @ move.T

    def learn(self, container: Container) -> None:
        """Take a container's litres per kWh as a measurement of the present use."""
        gain = self._spread[:, 0] / (self._spread[0, 0] + container.sd**2)
        self._state = self._state + gain * (
            np.log(container.l_per_kwh) - self._explained - self._state[0]
        )
        self._spread = self._spread - np.outer(gain, self._spread[0])
        weight = float(gain[0])
        self._guessed = self._guessed * (1.0 - weight) + (0.0 if container.emptied else weight)


def fuel_use(
    runs: Runs, events: tuple[Event, ...], fuel: FuelConfig, wear: Wear | None = None
) -> FuelUse:
    """Estimate litres per kWh from the containers of a log, and the output where it is known."""
    log, found = runs.log, []
    until = float(log.end_s[-1]) if len(log) else -np.inf
    told = _of_this_log(changes(events, until), runs)
    times = [*(change.time_s for change in told), until]
    at_h = np.interp(times, log.end_s, runs.hours.at_end_h) if len(log) else np.zeros(1)
    use = UseFilter(fuel.l_per_kwh, wear, float(at_h[0]))
    emptied = ran_dry(runs, times[1:-1]) if told else []
    half_kh = np.diff(at_h) / 2000.0
    for place, (one, following) in enumerate(itertools.pairwise(told)):
        use.age(half_kh[place])
        container = container_of(runs, one, following, use.estimate, emptied=emptied[place])
        found.append(container)
        if container.problem is None:
            use.learn(container)
        use.age(half_kh[place])
    if told:
        use.age(2.0 * half_kh[-1])
    return FuelUse(use.estimate, use.sd, tuple(found))


def _of_this_log(told: list[Event], runs: Runs) -> list[Event]:
    """Leave out containers that were used up before the log began, as by the charger before."""
    if len(runs.log) == 0:
        return told
    before = sum(change.time_s <= runs.log.start_s[0] for change in told)
    return told[max(before - 1, 0) :]


def container_of(
    runs: Runs, one: Event, following: Event, expected: float, *, emptied: bool
) -> Container:
    """Return what one container gave, from its change to the following one.

    ``expected`` is litres per kWh as known before; ``emptied``: the container ran dry.
    """
    log = runs.log
    litres = float(one.amount or 0.0)
    begin, end = one.time_s, following.time_s
    energy = float(np.diff(energy_before(runs, np.array([begin, end])))[0])
    hours = np.interp([begin, end], log.end_s, runs.hours.at_end_h)
    logged = np.interp([begin, end], log.end_s, np.cumsum(runs.running * log.duration_s) / 3600.0)
    passed, seen = float(np.diff(hours)[0]), float(np.diff(logged)[0])
    if not runs.hours.counted:
        passed = seen * silence(runs, begin, end)
    problem = None
    if begin < log.start_s[0]:
        problem = "it was opened before the log begins"
    elif energy <= 0.0 or seen <= 0.0:
        problem = "no energy was logged from it"
    elif passed > seen * (1.0 + _MOST_UNLOGGED):
        problem = "too much of its time was not logged"
    if problem is not None:
        return Container(begin, end, litres, energy, emptied, np.nan, np.nan, problem)
    energy *= max(passed / seen, 1.0)
    left, left_sd = (0.0, 0.003) if emptied else (LEFT_MEAN, LEFT_SD)
    value = litres * (1.0 - left) / energy
    ratio = value / expected
    if not 1.0 / _CREDIBLE_FACTOR < ratio < _CREDIBLE_FACTOR:
        problem = f"{value:.2f} L/kWh cannot be right: a change was forgotten or is wrong"
    # The hours that were not logged are assumed to give the same power as the others.
    sd = float(np.hypot(np.hypot(FILL_SD, left_sd), 0.5 * max(passed / seen - 1.0, 0.0)))
    return Container(begin, end, litres, energy, emptied, value, sd, problem)


def silence(runs: Runs, begin_s: float, end_s: float) -> float:
    """Return time passed over time logged, without gaps long enough for a boat laid up.

    Without an hour counter the log does not show whether the charger ran in a gap. It is assumed to
    have run as much as at other times.
    """
    log = runs.log
    inside = (log.start_s >= begin_s) & (log.start_s < end_s)
    begins = np.append(log.start_s[inside], end_s)
    ends = np.concatenate(([begin_s], log.end_s[inside]))
    gap_s = np.maximum(begins - ends, 0.0)
    silent_s = float(gap_s[gap_s < LONGEST_SILENCE_H * 3600.0].sum())
    logged_s = float(log.duration_s[inside].sum())
    return 1.0 + silent_s / max(logged_s, 1.0)
