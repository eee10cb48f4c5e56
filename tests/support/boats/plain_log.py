"""Logs with a known truth, interval by interval, from physics simple enough to check by eye.

They share nothing with the simulator of the study.
"""

from dataclasses import replace

import numpy as np

from analysis.history.history import STATE_CODE, History
from logger.reading import OperatingState
from logger.store.reader import Fitting

RATED_W = 110.0
BEGIN_S = 1_555_000_000.0
STEP_S = 600.0
RUNNING, STANDBY, STARTING, UNKNOWN = (
    STATE_CODE[s]
    for s in (
        OperatingState.RUNNING,
        OperatingState.STANDBY,
        OperatingState.STARTING,
        OperatingState.UNKNOWN,
    )
)
COLUMNS = [
    "start_s",
    "duration_s",
    "state",
    "readings",
    "charge_c",
    "energy_j",
    "voltage_min_v",
    "voltage_max_v",
    "voltage_mean_v",
    "voltage_last_v",
    "runtime_h",
    "temperature_c",
    "battery_charge_c",
    "fuel_l",
    "session",
    "clock_known",
]


def log(
    *,
    runs=120,
    level=1.0,
    loss=0.05,
    noise=0.004,
    run_h=6.0,
    seed=1,
    full=0.0,
    apart_d=1.0,
    rest=3,
    steps=(),
    heat=0.0,
    start_h=0.0,
    temperature=True,
    states=True,
    counter=True,
):
    """Return a log of ``runs`` runs of ``run_h`` hours, ``apart_d`` apart, in intervals of 600 s.

    ``loss`` is lost per 1000 h, ``steps`` are (hours, change), ``heat`` is lost per kelvin above
    25 degC; ``rest`` intervals of rest come before each run. In a share ``full`` of the runs the
    battery holds its ceiling and takes less and less.
    """
    rng = np.random.default_rng(seed)
    each = int(run_h * 6)
    n = each + rest
    run = np.repeat(np.arange(runs), n)
    k = np.tile(np.arange(n), runs)
    inside = k >= rest
    since = (k - rest + 0.5) / 6.0
    hours = start_h + run * run_h + np.clip(k - rest + 1, 0, None) / 6.0
    kh = (run * run_h) / 1000.0
    output = level - loss * kh
    for at_h, change in steps:
        output = output + change * (run * run_h >= at_h)
    summer = 16.0 + 9.0 * np.sin(2 * np.pi * run / 365.0)
    warmth = summer + rng.normal(0, 2.0, runs)[run] + 5.0 * (1 - np.exp(-np.maximum(since, 0)))
    power = RATED_W * (output + rng.normal(0, noise, runs)[run]) * (1 - heat * (warmth - 25.0))
    voltage = np.where(inside, 12.9 + 0.04 * since, 12.6)
    limited = (np.random.default_rng(seed + 1000).random(runs) < full)[run]
    power = np.where(limited, power * (0.2 + 0.7 * np.exp(-np.maximum(since, 0))), power)
    voltage = np.where(limited, np.where(inside, 14.2, 13.2), voltage)
    power = np.where(inside, power * (1 + rng.normal(0, 0.002, len(run))), 0.0)
    start = BEGIN_S + run * apart_d * 86400.0 + k * STEP_S
    state = np.where(inside, RUNNING, STANDBY).astype(np.int8)
    state[k == rest] = STARTING
    power[k == rest] *= 0.3
    nan = np.full(len(run), np.nan)
    return History(
        start_s=start,
        duration_s=np.full(len(run), STEP_S),
        state=state if states else np.full(len(run), UNKNOWN, np.int8),
        readings=np.full(len(run), 600),
        charge_c=power / voltage * STEP_S,
        energy_j=power * STEP_S,
        voltage_min_v=voltage - 0.01,
        voltage_max_v=voltage + 0.01,
        voltage_mean_v=voltage,
        voltage_last_v=voltage,
        runtime_h=hours if counter else nan,
        temperature_c=warmth if temperature else nan,
        battery_charge_c=nan,
        fuel_l=nan,
        session=np.ones(len(run), np.int64),
        clock_known=np.ones(len(run), bool),
        fitting=Fitting(1, "aft locker", RATED_W, "2019-04-11"),
    )


def joined(*histories):
    columns = {c: np.concatenate([getattr(h, c) for h in histories]) for c in COLUMNS}
    return replace(histories[0], **columns)


def figures(result):
    return np.array(
        [
            result.output.low,
            result.output.median,
            result.output.high,
            result.decline_per_1000h.median,
        ]
    )
