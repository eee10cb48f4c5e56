"""Lets an invented boat live: charger, battery, loads, other sources, weather and sensors.

The physics is kept to what a log can show:

* The charger is a source of power. What it has comes from its course (see ``boat_course``), less
  warm-up, sag, heat and the end of the fuel. At its ceiling it holds the voltage instead, and the
  battery takes what it will.
* The battery is an open-circuit voltage over state of charge, a fast resistance, and a slow
  polarisation that grows towards full. For lead-acid the open-circuit voltage follows Bode's
  electrode potentials (Bode 1977; the five values of the usual table), and the rise of the charge
  resistance and the fall of coulombic efficiency towards full follow the form of Copetti,
  Lorenzo and Chenlo (1993; from memory). For LFP: a plateau near 3.3 V per cell and 99.5 %; a
  full cell takes no more, so its voltage rises steeply until the charger reaches its ceiling.
* A load that runs while the charger does never passes the battery.

The polarisation is advanced implicitly, so that any step from one second to ten minutes is stable.
The loop is one function with local names on purpose: it runs millions of times.
"""

from __future__ import annotations

import math
from random import Random
from typing import TYPE_CHECKING

from logger.durations import DAY_S
from logger.reading import OperatingState, Reading
from logger.sources.boat.course import course_at, lay_out
from logger.sources.boat.days import ENGINE, DayPlan, DayRecord, plan_day

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logger.sources.boat.model import BatteryModel, BoatModel

#: Rested voltage of six lead-acid cells at 0, 25, 50, 75 and 100 % (Bode 1977, tabulated).
_LEAD_OCV = (11.89, 12.07, 12.25, 12.44, 12.67)
#: Sealed cells stand about 0.1 V higher (trade table, from memory).
_SEALED_V = 0.12
#: Rested voltage of one LFP cell from 0 to 105 % in steps of 5 %: steep ends, flat between
#: (plateau and ends as in the literature on LFP cells; invented to two digits).
_LFP_CELL = (
    *(2.50, 3.12, 3.20, 3.225, 3.245, 3.26, 3.27, 3.28, 3.285, 3.29, 3.295, 3.30, 3.305, 3.315),
    *(3.325, 3.33, 3.335, 3.34, 3.345, 3.36, 3.45, 4.20),
)
#: State of charge at which a cell is full in every sense.
_LFP_FULL = 1.03
# Phases of the charger; it burns fuel in those after _EMPTY.
_REST, _EMPTY, _STARTING, _RUNNING, _STOPPING = range(5)


def open_circuit(battery: BatteryModel) -> list[float]:
    """Return the rested voltage of the bank at 0, 5, ... 100 % of charge (LFP: 105 %), V."""
    if battery.chemistry == "lfp":
        return [battery.cells * cell for cell in _LFP_CELL]
    lift = 0.0 if battery.chemistry == "flooded" else _SEALED_V
    table = []
    for step in range(21):
        place = step / 5.0
        below = min(int(place), 3)
        six = _LEAD_OCV[below] + (place - below) * (_LEAD_OCV[below + 1] - _LEAD_OCV[below])
        table.append((six + lift) * battery.cells / 6.0)
    return table


class Voyage:
    """One life of an invented boat: gives readings, and keeps what really happened.

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
        What a conscientious owner would have noted: (Unix time, kind, amount, text).
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

    def readings(  # noqa: C901, PLR0912, PLR0915 - one loop with local names, see the module
        self, *, until_h: float = math.inf, days: float = math.inf
    ) -> Iterator[Reading]:
        """Live on and give readings, in order of Unix time.

        Ends when the charger has run ``until_h`` hours (its own, ``hours_before`` included) or
        after ``days`` days, whichever comes first; without either it goes on for ever.
        """
        model = self.model
        charger, battery, habits, sensors = (
            model.charger,
            model.battery,
            model.habits,
            model.sensors,
        )
        plan_rng = Random(f"{model.seed}/days")  # noqa: S311 - a seed, not secrecy
        life_rng = Random(f"{model.seed}/life")  # noqa: S311
        noise = Random(f"{model.seed}/sensors").random  # noqa: S311
        course, rated = self.course, charger.rated_w
        exp, sqrt = math.exp, math.sqrt

        ocv = open_circuit(battery)
        lead = battery.chemistry != "lfp"
        full_soc, last = (1.0, 19) if lead else (_LFP_FULL, 20)
        scale = battery.cells / battery.capacity_ah * battery.resistance
        r_fast = 0.30 * scale if lead else 0.12 * scale
        r_slow_dis = 0.50 * scale if lead else 0.15 * scale
        slow_s = 1200.0 if lead else 600.0
        i10 = battery.capacity_ah / 10.0
        capacity_c = battery.capacity_ah * 3600.0
        shore_v = (2.25 if lead else 3.36) * battery.cells
        engine_v = (2.37 if lead else 3.45) * battery.cells
        shore_a = 0.12 * battery.capacity_ah + 10.0
        r_loop = charger.loop_ohm
        v_step, i_step = sensors.voltage_step_v, sensors.current_step_a
        v_noise, i_noise = sensors.voltage_noise_v, sensors.current_noise_a
        told = sensors.states == "told"
        fixed_state = (
            OperatingState.RUNNING if sensors.states == "stuck" else OperatingState.UNKNOWN
        )
        standby, starting, running = (
            OperatingState.STANDBY,
            OperatingState.STARTING,
            OperatingState.RUNNING,
        )
        phase_state = (
            standby,
            OperatingState.FAULT,
            starting,
            running,
            OperatingState.SHUTTING_DOWN,
        )
        resets = sorted(sensors.counter_resets_h)

        now = self.time_s
        end = now + days * DAY_S
        soc = battery.first_charge
        slow_v = 0.0
        battery_a = 0.0
        phase = _REST
        phase_s = low_s = ceiling_s = 0.0
        sag = 0.0
        run_factor = 1.0
        hours = self.hours
        counted_from = 0.0
        fuel = self.fuel_l
        refuel_at = math.inf
        silent_until = 0.0
        rescue_until = 0.0
        weather = 0.0
        plan: DayPlan | None = None
        air_c = habits.ambient_c
        rise_s = habits.rise_min * 60.0
        warm_from, warm_to = 60.0 * charger.start_min, 60.0 * charger.warm_min
        level = course_at(course, hours)
        level_hour = -1
        renewals = sorted(
            renewal.at_h
            for renewal in charger.renewals
            if renewal.recorded and renewal.at_h > hours
        )

        while now < end and hours < until_h:
            day_start = now - now % DAY_S
            weather = 0.75 * weather + plan_rng.gauss(0.0, 1.4)
            plan = plan_day(habits, day_start, plan, weather, plan_rng)
            record = DayRecord(day_start, plan.kind)
            self.days.append(record)
            laid_up = plan.kind == "laid_up"
            day_end = day_start + DAY_S
            if laid_up and habits.laid_up == "silent" and phase == _REST:
                # Nobody is there and the logger is off; the shore charger keeps the bank full.
                record.silent_h = (day_end - now) / 3600.0
                record.other_h = record.fed_h = record.silent_h
                soc, slow_v, sag, now = 0.98, 0.0, 0.0, day_end
                continue
            gap_chance = sensors.gaps_per_100d / 100.0
            gap_at = now + life_rng.random() * DAY_S if life_rng.random() < gap_chance else math.inf
            early = fuel < 0.1 * charger.container_l and life_rng.random() < habits.early_change
            # Who has already found it empty changes it once, not twice.
            if early and refuel_at == math.inf:
                self.events.append((now, "fuel", charger.container_l, ""))
                self.changed_early.append(now)
                fuel = charger.container_l
            hour = -1
            steady_a = 0.0
            other = 0
            ambient, cycling = plan.ambient_c, plan.cycling
            ceiling = charger.ceiling_v + charger.ceiling_per_k * (ambient + 2.0 - 25.0)
            while now < day_end and now < end and hours < until_h:
                second = now - day_start
                if int(second / 3600.0) != hour:
                    hour = int(second / 3600.0)
                    steady_a = plan.load_a[hour]
                    other = plan.other[hour]
                    day_air = ambient + 3.0 * math.cos(0.2618 * (hour - 15))
                    self.hours, self.time_s, self.fuel_l = hours, now, fuel
                dt = sensors.rest_spacing_s if phase <= _EMPTY else sensors.spacing_s
                # What the boat draws: steady part, and the cold box on its cycle of 40 minutes.
                load_a = steady_a
                if cycling > 0.0:
                    begin = (now / 2400.0) % 1.0
                    finish = begin + dt / 2400.0
                    on = min(finish, cycling) - begin
                    if on < 0.0:
                        on = 0.0 if finish <= 1.0 else min(finish - 1.0, cycling)
                    elif finish > 1.0:
                        on += min(finish - 1.0, cycling)
                    load_a += habits.cycling_a * on / (finish - begin)
                if soc < 0.08:
                    load_a *= 0.1
                source = other or (ENGINE if now < rescue_until else 0)

                # What the charger has to give.
                power = 0.0
                heat = 1.0 - charger.slope_per_k * (air_c - 25.0)
                if air_c > charger.heat_knee_c:
                    heat -= charger.heat_per_k * (air_c - charger.heat_knee_c)
                    heat = max(heat, 0.2)
                if phase > _EMPTY:
                    phase_s += dt
                    if phase == _RUNNING:
                        if int(hours * 4.0) != level_hour:
                            level_hour = int(hours * 4.0)
                            level = course_at(course, hours)
                            if renewals and hours >= renewals[0]:
                                del renewals[0]
                                self.events.append((now, "renewal", None, "stack renewed"))
                        power = rated * level * (1.0 - sag) * heat * run_factor
                        if phase_s < warm_to:
                            cold = 1.0 - (phase_s - warm_from) / (warm_to - warm_from)
                            power *= 1.0 - 0.65 * cold * cold
                        if fuel < 0.05:
                            power *= max(0.0, fuel / 0.05)

                # The battery with everything on it: terminal voltage = v0 + r * current.
                net = battery_a
                gain = dt / (slow_s + dt)
                if net > 0.0:
                    r_slow = scale * (0.9 + 0.48 * (1.01 - soc) ** -1.2) if lead else r_slow_dis
                else:
                    r_slow = r_slow_dis
                place = soc * 20.0
                below = int(place)
                below = min(below, last)
                rest_v = ocv[below] + (place - below) * (ocv[below + 1] - ocv[below])
                v0 = rest_v + slow_v * (1.0 - gain)
                r = r_fast + gain * r_slow
                other_a = 0.0
                base = v0 - load_a * r
                both = r + r_loop
                current = 0.0
                if power > 0.0:
                    current = (sqrt(base * base + 4.0 * both * power) - base) / (2.0 * both)
                    if base + both * current > ceiling:
                        current = (ceiling - base) / both
                        current = max(current, 0.0)
                if source:
                    hold, most = (
                        (engine_v, habits.engine_a) if source == ENGINE else (shore_v, shore_a)
                    )
                    other_a = (hold - base) / r - current
                    other_a = min(other_a, most)
                    if other_a > 0.0 and current > 0.0:
                        # Both hold the battery up: solve again with the other one's current.
                        lifted = base + other_a * r
                        current = (sqrt(lifted * lifted + 4.0 * both * power) - lifted) / (
                            2.0 * both
                        )
                        if lifted + both * current > ceiling:
                            current = max(0.0, (ceiling - lifted) / both)
                        if other_a < most:
                            # It holds its voltage, and gives way to what the charger brings.
                            voltage_free = ceiling - hold
                            current = max(0.0, min(power / hold, voltage_free / max(r_loop, 1e-3)))
                            other_a = max(0.0, (hold - base) / r - current)
                    elif other_a < 0.0:
                        other_a = 0.0
                battery_a = current + other_a - load_a
                battery_v = v0 + r * battery_a
                voltage = battery_v + r_loop * current
                slow_v += gain * (battery_a * r_slow - slow_v)
                if battery_a > 0.0:
                    taken = battery_a
                    if lead:
                        taken *= 1.0 - exp(20.73 / (battery_a / i10 + 0.55) * (soc - 1.0))
                    else:
                        taken *= 0.995
                    record.passed_ah += battery_a * dt / 3600.0
                    record.stored_ah += taken * dt / 3600.0
                    soc += taken * dt / capacity_c
                    soc = min(soc, full_soc)
                else:
                    soc += battery_a * dt / capacity_c
                    soc = max(soc, 0.0)

                # Give the reading, unless the logger is silent or loses it.
                if now >= gap_at:
                    silent_until = now + life_rng.expovariate(1.0 / (3600.0 * sensors.gap_h))
                    gap_at = math.inf
                if now < silent_until:
                    record.silent_h += dt / 3600.0
                elif sensors.dropout == 0.0 or noise() >= sensors.dropout:
                    v_seen = voltage + v_noise * 2.0 * (noise() + noise() + noise() - 1.5)
                    i_seen = current
                    if current > 0.0:
                        i_seen += i_noise * 2.0 * (noise() + noise() + noise() - 1.5)
                    if v_step:
                        v_seen = round(v_seen / v_step) * v_step
                    if i_step:
                        i_seen = round(i_seen / i_step) * i_step
                    counter: float | None = None
                    if sensors.counter:
                        while resets and hours >= resets[0]:
                            counted_from = resets.pop(0)
                        counter = hours - counted_from
                        if sensors.counter_step_h:
                            counter = int(counter / sensors.counter_step_h) * sensors.counter_step_h
                    state = fixed_state
                    if told:
                        state = phase_state[phase]
                        if laid_up and phase == _REST:
                            state = OperatingState.SLEEPING
                        elif charger.tells_throttled and phase == _RUNNING and heat < 0.97:
                            state = OperatingState.THROTTLED
                    temperature: float | None = None
                    if sensors.temperature and (
                        sensors.temperature_missing == 0.0 or noise() >= sensors.temperature_missing
                    ):
                        temperature = round(air_c + 0.2 * (noise() - 0.5), 1)
                    yield Reading(
                        now,
                        v_seen,
                        i_seen,
                        state,
                        counter,
                        temperature,
                        round(battery_a, 2) if sensors.shunt else None,
                        round(max(0.0, fuel), 2) if sensors.gauge else None,
                    )

                # Move on.
                now += dt
                hours_dt = dt / 3600.0
                record.load_ah += load_a * hours_dt
                record.load_wh += load_a * battery_v * hours_dt
                if source:
                    record.other_h += hours_dt
                    if other_a > 0.05:
                        record.fed_h += hours_dt
                        record.fed_ah += other_a * hours_dt
                air_gain = dt / (rise_s + dt)
                air_c += air_gain * (day_air + habits.rise_c * power / rated - air_c)
                if phase <= _EMPTY:
                    sag -= sag * dt / (3600.0 * charger.recovery_h + dt)
                    if phase == _EMPTY:
                        if now >= refuel_at:
                            self.events.append((now, "fuel", charger.container_l, ""))
                            fuel, refuel_at, phase, low_s = (
                                charger.container_l,
                                math.inf,
                                _REST,
                                0.0,
                            )
                    elif not laid_up and voltage < charger.start_v:
                        low_s += dt
                        if low_s >= 60.0 * charger.start_wait_min:
                            phase, phase_s, low_s, ceiling_s = _STARTING, 0.0, 0.0, 0.0
                            run_factor = 1.0 + life_rng.gauss(0.0, charger.run_scatter)
                    else:
                        low_s = 0.0
                    if soc < 0.2 and now >= rescue_until and other == 0:
                        rescue_until = now + 7200.0
                    continue
                hours += hours_dt
                record.running_h += hours_dt
                if phase == _RUNNING:
                    record.charger_ah += current * hours_dt
                    wh = current * voltage * hours_dt
                    record.charger_wh += wh
                    used = wh / 1000.0 * charger.l_per_kwh * charger.new_fraction / level
                    fuel -= used
                    self.fuel_used_l += used
                    sag += (charger.sag - sag) * dt / (3600.0 * charger.sag_h + dt)
                    if voltage > ceiling - 0.05:
                        ceiling_s += dt
                    elif phase_s > warm_to and heat > 0.98 and fuel > 0.05:
                        record.free_h += hours_dt
                    full = ceiling_s > 600.0 and current < charger.tail_a
                    if phase_s > warm_to and (full or ceiling_s > 3600.0 * charger.absorb_h):
                        phase, phase_s = _STOPPING, 0.0
                    elif fuel <= 0.002:
                        phase, phase_s = _STOPPING, 0.0
                        day_hour = life_rng.expovariate(1.0 / habits.refuel_h)
                        refuel_at = now + 3600.0 * min(day_hour, 96.0)
                    elif soc < 0.2 and now >= rescue_until and other == 0:
                        # The owner sees the voltage and starts the engine.
                        rescue_until = now + 7200.0
                elif phase == _STARTING:
                    if phase_s >= warm_from:
                        phase = _RUNNING
                elif phase_s >= 60.0 * charger.stop_min:
                    phase = _EMPTY if refuel_at < math.inf else _REST
                    phase_s = 0.0
        self.hours, self.time_s, self.fuel_l = hours, now, fuel
