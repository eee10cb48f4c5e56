"""Simulates the life of an invented boat: charger, bank, loads, other sources, weather, sensors.

The physics is kept to what a log can show. Charger, bank and sensors each have a module of their
own; this one moves the boat through its days. A load that runs while the charger does takes its
current from the charger, and that current never passes through the bank.

The steps run millions of times, so parts are called once a step and hand over plain numbers.
"""

from __future__ import annotations

import math
from random import Random
from typing import TYPE_CHECKING

from logger.durations import DAY_S
from logger.sources.boat.bank import Bank
from logger.sources.boat.charger import EMPTY, REST, STARTING, Charger
from logger.sources.boat.course import lay_out
from logger.sources.boat.days import ENGINE, DayPlan, DayRecord, plan_day
from logger.sources.boat.instruments import Instruments

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from logger.reading import Reading
    from logger.sources.boat.model import BoatModel

#: Period of the cold box's compressor, s (common practice, no source).
_CYCLE_S = 2400.0
#: Below this state of charge the boat's loads switch off but for a tenth (invented).
_LOADS_OFF = 0.08
#: The owner who sees the bank too low starts the engine for this long, s (invented).
_RESCUE_S = 7200.0
#: Below this part of a container the owner may change it early (invented).
_NEARLY_EMPTY = 0.1


class Voyage:
    """One life of an invented boat: it gives readings, and keeps the truth about them.

    Parameters
    ----------
    model
        The boat. The same model gives the same course and the same days whatever the spacing of
        the readings.

    Attributes
    ----------
    course
        Available output at whole running hours of the charger, fraction of rated.
    days
        One record per day lived so far.
    events
        Events that a careful owner would have noted: (Unix time, kind, amount, text).
    changed_early
        Unix time of each change of a container that was not yet empty.
    hours
        Running hours of the charger so far.
    fuel_used_l
        Fuel used since the log began, L.
    fuel_l
        Fuel left in the container, L; infinite for a charger that never runs out.
    """

    def __init__(self, model: BoatModel) -> None:
        self.model = model
        self.course = lay_out(model.charger, model.seed)
        self.days: list[DayRecord] = []
        self.events: list[tuple[float, str, float | None, str]] = []
        self.changed_early: list[float] = []
        self.hours = model.charger.hours_before
        self.fuel_used_l = 0.0
        self.fuel_l = model.charger.container_l or math.inf
        self.time_s = model.start.timestamp()

    def readings(self, *, until_h: float = math.inf, days: float = math.inf) -> Iterator[Reading]:
        """Live on and give readings, in order of Unix time.

        It ends when the charger has run ``until_h`` hours (its own, ``hours_before`` included) or
        after ``days`` days, whichever comes first; without either it goes on for ever.
        """
        model = self.model
        plan_rng = Random(f"{model.seed}/days")  # noqa: S311 - a seed, not secrecy
        life = Random(f"{model.seed}/life")  # noqa: S311
        boat = _Boat(self, life)
        end = self.time_s + days * DAY_S
        weather = 0.0
        plan: DayPlan | None = None
        while boat.now < end and boat.charger.hours < until_h:
            day_start = boat.now - boat.now % DAY_S
            weather = 0.75 * weather + plan_rng.gauss(0.0, 1.4)
            plan = plan_day(model.habits, day_start, plan, weather, plan_rng)
            day = DayRecord(day_start, plan.kind)
            self.days.append(day)
            if boat.laid_up_silently(plan, day):
                continue
            boat.begin_day()
            yield from boat.live(plan, day, min(day_start + DAY_S, end), until_h)
        boat.note()


class _Boat:
    """The moving parts of a voyage, from one reading to the next."""

    def __init__(self, voyage: Voyage, life: Random) -> None:
        model = voyage.model
        self.now = voyage.time_s
        self._voyage, self._life = voyage, life
        self._habits, self._sensors = model.habits, model.sensors
        self._rescue_until = 0.0
        self.charger = Charger(
            model.charger,
            voyage.course,
            life,
            hours=voyage.hours,
            fuel_l=voyage.fuel_l,
            refuel_h=model.habits.refuel_h,
            air_c=model.habits.ambient_c,
        )
        self.charger.events, self.charger.used_l = voyage.events, voyage.fuel_used_l
        self._bank = Bank(model.battery, model.habits, model.charger.loop_ohm)
        self._instruments = Instruments(model.sensors, model.seed, life)

    def note(self) -> None:
        """Write hours, fuel and time into the voyage."""
        voyage, charger = self._voyage, self.charger
        voyage.hours, voyage.time_s, voyage.fuel_l = charger.hours, self.now, charger.fuel_l
        voyage.fuel_used_l = charger.used_l

    def laid_up_silently(self, plan: DayPlan, day: DayRecord) -> bool:
        """Pass over a winter's day on which the logger is off; return whether it is one."""
        if plan.kind != "laid_up" or self._habits.laid_up != "silent" or self.charger.phase != REST:
            return False
        # Nobody is aboard; the shore charger keeps the bank full.
        day_end = day.start_s + DAY_S
        day.silent_h = day.other_h = day.fed_h = (day_end - self.now) / 3600.0
        self._bank.keep_full()
        self.charger.sag, self.now = 0.0, day_end
        return True

    def begin_day(self) -> None:
        """Draw the day's silence of the logger, and an early change of the container."""
        charger, habits = self.charger, self._habits
        self._instruments.begin_day(self.now)
        nearly = charger.fuel_l < _NEARLY_EMPTY * self._voyage.model.charger.container_l
        # If it is empty already, somebody is about to change it, once and not twice.
        if nearly and self._life.random() < habits.early_change and charger.refuel_at == math.inf:
            charger.change_container(self.now)
            self._voyage.changed_early.append(self.now)

    def live(
        self, plan: DayPlan, day: DayRecord, end: float, until_h: float
    ) -> Generator[Reading, None, None]:
        """Live from ``now`` to the end of a day, and give its readings."""
        charger, bank, sensors = self.charger, self._bank, self._sensors
        model, habits = self._voyage.model.charger, self._habits
        read, cycling, now = self._instruments.reading, plan.cycling, self.now
        laid_up, day_start = plan.kind == "laid_up", day.start_s
        ceiling_v = model.ceiling_v + model.ceiling_per_k * (plan.ambient_c + 2.0 - 25.0)
        rise_s, hour = habits.rise_min * 60.0, -1
        steady_a, other, outside_c = 0.0, 0, 0.0
        while now < end and charger.hours < until_h:
            if int((now - day_start) / 3600.0) != hour:
                hour = int((now - day_start) / 3600.0)
                steady_a, other = plan.load_a[hour], plan.other[hour]
                outside_c = plan.ambient_c + 3.0 * math.cos(0.2618 * (hour - 15))
                self.now = now
                self.note()
            dt = sensors.rest_spacing_s if charger.phase <= EMPTY else sensors.spacing_s
            load_a = steady_a
            if cycling > 0.0:
                load_a += _cold_box_a(now, dt, cycling, habits.cycling_a)
            if bank.soc < _LOADS_OFF:
                load_a *= 0.1
            source = other or (ENGINE if now < self._rescue_until else 0)
            power_w = charger.available_w(now, dt)
            current = bank.step(dt, load_a, power_w, source, ceiling_v)
            voltage = bank.volts + model.loop_ohm * current
            seen = read(now, dt, voltage, current, charger, bank, day, laid_up=laid_up)
            if seen is not None:
                yield seen
            now += dt
            _add_up(day, dt, load_a, bank, connected=bool(source))
            air_gain = dt / (rise_s + dt)
            warm_c = outside_c + habits.rise_c * power_w / model.rated_w
            charger.air_c += air_gain * (warm_c - charger.air_c)
            goes_on = True
            if charger.phase <= EMPTY:
                charger.rest(now, dt, voltage, laid_up=laid_up)
                if charger.phase == STARTING and not day.start_soc <= bank.soc:
                    day.start_soc = bank.soc
            else:
                goes_on = charger.run(now, dt, current, voltage, ceiling_v, day)
            helped = now < self._rescue_until or other != 0
            if goes_on and bank.soc < habits.rescue_below and not helped:
                # The owner sees the low voltage and starts the engine.
                self._rescue_until = now + _RESCUE_S
        self.now = now


def _cold_box_a(now: float, dt: float, cycling: float, amps: float) -> float:
    """Return the mean current of the cold box in a step, A.

    Its compressor draws ``amps`` for the part ``cycling`` of each period.
    """
    begin = (now / _CYCLE_S) % 1.0
    finish = begin + dt / _CYCLE_S
    on = min(finish, cycling) - begin
    if on < 0.0:
        on = 0.0 if finish <= 1.0 else min(finish - 1.0, cycling)
    elif finish > 1.0:
        on += min(finish - 1.0, cycling)
    return amps * on / (finish - begin)


def _add_up(day: DayRecord, dt: float, load_a: float, bank: Bank, *, connected: bool) -> None:
    """Add a step to the record of its day."""
    hours_dt = dt / 3600.0
    day.load_ah += load_a * hours_dt
    day.load_wh += load_a * bank.volts * hours_dt
    day.least_soc = min(day.least_soc, bank.soc)
    if bank.amps > 0.0:
        day.passed_ah += bank.amps * dt / 3600.0
        day.stored_ah += bank.taken_a * dt / 3600.0
    if connected:
        day.other_h += hours_dt
        if bank.other_a > 0.05:
            day.fed_h += hours_dt
            day.fed_ah += bank.other_a * hours_dt
