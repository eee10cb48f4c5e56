"""Whole seasons of an invented boat in five-minute readings, for tests of what data say.

Written from first principles and independent of the boats of the simulated source and of the
study: one lead-acid bank (an open circuit voltage that rises with the charge, a resistance, a
slow surface voltage), one charger that fades, loads by the hour, shore power and an engine on
chosen days. Everything that can be wrong with an input is a switch, at a given size; the truth
beside it stays known. The readings go into the log as a CSV file, as a person would import them.
"""

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from analysis.history.history import load_history
from analysis.transfer.import_readings import Importer
from logger.config import load_config
from logger.durations import YEAR_S
from tests.support.empty import put_empty

STEP_S = 300.0
STEP_H = STEP_S / 3600.0
DAY_STEPS = 288
START_S = datetime(2023, 4, 10, tzinfo=UTC).timestamp()


@dataclass
class Season:
    """What the boat is and what is wrong with its inputs; see :func:`sail`."""

    seasons: int = 1
    days: int = 150
    """Days of each season, from its first day; in winter nothing is logged."""
    seed: int = 1
    rated_w: float = 110.0
    new: float = 1.0
    """Output when new, fraction of rated."""
    loss_per_kh: float = 0.05
    scatter: float = 0.005
    """Spread of the output from run to run, fraction of rated."""
    load_a: float = 3.6
    heat_per_k: float = 0.0015
    """Loss per kelvin of compartment above 25 degC."""
    mean_c: float = 16.0
    swing_c: float = 7.0
    ceiling_v: float = 14.3
    capacity_ah: float = 180.0
    states: bool = True
    counter: bool = True
    temperature: bool = True
    fuel: bool = False
    """A gauge of the litres left."""
    shore_days: frozenset = frozenset()
    """Days of each season on which shore power holds the battery at its float voltage."""
    engine_days: frozenset = frozenset()

    # What is wrong with the sensors.
    zero_a: float = 0.0
    zero_per_year_a: float = 0.0
    gain_per_year: float = 0.0
    net_current: bool = False
    """The current is measured at the battery: loads are in it."""
    reversed_sensor: bool = False
    saturates_a: float = math.inf
    stuck_from: float = math.inf
    """Share of the log from which on the current stands still."""
    tap_ohm: float = 0.0
    """Drop between the charger and the tap of the voltage, ohm."""
    current_scale: float = 1.0
    current_is_power: bool = False
    """Watts stand in the column of the current."""
    silent_from: float = math.inf
    """Share of the log from which on the current shows nothing."""
    voltage_stuck_from: float = math.inf
    voltage_gone_from: float = math.inf
    temperature_stuck_from: float = math.inf
    running_from: float = math.inf
    """Share of the log from which on the state says "running" at all times."""
    averaged_h: float = 0.0
    """The current is the mean of so many hours before."""
    counter_on_all_day: bool = False
    """The counter counts the hours switched on."""
    counter_factor: float = 1.0
    counter_stuck_at: float = math.inf
    """Hours at which the counter stops counting."""
    counter_begins_after_h: float = math.inf
    """The counter begins again at nothing after so many hours."""
    counter_falls_from_h: float = math.inf
    """The counter counts down from so many hours."""

    # What is unusual about the charger and the boat.
    half_share: float = 0.0
    """Share of the runs with a fault that comes and goes ..."""
    half_output: float = 0.53
    """... and what such a run gives of the output."""
    exchange_at: float = math.inf
    """Share of the log at which the charger is exchanged (nobody notes it) ..."""
    exchange_new: float = 1.0
    exchange_rated_w: float = 110.0
    exchange_counter_h: float = 0.0
    capped_from: float = math.inf
    """Share of the log from which on the user has turned it down to ..."""
    cap_w: float = 60.0
    lake_from: float = math.inf
    """Share of the log from which on the boat lies on a mountain lake, where the thin air leaves
    of the output ..."""
    lake_output: float = 0.88
    ceiling_from: float = math.inf
    """Share of the log from which on the charger has another charge profile, that ends at ..."""
    ceiling_later_v: float = 13.8
    ghost_a: float = 0.0
    """Another source that nobody logs, amperes by day (a solar panel at its best) ..."""
    ghost_from: float = 0.0
    aboard_weeks: tuple = (1, 1)
    """The logger is aboard so many weeks of so many."""
    clock_off_days: frozenset = frozenset()
    """Days of the first season on which the clock is an hour fast."""


@dataclass
class Course:
    """True values of each step, shape (n,)."""

    time_s: np.ndarray
    current_a: np.ndarray
    net_a: np.ndarray
    voltage_v: np.ndarray
    on: np.ndarray
    state: np.ndarray
    hours: np.ndarray
    switched_on_h: np.ndarray
    temperature_c: np.ndarray
    fuel_l: np.ndarray
    output: np.ndarray
    """Available output, fraction of rated, heat and scatter excluded."""
    runs: int = 0
    events: list = field(default_factory=list)


STATES = ("standby", "starting", "running", "shutting_down")


class Bank:
    """A lead-acid bank: charge, a slow surface voltage, and a resistance that rises near full."""

    def __init__(self, boat):
        self.boat, self.charge, self.surface = boat, 0.75, 0.0

    @property
    def still_v(self):
        return 11.8 + 0.95 * self.charge + self.surface

    def ohm(self, into):
        return 0.018 + (0.03 + 4.0 * max(self.charge - 0.8, 0.0)) * (into > 0.0)

    def power_to_amps(self, power, others_a):
        """Return the current at which the charger's own terminals take just this power."""
        ohm = self.ohm(1.0)
        idle_v = self.still_v + others_a * ohm
        return 2.0 * power / (idle_v + math.sqrt(idle_v**2 + 4.0 * power * (ohm + 0.03)))

    def take(self, amps, others_a, held_v, ceiling_v):
        """Return (charger's amps, net amps, whether at the top, volts), and let a step pass."""
        into = amps + others_a
        ohm = self.ohm(into)
        if held_v is not None:  # another charger holds the battery
            room = max((held_v - self.still_v) / ohm, 0.0)
            at_top = into > room
            if at_top:
                into, amps = room, min(amps, 0.4)
        else:  # the charger holds its own terminals at the ceiling
            most = max((ceiling_v - self.still_v - others_a * ohm) / (ohm + 0.03), 0.0)
            at_top = amps > most
            if at_top:
                amps, into = most, most + others_a
        volts = self.still_v + into * ohm + 0.03 * amps
        goal = 0.4 * max(min(into / 5.0, 1.0), -0.3)
        self.surface += (goal - self.surface) * (0.25 if into > 0.0 else 0.06)
        self.charge += into * (0.93 if into > 0.0 else 1.0) * STEP_H / self.boat.capacity_ah
        self.charge = min(max(self.charge, 0.02), 1.0)
        return amps, into, at_top, volts


class Unit:
    """The charger: starts at a low battery, stops after it stood at the ceiling for 90 minutes."""

    def __init__(self, boat, rng):
        self.boat, self.rng = boat, rng
        self.on, self.since, self.low, self.tail, self.warm_c = False, 0, 0, 0, 0.0
        self.hours = self.switched_on_h = self.life_h = 0.0
        self.new, self.rated_w, self.exchanged = boat.new, boat.rated_w, False
        self.factor, self.half, self.runs = 1.0, False, 0

    @property
    def level(self):
        return self.new * (1.0 - self.boat.loss_per_kh * self.life_h / 1000.0)

    def exchange(self):
        self.exchanged, self.life_h = True, 0.0
        self.new, self.rated_w = self.boat.exchange_new, self.boat.exchange_rated_w
        self.hours = self.switched_on_h = self.boat.exchange_counter_h

    def power(self, ambient_c, share):
        """Return the power of this step, W, and let its hours pass."""
        self.switched_on_h += STEP_H
        self.warm_c += (9.0 - self.warm_c) * 0.12 if self.on else -0.1 * self.warm_c
        if not self.on:
            return 0.0
        self.since += 1
        self.hours += STEP_H
        self.life_h += STEP_H
        inside = ambient_c + self.warm_c
        power = self.rated_w * self.level * self.factor
        power *= 1.0 - self.boat.heat_per_k * (inside - 25.0)
        power *= self.boat.lake_output if share >= self.boat.lake_from else 1.0
        power *= 1.0 - 0.015 * (1.0 - math.exp(-self.since * STEP_H / 5.0))
        power *= min(1.0, 0.15 + 0.3 * self.since) * (self.boat.half_output if self.half else 1.0)
        return min(power, self.boat.cap_w) if share >= self.boat.capped_from else power

    def switch(self, at_top, volts):
        """Start or stop by the voltage; return the code of the state."""
        if self.on:
            self.tail = self.tail + 1 if at_top else max(self.tail - 1, 0)
            if self.tail > 18 and self.since > 6:
                self.on, self.tail = False, 0
                return 3
            return 1 if self.since <= 1 else 2
        self.low = self.low + 1 if volts < 12.25 else 0
        if self.low >= 2:
            self.on, self.since, self.low = True, 0, 0
            self.runs += 1
            self.factor = 1.0 + self.rng.normal(0.0, self.boat.scatter)
            self.half = self.rng.random() < self.boat.half_share
        return 0


def surroundings(boat, rng, time_s):
    """Return ambient temperature, loads and sun of each step, as lists."""
    days = len(time_s) // DAY_STEPS + 1
    hour = (time_s % 86400.0) / 3600.0

    def by_day(values):
        return np.repeat(values, DAY_STEPS)[: len(time_s)]

    ambient = boat.mean_c + boat.swing_c * np.cos(2.0 * np.pi * (time_s / YEAR_S - 0.55))
    ambient += by_day(rng.normal(0.0, 2.0, days)) + 3.0 * np.sin(np.pi * (hour - 9.0) / 12.0)
    loads = boat.load_a * by_day(np.exp(rng.normal(0.0, 0.2, days)))
    loads *= np.where((hour < 6.0) | (hour > 19.0), 1.25, 0.85)
    loads += rng.exponential(0.5, len(time_s))
    sun = np.clip(np.sin(np.pi * (hour - 6.0) / 12.0), 0.0, None) * boat.ghost_a
    sun *= by_day(rng.uniform(0.2, 1.0, days))
    return ambient.tolist(), loads.tolist(), sun.tolist()


class _Asked:
    """A boat that remembers what a life asked of it, and what it answered."""

    def __init__(self, boat):
        self._boat = boat

    def __getattr__(self, name):
        value = self.__dict__[name] = getattr(self.__dict__["_boat"], name)
        return value


#: The answers and the course of each of the last lives. To live takes more time than all else.
_LIVED = []


def sail(boat):
    """Live through the seasons; return the true :class:`Course`, which is not to be changed.

    Boats that differ in their sensors alone live the same life: a life that asked nothing of an
    earlier boat that this one answers otherwise is not lived again.
    """
    for answers, course in _LIVED:
        if all(getattr(boat, name) == value for name, value in answers.items()):
            return course
    asked = _Asked(boat)
    course = _live(asked)
    for values in vars(course).values():
        if isinstance(values, np.ndarray):
            values.setflags(write=False)
    _LIVED.append(({k: v for k, v in vars(asked).items() if k != "_boat"}, course))
    del _LIVED[:-20]  # some megabytes each
    return course


def _live(boat):
    rng = np.random.default_rng([boat.seed, 20240229])
    starts = [START_S + round(k * 365.2425) * 86400.0 for k in range(boat.seasons)]
    count = boat.days * DAY_STEPS
    time_s = np.concatenate([s + STEP_S * np.arange(count) for s in starts])
    total = len(time_s)
    rows = []
    ambient, loads, sun = surroundings(boat, rng, time_s)
    bank, unit, left_l = Bank(boat), Unit(boat, rng), 10.0
    for k in range(total):
        day, share = (k % count) // DAY_STEPS, k / total
        if share >= boat.exchange_at and not (unit.exchanged or unit.on):
            unit.exchange()
        shore = day in boat.shore_days
        engine = day in boat.engine_days and 108 <= k % DAY_STEPS < 126
        others = (sun[k] if share >= boat.ghost_from else 0.0) - loads[k]
        others += 25.0 * shore + 40.0 * engine
        power = unit.power(ambient[k], share)
        amps = bank.power_to_amps(power, others) if power > 0.0 else 0.0
        held = 13.7 if shore else boat.ceiling_v if engine else None
        ceiling_v = boat.ceiling_later_v if share >= boat.ceiling_from else boat.ceiling_v
        amps, into, at_top, volts = bank.take(amps, others, held, ceiling_v)
        left_l -= amps * volts * STEP_H / 1000.0 * 0.9 / max(unit.level, 0.2)
        left_l += 10.0 * (left_l <= 0.0)
        inside = ambient[k] + unit.warm_c
        code = unit.switch(at_top, volts)
        counted = (unit.hours, unit.switched_on_h, inside, left_l, unit.level)
        rows.append((amps, into, volts, code > 0, code, *counted))
    current, net, voltage, running, state, counted, live, inside_c, litres, output = np.array(
        rows
    ).T
    return Course(
        time_s, current, net, voltage, running > 0.0, state.astype(int), counted, live, inside_c,
        litres, output, unit.runs,
    )  # fmt: skip


def held(values, from_step):
    """Return values that stand still from a step on."""
    later = np.arange(len(values)) >= from_step
    return np.where(later, values[np.argmax(later)], values) if later.any() else values


def shown_current(boat, course, volts, years, rng):
    """Return what the sensor of the current makes of the truth."""
    count = len(years)
    amps = course.net_a if boat.net_current else course.current_a
    if boat.current_is_power:
        amps = amps * volts
    amps = amps * (1.0 + boat.gain_per_year * years) * boat.current_scale
    amps = amps + boat.zero_a + boat.zero_per_year_a * years
    amps = amps + rng.normal(0.0, 0.015, count) * boat.current_scale
    if boat.reversed_sensor:
        amps = -amps
    amps = held(np.minimum(np.round(amps, 2), boat.saturates_a), boat.stuck_from * count)
    if boat.averaged_h:
        steps = round(boat.averaged_h / STEP_H)
        amps = np.convolve(amps, np.ones(steps) / steps)[:count]
    return np.where(np.arange(count) >= boat.silent_from * count, 0.0, amps)


def shown_hours(boat, course):
    """Return what the hour counter makes of the truth."""
    hours = course.switched_on_h if boat.counter_on_all_day else course.hours
    hours = np.minimum(hours, boat.counter_stuck_at) * boat.counter_factor
    if math.isfinite(boat.counter_begins_after_h):
        hours = hours % boat.counter_begins_after_h
    if math.isfinite(boat.counter_falls_from_h):
        hours = boat.counter_falls_from_h - hours
    return hours


def readings(boat, course):
    """Return the columns of the recording: what the sensors make of the truth."""
    rng = np.random.default_rng([boat.seed, 3])
    count = len(course.time_s)
    years = (course.time_s - course.time_s[0]) / YEAR_S
    volts = course.voltage_v - boat.tap_ohm * course.current_a + rng.normal(0.0, 0.006, count)
    amps = shown_current(boat, course, volts, years, rng)
    volts = held(volts, boat.voltage_stuck_from * count)
    step = np.arange(count)
    volts = np.where(step >= boat.voltage_gone_from * count, math.nan, volts)
    state = np.where(step >= boat.running_from * count, 2, course.state)
    time_s = course.time_s.copy()
    day = ((time_s - time_s[0]) // 86400.0).astype(int)
    time_s[np.isin(day, list(boat.clock_off_days))] += 3600.0
    columns = {"time": time_s, "voltage_v": np.round(volts, 2), "current_a": amps}
    if boat.counter:
        columns["runtime_h"] = np.round(shown_hours(boat, course), 1)
    if boat.temperature:
        inside = held(course.temperature_c, boat.temperature_stuck_from * count)
        columns["temperature_c"] = np.round(inside, 1)
    if boat.fuel:
        columns["fuel_l"] = np.round(course.fuel_l + rng.normal(0.0, 0.02, count), 2)
    week = ((time_s - time_s[0]) // (7 * 86400.0)).astype(int)
    aboard = week % boat.aboard_weeks[1] < boat.aboard_weeks[0]
    order = np.flatnonzero(aboard)
    order = order[np.argsort(time_s[order], kind="stable")]
    columns = {name: values[order] for name, values in columns.items()}
    return columns, state[order] if boat.states else None


CONFIG = """[charger]
label = "aft locker"
rated_w = {rated_w}
fitted = 2023-04-08
[battery]
capacity_ah = 180
[log]
interval_s = 300
longest_running_s = 600
longest_rest_s = 1800
{more}
"""


def write_csv(path, columns, states):
    """Write a recording; a step of the clock backwards leaves out what is not later."""
    names = list(columns)
    keep = np.concatenate(
        ([True], columns["time"][1:] > np.maximum.accumulate(columns["time"])[:-1])
    )
    table = np.column_stack([columns[name] for name in names])[keep]
    words = None if states is None else states[keep]
    row = ",".join(["%.0f", *["%.2f"] * (len(names) - 1)])
    lines = [row % tuple(values) for values in table.tolist()]
    if words is not None:
        names.append("state")
        lines = [f"{line},{STATES[word]}" for line, word in zip(lines, words.tolist(), strict=True)]
    text = "\n".join([",".join(names), *lines, ""])
    path.write_text(text.replace("nan", ""))  # a value that is not there


def aboard(folder, boat, more=""):
    """Sail, import the recording, and return (history, config, course)."""
    folder.mkdir(exist_ok=True, parents=True)
    course = sail(boat)
    write_csv(folder / "recording.csv", *readings(boat, course))
    path = folder / "ebbwatt.toml"
    path.write_text(CONFIG.format(rated_w=boat.rated_w, more=more))
    config = load_config(path)
    put_empty(config.store.path)
    importer = Importer(config)
    importer.take(folder / "recording.csv")
    importer.finish()
    return load_history(config.store.path), config, course
