"""A recording of a bank that answers its loads strongly when it is nearly full.

Written from first principles, apart from the boat of the demonstration and from ``bank_boats``. In
steps of a minute: the rested voltage is a straight line over the state of charge; a resistance
answers at once, two more within five minutes and within two hours. While the bank charges, these
two rise towards full, as one over what is missing. Gas takes a current that grows with the voltage.
The charger gives constant power, starts by the voltage, and stops after two hours at its ceiling.
All figures are invented.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.history.history import STATE_CODE, History
from logger.reading import OperatingState
from logger.store.reader import Fitting

START_S = 1_714_521_600.0  # 2024-05-01T00:00:00Z
DAY_MIN = 1440
#: Minutes of a record.
RECORD_MIN = 5


@dataclass(frozen=True)
class NearFull:
    """The boat; see the module."""

    capacity_ah: float = 200.0
    at_once_ohm: float = 0.013
    later_ohm: float = 0.1
    full_ohm: float = 2.6
    """What is added to ``later_ohm`` at full while the bank charges."""
    charger_w: float = 95.0
    start_v: float = 12.30
    ceiling_v: float = 14.4
    absorbs_min: int = 120
    """It stops after so long at its ceiling."""
    load_a: float = 3.5
    """Mean load."""
    pump_a: float = 5.0
    """A larger load that runs for half an hour now and then."""
    engine_a: float = 0.0
    """Most that the engine gives, at up to 14.2 V, for an hour and a half of some days."""
    engine_every: int = 4
    """The engine runs on one day of so many."""
    sailing_a: float = 0.0
    """What is drawn beside that for eight hours of each day on which the engine runs."""
    shore_a: float = 0.0
    """Most that a shore charger gives, for two days in ten: at 14.4 V for four hours, then 13.6."""


def loads(boat, days, rng):
    """Return the load of each minute, A."""
    count = days * DAY_MIN
    hour = np.arange(count) % DAY_MIN / 60.0
    load = np.where((hour >= 18.0) & (hour < 23.0), 1.0, 0.5)
    at = 0
    while at < count:  # the cold box
        on, off = rng.integers(10, 25), rng.integers(25, 50)
        load[at : at + on] += 1.0
        at += on + off
    for _ in range(2 * days):
        at = rng.integers(count)
        load[at : at + rng.integers(5, 60)] += boat.pump_a / boat.load_a
    load *= boat.load_a / load.mean()
    minute = np.arange(count)
    sails = (
        (minute // DAY_MIN % boat.engine_every == 2)
        & (minute % DAY_MIN >= 600)
        & (minute % DAY_MIN < 1080)
    )
    return load + boat.sailing_a * sails


def others(boat, days):
    """Return the most that other sources give in each minute, A, and the voltage they hold."""
    minute = np.arange(days * DAY_MIN)
    day, of_day = minute // DAY_MIN, minute % DAY_MIN
    amps, volts = np.zeros(len(minute)), np.full(len(minute), 14.2)
    engine = (day % boat.engine_every == 2) & (of_day >= 600) & (of_day < 690)
    amps[engine] = boat.engine_a
    if boat.shore_a > 0.0:
        since = minute - (10 * (day // 10) + 5) * DAY_MIN - 900
        moored = (since >= 0) & (since < 2 * DAY_MIN)
        amps[moored], volts[moored] = boat.shore_a, np.where(since < 240, 14.4, 13.6)[moored]
    return amps, volts


def recorded(boat, days, seed):
    """Return the log, the load of each day (Ah), and what other sources gave on it (Ah)."""
    rng = np.random.default_rng(seed)
    load = loads(boat, days, rng)
    most, holds = others(boat, days)
    soc, fast, slow, net, on, full, waits, age = 0.75, 0.0, 0.0, 0.0, False, 0, 0, 0
    shown = np.zeros((days * DAY_MIN, 4))
    quick, lazy = 1.0 - math.exp(-1.0 / 5.0), 1.0 - math.exp(-1.0 / 120.0)
    volts = 12.5
    for k in range(len(load)):
        drawn = float(load[k])
        ohm = 0.03
        if net > 0.0:
            ohm = boat.later_ohm + boat.full_ohm * 0.05 / (1.05 - soc)
        inner = 11.98 + 0.86 * soc + (1.0 - quick) * fast + (1.0 - lazy) * slow
        now = boat.at_once_ohm + 0.5 * (quick + lazy) * ohm
        # Warm-up: nothing for three minutes, all after twenty.
        own = boat.charger_w / max(volts, 11.0) * min(max((age - 3) / 17.0, 0.0), 1.0) * on
        given = 0.0
        if most[k] > 0.0:
            given = min(max((holds[k] - inner) / now + drawn - own, 0.0), float(most[k]))
        own = min(own, max((boat.ceiling_v - inner) / now + drawn - given, 0.0))
        net = own + given - drawn
        volts = inner + now * net
        fast += quick * (0.5 * ohm * net - fast)
        slow += lazy * (0.5 * ohm * net - slow)
        gas = 0.0002 * boat.capacity_ah * math.exp(1.83 * (volts - 13.38))
        soc = min(max(soc + (net - gas) / 60.0 / boat.capacity_ah, 0.02), 1.0)
        shown[k] = volts, own, on, given
        full = full + (volts > boat.ceiling_v - 0.03) if on else 0
        waits = waits + 1 if not on and volts < boat.start_v else 0
        age = age + 1 if on else 0
        on = (on or waits > 10) and full <= boat.absorbs_min
    record = shown.reshape(-1, RECORD_MIN, 4)
    mean, fed = record.mean(axis=1), shown[:, 3].reshape(days, -1).sum(axis=1) / 60.0
    noise = 0.006 * rng.standard_normal(len(mean))
    return (
        _history(boat, np.round(mean + np.outer(noise, (1, 0, 0, 0)), 2), record[:, :, 0]),
        load.reshape(days, -1).sum(axis=1) / 60.0,
        fed,
    )


def _history(boat, mean, minutes_v):
    volts, amps, running = mean[:, 0], mean[:, 1], mean[:, 2] > 0.5
    count, step_s = len(volts), 60.0 * RECORD_MIN
    nan = np.full(count, np.nan)
    states = STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
    return History(
        start_s=START_S + step_s * np.arange(count), duration_s=np.full(count, step_s),
        state=np.where(running, *states).astype(np.int8), readings=np.full(count, RECORD_MIN),
        charge_c=amps * step_s, energy_j=amps * volts * step_s,
        voltage_min_v=np.minimum(np.round(minutes_v.min(axis=1), 2), volts),
        voltage_max_v=np.maximum(np.round(minutes_v.max(axis=1), 2), volts),
        voltage_mean_v=volts, voltage_last_v=volts,
        runtime_h=500.0 + np.cumsum(running) * step_s / 3600.0, temperature_c=nan,
        battery_charge_c=nan, fuel_l=nan, session=np.ones(count, dtype=np.int64),
        clock_known=np.ones(count, dtype=bool),
        fitting=Fitting(1, "aft locker", boat.charger_w, "2024-05-01"),
    )  # fmt: skip
