"""The lives of the boats of ``bank_boats``, what is logged of them, and the limit of each."""

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.history.history import STATE_CODE, History
from logger.interval import Interval
from logger.reading import OperatingState
from logger.store.reader import Fitting
from tests.support.boats.bank_boats import START_S, STEP_S, STEPS, USABLE, YEAR, Truth

LEVELS = 18


#: Running hours for which the course of a charger is laid out.
COURSE_H = 30000


@dataclass
class _Days:
    """Currents by step, shape (steps,), and the kind of each day."""

    load_a: np.ndarray
    solar_a: np.ndarray
    other_a: np.ndarray
    other_v: np.ndarray
    start_v: np.ndarray
    ceiling_v: np.ndarray
    absorb: np.ndarray


def _days(boat, seasons):
    rng = np.random.default_rng([boat.seed, 1])
    count = boat.season_d * seasons
    minutes = np.arange(STEPS) * 5
    hour = minutes / 60.0
    under_way, at = np.zeros(count, bool), 0
    while at < count:
        moving = rng.random() < boat.passage_share
        length = 1 + int(rng.exponential(boat.spell_d))
        under_way[at : at + length] = moving
        at += length
    level = np.where(under_way, boat.passage_a, boat.rest_a)
    level = level * np.exp(boat.day_sd * rng.standard_normal(count) - boat.day_sd**2 / 2)
    night = np.where((hour < 6) | (hour >= 19), 1.0, -11.0 / 13.0) * boat.night_a
    on = rng.random(count)[:, None] * 60 + minutes
    fridge = np.where((on % 60) < 20, 1.0, -0.5) * boat.fridge_a
    load = np.maximum(level[:, None] + night + fridge, 0.05)
    bell = np.maximum(np.sin((hour - 6.0) / 12.0 * np.pi), 0.0)
    cloud = np.clip(0.6 + 0.35 * rng.standard_normal((count, 1)), 0.05, 1.0)
    solar = boat.solar_a * bell * cloud
    other_a, other_v = np.zeros((count, STEPS)), np.zeros((count, STEPS))
    engine = under_way & (rng.random(count) < boat.engine_share)
    for day in np.flatnonzero(engine):
        first = int(rng.integers(60, 200))
        inside = slice(first, first + int(rng.integers(9, 30)))
        other_a[day, inside], other_v[day, inside] = 40.0, 14.3
    at = 0
    while at < count and boat.shore_share > 0.0:
        length = 1 + int(rng.exponential(2.0))
        if rng.random() < boat.shore_share and not under_way[at]:
            other_a[at : at + length], other_v[at : at + length] = 25.0, 13.5
        at += length
    whole = np.arange(count) / count
    profile = [np.full(count, v) for v in (boat.start_v, boat.ceiling_v, boat.absorb_h)]
    if boat.later:
        changed = whole >= boat.later[0]
        for values, value in zip(profile, boat.later[1:], strict=True):
            values[changed] = value
    start, ceiling, absorb = (np.repeat(v, STEPS) for v in profile)
    return _Days(
        load.ravel(), np.broadcast_to(solar, load.shape).ravel().copy(), other_a.ravel(),
        other_v.ravel(), start, ceiling, absorb,
    )  # fmt: skip


class _Bank:
    """All boats side by side; every attribute is an array over them."""

    def __init__(self, boats, step_s):
        def col(name):
            return np.array([getattr(b, name) for b in boats], dtype=float)

        n = len(boats)
        self.dt_h = step_s / 3600.0
        self.step_s = step_s
        self.capacity = col("capacity_ah")
        self.eta0, self.knee, self.eta1 = np.array([b.eta for b in boats]).T
        sealed = np.array([0.0 if b.chemistry == "flooded" else 0.12 for b in boats])
        self.empty_v = 11.89 + sealed
        self.loop = 2.5 / col("rated_w")
        self.float_v, self.tail = col("float_v"), col("tail") * self.capacity
        self.floats = np.isfinite(self.float_v)
        self.soc = np.full(n, 0.8)
        self.surface = np.zeros(n)
        self.volts = np.full(n, 12.7)
        self.on = np.zeros(n, bool)
        self.resting = np.zeros(n, bool)  # in float
        self.low = np.zeros(n)
        self.at_top = np.zeros(n)
        self.done = np.zeros(n)
        self.ran = np.zeros(n)
        self.hours = np.zeros(n)

    def step(self, load, solar, other_a, other_v, start_v, ceiling_v, absorb_h, power_w):
        """Advance by one step and return charger's current, its terminal volts, battery current."""
        # The slow polarisation is advanced implicitly: its part of this step acts as resistance.
        # It is steep where little is left to charge.
        steep = 14.0 + 1.0 / (1.0015 - self.soc)
        gain = self.step_s / (1800.0 + self.step_s)
        gain_drain = self.step_s / (5400.0 + self.step_s)
        ocv = self.empty_v + 0.78 * self.soc
        rest_v = ocv + self.surface * (1.0 - gain)
        r = (3.0 + gain * steep) / self.capacity
        own_top = np.where(self.resting & self.floats, self.float_v, ceiling_v)
        warm = np.minimum(self.ran * self.step_s / 900.0, 1.0)
        amps = np.where(self.on, power_w * warm / np.maximum(self.volts, 11.0), 0.0)
        # Sun and charger each stop at their own ceiling; the sun's is 14.4 V.
        sun = np.clip((14.4 - rest_v) / r + load, 0.0, solar)
        room = (own_top - rest_v) / r + load - sun
        held = self.on & (amps > room)
        amps = np.where(held, np.maximum(room, 0.0), amps)
        net = amps + sun - load
        helped = other_a > 0.0
        if helped.any():
            other = np.where(helped, np.clip((other_v - rest_v) / r - net, 0.0, other_a), 0.0)
            net = net + other
        else:
            other = np.zeros(len(net))
        charging = net > 0.0
        target = net / self.capacity * np.where(charging, steep, 6.0)
        self.surface += np.where(charging, gain, gain_drain) * (target - self.surface)
        volts = ocv + self.surface + net / self.capacity * np.where(charging, 3.0, 1.6)
        seen = volts + amps * self.loop
        over = np.clip((self.soc - self.knee) / (1.0 - self.knee), 0.0, 1.0)
        eta = self.eta0 - (self.eta0 - self.eta1) * over
        self.soc += np.where(net > 0.0, eta * net, net) * self.dt_h / self.capacity
        np.clip(self.soc, 0.0, 1.0, out=self.soc)
        self.volts = volts
        steps = self.step_s / STEP_S
        self.hours += self.on * self.dt_h
        self.ran = np.where(self.on, self.ran + 1.0, 0.0)
        self.at_top = np.where(held, self.at_top + self.dt_h, np.where(self.on, self.at_top, 0.0))
        self.done = np.where(held & (net < self.tail), self.done + steps, 0.0)
        ends = self.on & ~self.resting & ((self.done >= 6.0) | (self.at_top > absorb_h))
        self.on &= ~(ends & ~self.floats)
        self.resting = (self.resting | (ends & self.floats)) & self.on
        self.low = np.where(seen < start_v, self.low + steps, 0.0)
        again = self.low >= 3.0
        self.at_top[again & (self.resting | ~self.on)] = 0.0
        self.resting &= ~again
        self.on |= again
        return amps, seen, net, sun, other


def _lives(boats, days, power_of, step_s):
    """Yield the index of the step and what happened in it."""
    bank = _Bank(boats, step_s)
    every = round(step_s / STEP_S)
    longest = max(len(d.load_a) for d in days)

    def table(name):
        out = np.zeros((longest // every, len(boats)))
        for k, d in enumerate(days):
            values = getattr(d, name)
            out[: len(values) // every, k] = values.reshape(-1, every).mean(axis=1)
        return out

    columns = [
        table(name)
        for name in ("load_a", "solar_a", "other_a", "other_v", "start_v", "ceiling_v", "absorb")
    ]
    if every > 1:
        # A source that helps for part of a longer step gives its voltage all the same.
        columns[3] = np.where(columns[2] > 0.0, np.maximum(columns[3], 13.5), 0.0)
    for k in range(longest // every):
        row = [column[k] for column in columns]
        yield k, bank, bank.step(*row, power_of(bank))


def needed_w(boats):
    """Return the output (W, mean while running) at which each bank is short one day in twenty.

    Many outputs at once, over at least three seasons of the boat's own habits.
    """
    share = np.exp(np.linspace(np.log(0.6), np.log(1.9), LEVELS))
    seasons = 3
    days = [_days(b, seasons) for b in boats]
    mean_w = np.array([float(d.load_a.mean()) * 13.2 for d in days])
    wide = [b for b in boats for _ in share]
    wide_days = [d for d in days for _ in share]
    power = (mean_w[:, None] * share).ravel()
    step_s = 900.0
    per_day = round(86400.0 / step_s)
    counts = np.array([b.season_d * seasons for b in wide])
    short = np.zeros(len(wide))
    lowest = np.ones(len(wide))
    for k, bank, _ in _lives(wide, wide_days, lambda _bank: power, step_s):
        lowest = np.minimum(lowest, bank.soc)
        if (k + 1) % per_day == 0:
            day = k // per_day
            short += (lowest < 1.0 - USABLE) & (day < counts)
            lowest = bank.soc.copy()
    table = (short / counts).reshape(len(boats), LEVELS)
    found = []
    for row, mean in zip(table, mean_w, strict=True):
        enough = row <= 0.05
        # The least output from which on all larger ones are enough.
        bad = np.flatnonzero(~enough)
        at = bad[-1] + 1 if len(bad) else 0
        if at >= LEVELS:
            found.append(math.inf)
        elif at == 0:
            found.append(share[0] * mean)
        else:
            high, low = row[at - 1], row[at]
            part = (high - 0.05) / max(high - low, 1e-9)
            found.append(mean * share[at - 1] * (share[at] / share[at - 1]) ** part)
    return np.array(found)


def live(boats, *, with_limit=True):
    """Let a fleet live and return a list of (boat as it was, History, Truth)."""
    limit_w = needed_w(boats) if with_limit else np.full(len(boats), math.nan)
    days = [_days(b, b.seasons) for b in boats]
    if with_limit:
        boats = [_near_an_end(b, float(w)) for b, w in zip(boats, limit_w, strict=True)]
    hours = _hours_guessed(boats, days)
    boats = [_from_new(b, h) for b, h in zip(boats, hours, strict=True)]
    paths = [_path(b, h) for b, h in zip(boats, hours, strict=True)]
    grid = np.stack(paths)
    rated = np.array([b.rated_w for b in boats])
    rows = np.arange(len(boats))

    def power_of(bank):
        return rated * grid[rows, np.minimum(bank.hours, grid.shape[1] - 1).astype(int)]

    total = max(len(d.load_a) for d in days)
    out = np.zeros((8, total, len(boats)), dtype=np.float32)
    for k, bank, (amps, seen, net, sun, other) in _lives(boats, days, power_of, STEP_S):
        out[:, k] = amps, seen, net, sun, other, bank.hours, bank.soc, bank.on
    return [
        (b, *_lived(b, d, out[:, : len(d.load_a), k], path, float(limit_w[k])))
        for k, (b, d, path) in enumerate(zip(boats, days, paths, strict=True))
    ]


def _near_an_end(boat, limit_w):
    """Put the charger's output and its replacement limit round the limit of the load."""
    rng = np.random.default_rng([boat.seed, 5])
    needed = limit_w / boat.rated_w
    below = needed + float(rng.uniform(-0.25, 0.08))
    output = max(needed, below) + float(rng.uniform(0.005, 0.25))
    return replace(boat, output=output, replace_below=float(np.clip(below, 0.1, 0.9)))


def _from_new(boat, hours):
    """Let the charger begin at about its rated output; design hours end at some time ahead."""
    rng = np.random.default_rng([boat.seed, 6])
    new = max(float(rng.uniform(0.97, 1.06)), boat.output + 0.05)
    design = hours + float(rng.uniform(500.0, 8000.0))
    loss = 1000.0 * (new - boat.output) / max(hours, 200.0)
    return replace(boat, loss_per_1000h=loss, design_life_h=round(max(design, 1000.0), -2))


def _hours_guessed(boats, days):
    """Return roughly how many hours the charger will run: only the course's place rests on it."""
    return [
        min(float(d.load_a.sum()) / 12.0 * 13.2 / 0.9 / (b.rated_w * (b.output + 0.05)),
            len(d.load_a) / 12.0)
        for b, d in zip(boats, days, strict=True)
    ]  # fmt: skip


def _path(boat, hours):
    """Return the course of available output at whole running hours, past and future."""
    rng = np.random.default_rng([boat.seed, 2])
    at = np.arange(COURSE_H)
    wander = np.cumsum(rng.standard_normal(len(at))) * boat.wander / math.sqrt(1000.0)
    wander -= wander[int(hours)]
    return boat.output - boat.loss_per_1000h * (at - hours) / 1000.0 + wander


def _crossing_h(path, level, now):
    """Return the hours until the path is below a level for a hundred hours on end."""
    below = path[int(now) :] < level
    if len(below) < 200 or not below.any():
        return math.inf
    total = np.concatenate(([0], np.cumsum(below)))
    good = np.flatnonzero(total[100:] - total[:-100] == 100)
    return float(good[0]) if len(good) else math.inf


def _lived(boat, days, out, path, limit_w):
    amps, seen, net, sun, other, hours, soc, on = (np.asarray(row, dtype=float) for row in out)
    rng = np.random.default_rng([boat.seed, 3])
    count = len(amps)
    step = np.arange(count)
    day = step // STEPS
    season = day // boat.season_d
    start_s = START_S + 86400.0 * (season * YEAR + day % boat.season_d) + STEP_S * (step % STEPS)
    running = (on > 0) | (amps > 0)
    volts = np.round(seen + rng.normal(0.0, 0.008, count), 2)
    told = np.where(running, np.round(amps + rng.normal(0.0, 0.02, count), 2), 0.0)
    nan = np.full(count, math.nan)
    codes = np.where(
        running, STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
    )
    history = History(
        start_s=start_s, duration_s=np.full(count, STEP_S), state=codes.astype(np.int8),
        readings=np.full(count, 5), charge_c=told * STEP_S, energy_j=told * volts * STEP_S,
        voltage_min_v=volts - 0.01, voltage_max_v=volts + 0.01, voltage_mean_v=volts,
        voltage_last_v=volts, runtime_h=hours,
        temperature_c=nan, battery_charge_c=net * STEP_S if boat.shunt else nan, fuel_l=nan,
        session=(season + 1).astype(np.int64), clock_known=np.ones(count, dtype=bool),
        fitting=Fitting(1, boat.name, boat.rated_w, "2021-04-01"),
    )  # fmt: skip
    per_day = (-1, STEPS)
    now = float(hours[-1])
    remaining = {
        "output": _crossing_h(path, boat.replace_below, now),
        "load": _crossing_h(path, limit_w / boat.rated_w, now),
        "design_hours": max(boat.design_life_h - now, 0.0),
    }
    fed = (other > 0.05).reshape(per_day).any(axis=1) | (sun > 0.05).reshape(per_day).any(axis=1)
    return history, Truth(
        load_ah=days.load_a.reshape(per_day).sum(axis=1) / 12.0,
        alone=~fed,
        lowest=soc.reshape(per_day).min(axis=1),
        needed_w=limit_w,
        hours=now,
        remaining=remaining,
    )


def intervals(history):
    """Return a log as the intervals that the daemon would have stored."""
    states = tuple(OperatingState)

    def told(value):
        return None if math.isnan(value) else float(value)

    for k in range(len(history)):
        yield Interval(
            float(history.start_s[k]), float(history.duration_s[k]), states[history.state[k]],
            int(history.readings[k]), told(history.charge_c[k]), told(history.energy_j[k]),
            told(history.voltage_min_v[k]), told(history.voltage_max_v[k]),
            told(history.voltage_mean_v[k]), told(history.voltage_last_v[k]),
            told(history.runtime_h[k]), None, told(history.battery_charge_c[k]), None,
        )  # fmt: skip
