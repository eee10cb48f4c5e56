"""Litres per kilowatt-hour of this unit: what its containers gave, on top of common practice.

Each container between two recorded changes is one measurement. The use rises with age, so its
logarithm has a level and a trend from container to container, and the newest count most: a linear
Gaussian filter (Kalman 1960).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.history import STATE_CODE
from analysis.hours import LONGEST_SILENCE_H
from logger.reading import OperatingState
from logger.store.events import Event

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.runs import Runs
    from logger.config import FuelConfig

    Floats = NDArray[np.float64]

#: Relative uncertainty of the prior (standard deviation): units, fuels and ages differ.
PRIOR_SD = 0.20
#: Filling of a container and the charger's own power sensor.
FILL_SD = 0.02
#: Change from one container to the next that needs no reason; trend at first, and its own change.
DRIFT_SD = 0.01
TREND_SD = 0.03
TREND_DRIFT_SD = 0.003
#: A container changed before it ran out is left with 0 to 10 % in it (common practice, no source).
LEFT_MEAN, LEFT_SD = 0.05, 0.03
#: The charger waited for fuel: it stood still so long before the change, and ran so soon after.
_STOOD_S, _RAN_S = 1200.0, 3600.0
#: A run that ends this far below the usual highest voltage has not filled the battery.
_SHORT_OF_FULL = 0.02
#: Fewer runs than this show no usual start voltage.
_FEWEST_RUNS = 8
#: So far below its usual start voltage a charger that has fuel has started, V on 12 V.
_WAITING_V, _WAITED_S = 0.08, 3600.0
_FAULT = STATE_CODE[OperatingState.FAULT]
#: What a change says that nobody recorded.
FOUND = "found in the log"
#: A container with more of its running hours unlogged than this tells nothing.
_UNLOGGED = 0.10
#: A measurement this far (factor) from what was expected is a forgotten or a wrong change.
_FAR = 1.6


@dataclass(frozen=True, slots=True)
class Container:
    """One container, from its change to the next."""

    begin_s: float
    end_s: float
    litres: float
    energy_kwh: float
    emptied: bool
    """Whether the charger stopped for want of fuel before the next change."""
    l_per_kwh: float
    sd: float
    """Relative standard deviation of ``l_per_kwh``."""
    problem: str | None = None
    """Why this container does not count."""


@dataclass(frozen=True, slots=True)
class FuelUse:
    """Litres per kWh now, and what it rests on."""

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


def energy_before(runs: Runs, time_s: Floats) -> Floats:
    """Return the energy delivered in the log up to times, kWh."""
    log = runs.log
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(log.energy_j)))) / 3.6e6
    knots = np.column_stack((log.start_s, np.maximum.accumulate(log.end_s))).ravel()
    values = np.column_stack((total[:-1], total[1:])).ravel()
    return np.interp(time_s, np.maximum.accumulate(knots), values)


def changes(events: tuple[Event, ...], until_s: float) -> list[Event]:
    """Return the fuel changes that count, in order of time."""
    found = [
        e for e in events if e.kind == "fuel" and not e.struck and e.amount and e.time_s <= until_s
    ]
    return sorted(found, key=lambda e: e.time_s)


def find_changes(runs: Runs, container_l: float) -> tuple[Event, ...]:
    """Find container changes in the log, for an owner who recorded none.

    The charger stopped before the battery was full and then stood still although the voltage was
    below that at which it usually starts, or told a fault; it ran again: somebody had changed the
    container. Only such clear stops count, so that an empty container changed at once is missed.

    Parameters
    ----------
    runs
        The runs of the log.
    container_l
        What a container holds, L: taken for each.
    """
    log = runs.log
    found: list[Event] = []
    mean_v = log.voltage_mean_v
    charged_v = mean_v[runs.running & np.isfinite(mean_v)]
    start_v = mean_v[np.clip(runs.first - 1, 0, None)][runs.start_seen]
    start_v = start_v[np.isfinite(start_v)]
    if len(start_v) < _FEWEST_RUNS or len(charged_v) == 0:
        return ()
    full, usual = float(np.percentile(charged_v, 98.0)), float(np.median(start_v))
    for k in range(len(runs) - 1):
        last = int(runs.last[k])
        ended_v = log.voltage_max_v[max(last - 1, int(runs.first[k]))]
        if not ended_v < full * (1.0 - _SHORT_OF_FULL):
            continue
        pause = slice(last + 1, int(runs.first[k + 1]))
        waits = np.sum(log.duration_s[pause][mean_v[pause] < usual - _WAITING_V * usual / 12.0])
        fault = np.sum(log.duration_s[pause][log.state[pause] == _FAULT])
        if float(waits) >= _WAITED_S or float(fault) >= _STOOD_S:
            at = float(runs.start_s[k + 1]) - 60.0
            found.append(Event(len(found) + 1, at, "fuel", container_l, FOUND))
    return tuple(found)


def fuel_use(runs: Runs, events: tuple[Event, ...], fuel: FuelConfig) -> FuelUse:
    """Estimate litres per kWh from the containers of a log."""
    log = runs.log
    until = float(log.end_s[-1]) if len(log) else -np.inf
    told = changes(events, until)
    found: list[Container] = []
    state = np.array([np.log(fuel.l_per_kwh), 0.0])
    spread = np.diag([PRIOR_SD**2, TREND_SD**2])
    move = np.array([[1.0, 1.0], [0.0, 1.0]])
    drift = np.diag([DRIFT_SD**2, TREND_DRIFT_SD**2])
    guessed = 0.0  # weight of containers of which it is not known how much was left
    for one, following in itertools.pairwise(told):
        container = _container(runs, one, following, float(np.exp(state[0])))
        found.append(container)
        if container.problem is None:
            gain = spread[:, 0] / (spread[0, 0] + container.sd**2)
            state = state + gain * (np.log(container.l_per_kwh) - state[0])
            spread = spread - np.outer(gain, spread[0])
            weight = float(gain[0])
            guessed = guessed * (1.0 - weight) + (0.0 if container.emptied else weight)
        # The next container is older, whether this one counted or not.
        state, spread = move @ state, move @ spread @ move.T + drift
    # What is left is a habit: its error is the same in every container and does not average out.
    sd = float(np.hypot(np.sqrt(spread[0, 0]), LEFT_SD * guessed))
    return FuelUse(float(np.exp(state[0])), sd, tuple(found))


def _container(runs: Runs, one: Event, following: Event, expected: float) -> Container:
    log = runs.log
    litres = float(one.amount or 0.0)
    begin, end = one.time_s, following.time_s
    energy = float(np.diff(energy_before(runs, np.array([begin, end])))[0])
    emptied = _ran_dry(runs, end)
    hours = np.interp([begin, end], log.end_s, runs.hours.at_end_h)
    logged = np.interp([begin, end], log.end_s, np.cumsum(runs.running * log.duration_s) / 3600.0)
    passed, seen = float(np.diff(hours)[0]), float(np.diff(logged)[0])
    if not runs.hours.counted:
        passed = seen * _silence(runs, begin, end)
    problem = None
    if begin < log.start_s[0]:
        problem = "opened before the log begins"
    elif energy <= 0.0 or seen <= 0.0:
        problem = "no energy was logged from it"
    elif passed > seen * (1.0 + _UNLOGGED):
        problem = "too much of its time was not logged"
    if problem is not None:
        return Container(begin, end, litres, energy, emptied, np.nan, np.nan, problem)
    energy *= max(passed / seen, 1.0)
    left, left_sd = (0.0, 0.003) if emptied else (LEFT_MEAN, LEFT_SD)
    value = litres * (1.0 - left) / energy
    ratio = value / expected
    if not 1.0 / _FAR < ratio < _FAR:
        problem = f"{value:.2f} L/kWh is not believable: a change was forgotten or is wrong"
    # Energy of hours that were not logged is taken as that of the others.
    sd = float(np.hypot(np.hypot(FILL_SD, left_sd), 0.5 * max(passed / seen - 1.0, 0.0)))
    return Container(begin, end, litres, energy, emptied, value, sd, problem)


def _silence(runs: Runs, begin_s: float, end_s: float) -> float:
    """Return time passed over time logged; a silence of a boat laid up does not count.

    Without a counter of its own nobody knows whether the charger ran while the log was silent: it
    is taken to have run as much as at other times.
    """
    log = runs.log
    inside = (log.start_s >= begin_s) & (log.start_s < end_s)
    begins = np.append(log.start_s[inside], end_s)
    ends = np.concatenate(([begin_s], log.end_s[inside]))
    gap_s = np.maximum(begins - ends, 0.0)
    silent_s = float(gap_s[gap_s < LONGEST_SILENCE_H * 3600.0].sum())
    logged_s = float(log.duration_s[inside].sum())
    return 1.0 + silent_s / max(logged_s, 1.0)


def _ran_dry(runs: Runs, change_s: float) -> bool:
    """Tell whether the charger had stopped for want of fuel when the container was changed.

    It stands still, and its last run ended well below the voltage at which a full battery ends
    runs; or it stood still for long and ran at once after the change.
    """
    log = runs.log
    done = np.flatnonzero(runs.end_s <= change_s)
    inside = np.any((runs.start_s < change_s) & (runs.end_s > change_s))
    if inside or len(done) == 0:
        return False
    last = done[-1]
    shown = log.voltage_mean_v[runs.running]
    shown = shown[np.isfinite(shown)]
    ended = log.voltage_max_v[max(int(runs.last[last]) - 1, 0)]
    if len(shown) and ended < float(np.percentile(shown, 98.0)) * (1.0 - _SHORT_OF_FULL):
        return True
    later = runs.start_s[runs.start_s >= change_s]
    waited = change_s - runs.end_s[last] > _STOOD_S
    return bool(waited and len(later) and later[0] - change_s < _RAN_S)
