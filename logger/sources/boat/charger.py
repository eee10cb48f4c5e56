"""The charger of an invented boat: a source of power with phases, warm-up, sag, heat and fuel.

What it can give comes from its course (:mod:`logger.sources.boat.course`), less warm-up, sag, heat
and the end of the fuel. At its ceiling it holds the voltage instead, and the bank sets the current.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from logger.reading import OperatingState
from logger.sources.boat.course import course_at

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

    from logger.sources.boat.days import DayRecord
    from logger.sources.boat.model import ChargerModel

#: Phases; it uses fuel in those after EMPTY.
REST, EMPTY, STARTING, RUNNING, STOPPING = range(5)
_STATES = (
    OperatingState.STANDBY,
    OperatingState.FAULT,
    OperatingState.STARTING,
    OperatingState.RUNNING,
    OperatingState.SHUTTING_DOWN,
)
#: Fuel at which the output begins to fade, and at which the charger stops, L (invented).
_FADES_L, _DRY_L = 0.05, 0.002
#: Most hours until somebody changes an empty container (invented).
_LONGEST_EMPTY_H = 96.0


class Charger:
    """The charger with its container.

    Parameters
    ----------
    model
        The charger.
    course
        Available output at whole running hours.
    life
        Random generator of what happens.
    hours, fuel_l
        Running hours and fuel at the beginning.
    refuel_h
        Mean time until somebody changes an empty container.
    air_c
        Compartment temperature at the beginning, degC.

    Attributes
    ----------
    heat
        Output over that at 25 degC, by the temperature of the compartment.
    refuel_at
        Unix time at which somebody will change the container; infinite while it is not empty.
    used_l
        Fuel used so far, L.
    events
        Events that a careful owner would have noted: (Unix time, kind, amount, text).
    """

    __slots__ = (
        "_ceiling_s",
        "_course",
        "_level",
        "_level_hour",
        "_life",
        "_low_s",
        "_model",
        "_refuel_h",
        "_renewals",
        "_run_factor",
        "_warm_from",
        "_warm_to",
        "air_c",
        "events",
        "fuel_l",
        "heat",
        "hours",
        "phase",
        "phase_s",
        "refuel_at",
        "sag",
        "used_l",
    )

    def __init__(
        self,
        model: ChargerModel,
        course: Sequence[float],
        life: Random,
        *,
        hours: float,
        fuel_l: float,
        refuel_h: float,
        air_c: float,
    ) -> None:
        self._model, self._course, self._life, self._refuel_h = model, course, life, refuel_h
        self._warm_from, self._warm_to = 60.0 * model.start_min, 60.0 * model.warm_min
        self._level, self._level_hour = course_at(course, hours), -1
        self._renewals = sorted(r.at_h for r in model.renewals if r.recorded and r.at_h > hours)
        self._run_factor = 1.0
        self._low_s = self._ceiling_s = 0.0
        self.hours, self.fuel_l, self.air_c = hours, fuel_l, air_c
        self.phase, self.phase_s, self.sag, self.heat = REST, 0.0, 0.0, 1.0
        self.refuel_at = math.inf
        self.used_l = 0.0
        self.events: list[tuple[float, str, float | None, str]] = []

    def state(self, *, laid_up: bool) -> OperatingState:
        """Return the state that it tells."""
        if laid_up and self.phase == REST:
            return OperatingState.SLEEPING
        if self._model.tells_throttled and self.phase == RUNNING and self.heat < 0.97:
            return OperatingState.THROTTLED
        return _STATES[self.phase]

    def available_w(self, now: float, dt: float) -> float:
        """Begin a step of ``dt`` seconds; return the power that it can give in it, W."""
        phase = self.phase
        if phase <= EMPTY:
            return 0.0
        self.phase_s += dt
        if phase != RUNNING:
            return 0.0
        model, air_c, hours = self._model, self.air_c, self.hours
        heat = 1.0 - model.slope_per_k * (air_c - 25.0)
        if air_c > model.heat_knee_c:
            heat = max(heat - model.heat_per_k * (air_c - model.heat_knee_c), 0.2)
        self.heat = heat
        if int(hours * 4.0) != self._level_hour:
            self._level_hour = int(hours * 4.0)
            self._level = course_at(self._course, hours)
            if self._renewals and hours >= self._renewals[0]:
                del self._renewals[0]
                self.events.append((now, "renewal", None, "stack renewed"))
        power_w = model.rated_w * self._level * (1.0 - self.sag) * heat * self._run_factor
        if self.phase_s < self._warm_to:
            cold = 1.0 - (self.phase_s - self._warm_from) / (self._warm_to - self._warm_from)
            power_w *= 1.0 - 0.65 * cold * cold
        if self.fuel_l < _FADES_L:
            power_w *= max(0.0, self.fuel_l / _FADES_L)
        return power_w

    def rest(self, now: float, dt: float, voltage: float, *, laid_up: bool) -> None:
        """End a step at rest: recover, wait for fuel, or start when the voltage stays low."""
        model = self._model
        self.sag -= self.sag * dt / (3600.0 * model.recovery_h + dt)
        if self.phase == EMPTY:
            if now >= self.refuel_at:
                self.change_container(now)
                self.refuel_at, self.phase, self._low_s = math.inf, REST, 0.0
        elif not laid_up and voltage < model.start_v:
            self._low_s += dt
            if self._low_s >= 60.0 * model.start_wait_min:
                self.phase, self.phase_s, self._low_s, self._ceiling_s = STARTING, 0.0, 0.0, 0.0
                self._run_factor = 1.0 + self._life.gauss(0.0, model.run_scatter)
        else:
            self._low_s = 0.0

    def run(
        self,
        now: float,
        dt: float,
        current: float,
        voltage: float,
        ceiling_v: float,
        day: DayRecord,
    ) -> bool:
        """End a step after the start; return whether it delivers and goes on doing so."""
        hours_dt = dt / 3600.0
        self.hours += hours_dt
        day.running_h += hours_dt
        if self.phase == RUNNING:
            return self._deliver(now, dt, current, voltage, ceiling_v, day)
        if self.phase == STARTING:
            if self.phase_s >= self._warm_from:
                self.phase = RUNNING
        elif self.phase_s >= 60.0 * self._model.stop_min:
            self.phase = EMPTY if self.refuel_at < math.inf else REST
            self.phase_s = 0.0
        return False

    def _deliver(
        self,
        now: float,
        dt: float,
        current: float,
        voltage: float,
        ceiling_v: float,
        day: DayRecord,
    ) -> bool:
        model, hours_dt = self._model, dt / 3600.0
        day.charger_ah += current * hours_dt
        wh = current * voltage * hours_dt
        day.charger_wh += wh
        used = wh / 1000.0 * model.l_per_kwh * model.new_fraction / self._level
        self.fuel_l -= used
        self.used_l += used
        self.sag += (model.sag - self.sag) * dt / (3600.0 * model.sag_h + dt)
        warm = self.phase_s > self._warm_to
        if voltage > ceiling_v - 0.05:
            self._ceiling_s += dt
        elif warm and self.heat > 0.98 and self.fuel_l > _FADES_L:
            day.free_h += hours_dt
        full = self._ceiling_s > 600.0 and current < model.tail_a
        if warm and (full or self._ceiling_s > 3600.0 * model.absorb_h):
            self.phase, self.phase_s = STOPPING, 0.0
            return False
        if self.fuel_l <= _DRY_L:
            self.phase, self.phase_s = STOPPING, 0.0
            wait_h = self._life.expovariate(1.0 / self._refuel_h)
            self.refuel_at = now + 3600.0 * min(wait_h, _LONGEST_EMPTY_H)
            return False
        return True

    def change_container(self, now: float) -> None:
        """Put in a full container, and note it."""
        self.events.append((now, "fuel", self._model.container_l, ""))
        self.fuel_l = self._model.container_l
