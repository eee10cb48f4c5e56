"""A small boat in one-minute steps, for tests of load, fuel and fitting: its truth is known.

Independent of the study's boats: one lead-acid bank, one charger, loads by the hour, engine and
shore power on chosen days.
"""

import copy
import hashlib
import math
import os
import pickle
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np

from analysis.history.history import STATE_CODE, History
from logger.reading import OperatingState
from logger.store.reader import Fitting

START_S = 1_700_006_400.0  # 2023-11-15T00:00:00Z


@dataclass
class SmallBoat:
    """What the boat is; see ``sail``."""

    days: int = 60
    base_a: float = 2.0
    night_a: float = 1.0
    passage_a: float = 0.0
    passage_days: frozenset = frozenset()
    daily_spread: float = 0.1
    rated_w: float = 110.0
    available: float = 0.9
    capacity_ah: float = 200.0
    eta: float = 0.92
    start_v: float = 12.35
    ceiling_v: float = 14.2
    loop_ohm: float = 0.03
    battery_ohm: float = 0.012
    engine: dict = field(default_factory=dict)
    """Day -> (first hour, hours) of the engine's alternator."""
    shore_days: frozenset = frozenset()
    with_battery_current: bool = False
    holds_power: bool = False
    """Whether the charger holds the power at its own terminals. Else its current follows the rested
    voltage of the bank, and does not answer loads that switch."""
    l_per_kwh: float = 0.95
    container_l: float = math.inf
    refuel_h: float = 30.0
    """How long the charger waits for fuel once its container is empty."""
    fading_l: float = 0.0
    """Below so much fuel the output falls in proportion."""
    switched_off: tuple = ()
    """(first day, last day) of each time somebody had switched the charger off, in days."""
    seed: int = 1


@dataclass
class Truth:
    """What really happened, by day."""

    load_ah: np.ndarray
    energy_kwh: np.ndarray
    other: np.ndarray
    fuel_l: np.ndarray
    changes_s: list
    """Unix time of each container change."""


class Container:
    """The container in use, and the owner who changes it some time after it ran dry."""

    def __init__(self, boat):
        self.boat = boat
        self.left_l = boat.container_l
        self.dry_min = None
        self.changes_s = []

    @property
    def dry(self):
        return self.dry_min is not None

    def share(self):
        """Return what is left of the output while the last of the fuel goes."""
        return (
            1.0 if self.left_l >= self.boat.fading_l else max(self.left_l, 0.0) / self.boat.fading_l
        )

    def gives(self, minute, kwh):
        """Use fuel for a minute and tell whether there is any."""
        self.left_l -= kwh * self.boat.l_per_kwh
        if self.left_l <= 0.04 * self.boat.fading_l and not self.dry:
            self.dry_min = minute
        if self.dry and minute - self.dry_min >= 60.0 * self.boat.refuel_h:
            self.left_l, self.dry_min = self.boat.container_l, None
            self.changes_s.append(START_S + 60.0 * minute)
        return not self.dry


def sail(boat):
    """Simulate and return (History, Truth); a boat that has sailed before is not simulated again.

    ``EBBWATT_SAILED`` names a folder in which they are kept for other processes as well: the trials
    of ``tests.bench.mutants`` differ in the analysis alone.
    """
    name = repr(boat)
    if name not in _SAILED:
        folder = os.environ.get("EBBWATT_SAILED")
        kept = Path(folder, hashlib.sha256(name.encode()).hexdigest()) if folder else None
        if kept is not None and kept.exists():
            _SAILED[name] = pickle.loads(kept.read_bytes())
        else:
            _SAILED[name] = _simulate(boat)
            if kept is not None:
                kept.write_bytes(pickle.dumps(_SAILED[name]))
    history, truth = _SAILED[name]
    # Nobody may change what others are given.
    columns = {f.name: getattr(history, f.name) for f in fields(history)}
    own = {name: v.copy() for name, v in columns.items() if isinstance(v, np.ndarray)}
    return replace(history, **own), copy.deepcopy(truth)


#: By everything that is said of a boat.
_SAILED = {}


def current_of(boat, power_w, rested_v, other_a, charging_ohm):
    """Return the charger's current, A.

    Where it holds its power, its voltage is that of the bank at rest and what all current into the
    bank lifts it by: ``I (U + R (I + other)) = P``.
    """
    if not boat.holds_power:
        return power_w / max(rested_v, 11.0)
    for ohm in (boat.battery_ohm + charging_ohm, boat.battery_ohm + 0.02):
        middle_v = max(rested_v + ohm * other_a, 8.0)
        amps = (np.sqrt(middle_v**2 + 4.0 * ohm * power_w) - middle_v) / (2.0 * ohm)
        if amps + other_a > 0.0:
            break
    return amps


def _simulate(boat):
    rng = np.random.default_rng(boat.seed)
    minutes = boat.days * 1440
    soc, surface, on, warm_min, low_min, tail_min = 0.8, 0.0, False, 0, 0, 0
    rows = []
    load_ah = np.zeros(boat.days)
    energy = np.zeros(boat.days)
    other_day = np.zeros(boat.days, dtype=bool)
    day_factor = np.exp(rng.normal(0.0, boat.daily_spread, boat.days))
    runtime = 0.0
    container = Container(boat)
    for minute in range(minutes):
        day, hour = minute // 1440, (minute % 1440) / 60.0
        amps = boat.base_a * day_factor[day]
        if hour < 6.0 or hour >= 18.0:
            amps += boat.night_a
        if day in boat.passage_days:
            amps += boat.passage_a
        amps += 2.0 * ((minute * 7) % 60 < 20) - 2.0 / 3.0  # a fridge, mean zero
        amps = max(amps, 0.1)
        load_ah[day] += amps / 60.0
        ocv = 11.89 + 0.78 * soc
        charging_ohm = 0.05 + 3.0 * max(soc - 0.8, 0.0)
        first, hours = boat.engine.get(day, (0.0, 0.0))
        aided = first <= hour < first + hours or day in boat.shore_days
        other_day[day] |= aided
        charger_a, source_a = 0.0, 40.0 if aided else 0.0
        if on:
            warm_min += 1
            power = boat.rated_w * boat.available * min(1.0, warm_min / 15.0) * container.share()
            charger_a = current_of(boat, power, ocv + surface, source_a - amps, charging_ohm)
        # The battery takes what is left, up to its ceiling.
        battery_a = charger_a + source_a - amps
        ceiling = 14.4 if aided else boat.ceiling_v
        room = max((ceiling - ocv - surface) / (charging_ohm + boat.battery_ohm), 0.0)
        if battery_a > room:
            battery_a = room
            if aided:
                charger_a = 0.0 if charger_a < amps + room else charger_a * 0.1
            else:
                charger_a = battery_a + amps
        ohm = boat.battery_ohm + (charging_ohm if battery_a > 0 else 0.02)
        battery_v = ocv + surface + battery_a * ohm
        target = 0.35 * min(max(battery_a, 0.0) / 5.0, 1.0)
        surface += (target - surface) * (1.0 / 90.0 if battery_a <= 0 else 1.0 / 20.0)
        soc += battery_a * (boat.eta if battery_a > 0 else 1.0) / 60.0 / boat.capacity_ah
        soc = min(soc, 1.0)
        seen_v = battery_v + charger_a * boat.loop_ohm
        runtime += on / 60.0
        energy[day] += seen_v * charger_a / 60_000.0
        on &= container.gives(minute, seen_v * charger_a / 60_000.0)
        off = any(begin <= minute / 1440.0 < end for begin, end in boat.switched_off)
        on &= not off
        rows.append((on, charger_a, seen_v, battery_a, runtime))
        if on:
            tail_min = tail_min + 1 if battery_a < 0.012 * boat.capacity_ah else 0
            if warm_min > 30 and tail_min > 30:
                on, warm_min = False, 0
        else:
            warm_min = 0
            low_min = low_min + 1 if seen_v < boat.start_v else 0
            if low_min >= 3 and not container.dry and not off:
                on, low_min, tail_min = True, 0, 0
    fuel = energy * boat.l_per_kwh
    return _condense(boat, rows, rng), Truth(load_ah, energy, other_day, fuel, container.changes_s)


def _condense(boat, rows, rng):
    """Group minutes into intervals: one minute while running, ten at rest."""
    data = np.array(rows)
    on = data[:, 0] > 0
    volts = np.round(data[:, 2] + rng.normal(0, 0.005, len(data)), 2)
    amps = np.where(on, np.round(data[:, 1] + rng.normal(0, 0.03, len(data)), 1), 0.0)
    edges, last = [0], 0
    for i in range(1, len(data)):
        if on[i] != on[i - 1] or on[i] or i - last >= 10:
            edges.append(i)
            last = i
    first = np.array(edges)
    after = np.append(first[1:], len(data))
    width = (after - first).astype(float)
    codes = np.where(
        on[first], STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
    )

    def mean(column):
        return np.add.reduceat(column, first) / width

    nan = np.full(len(first), math.nan)
    return History(
        start_s=START_S + 60.0 * first,
        duration_s=60.0 * width,
        state=codes.astype(np.int8),
        readings=(60 * width).astype(np.int64),
        charge_c=mean(amps) * 60.0 * width,
        energy_j=mean(amps * volts) * 60.0 * width,
        voltage_min_v=np.minimum.reduceat(volts, first),
        voltage_max_v=np.maximum.reduceat(volts, first),
        voltage_mean_v=mean(volts),
        voltage_last_v=volts[after - 1],
        runtime_h=data[after - 1, 4],
        temperature_c=nan,
        battery_charge_c=mean(data[:, 3]) * 60.0 * width if boat.with_battery_current else nan,
        fuel_l=nan,
        session=np.ones(len(first), dtype=np.int64),
        clock_known=np.ones(len(first), dtype=bool),
        fitting=Fitting(1, "aft locker", boat.rated_w, "2023-11-15"),
    )
