"""Readings round the stops and starts of a charger, for tests of the fit check: its truth is known.

Independent of the invented boats: a resistance for leads and fuse, a battery of one resistance and
two time constants (charge transfer, 5 s; diffusion, 1200 s), a cold box that switches at random.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.history.history import STATE_CODE, History
from logger.config import LogConfig
from logger.interval import Condenser
from logger.reading import OperatingState, Reading
from logger.store.reader import Fitting
from tests.support.pause import coverage_paused

BEGUN_S = 1_700_006_400.0  # 2023-11-15T00:00:00Z
RATED_W = 110.0
_TRANSFER_OHM, _TRANSFER_S = 0.002, 5.0
_DIFFUSION_OHM, _DIFFUSION_S = 0.02, 1200.0


@dataclass
class Stops:
    """How the charger is wired and how it is read; sensors of 0.01 V and 0.1 A."""

    count: int = 10
    leads_ohm: float = 0.03
    battery_ohm: float = 0.008
    grows_ohm_per_1000h: float = 0.0
    spacing_s: float = 1.0
    volts: float = 12.6
    """Rested voltage of the bank in the middle: 25.2 for 24 V."""
    sharp_start: bool = False
    """Whether the current stands at once when the charger starts."""
    ramp_s: float = 0.0
    """How long the current takes to rise."""
    lag_s: float = 0.0
    """How long after the current the state changes at a stop."""
    around_s: float = 600.0
    """How long it is read before and after each stop."""
    current_a: tuple = (5.5, 8.5)
    seed: int = 1


def readings(stops):
    """Give what is read before and after each stop, one stop in eight hours."""
    rng = np.random.default_rng(stops.seed)
    time_s, runtime_h = BEGUN_S, 0.0
    step = stops.spacing_s
    half = int(stops.around_s / step)
    for _ in range(stops.count):
        time_s, runtime_h = time_s + 8 * 3600.0, runtime_h + 6.4
        rested_v = stops.volts + rng.uniform(-0.4, 0.4)
        full_a = rng.uniform(2.0, 4.0) if rng.random() < 0.4 else rng.uniform(*stops.current_a)
        leads = stops.leads_ohm + stops.grows_ohm_per_1000h * runtime_h / 1000.0
        transfer_v, diffusion_v, box = 0.0, 0.0, False
        waiting = half if stops.sharp_start else 0
        if not stops.sharp_start:
            transfer_v, diffusion_v = _TRANSFER_OHM * full_a, 0.9 * _DIFFUSION_OHM * full_a
        for k in range(waiting + 2 * half):
            since = k - waiting
            on = 0 <= since < half
            amps = full_a if on else 0.0
            if stops.ramp_s:
                amps *= min(1.0, since * step / stops.ramp_s)
            box ^= rng.random() < step / 900.0
            into_a = amps - 1.5 - 4.0 * box
            transfer_v += (1 - math.exp(-step / _TRANSFER_S)) * (
                _TRANSFER_OHM * into_a - transfer_v
            )
            diffusion_v += (1 - math.exp(-step / _DIFFUSION_S)) * (
                _DIFFUSION_OHM * into_a - diffusion_v
            )
            volts = rested_v + stops.battery_ohm * into_a + transfer_v + diffusion_v + leads * amps
            if since < 0:
                state = OperatingState.STARTING
            elif on or since * step < stops.around_s + stops.lag_s:
                state = OperatingState.RUNNING
            else:
                state = OperatingState.STANDBY
            yield Reading(
                time_s,
                round((volts + 0.008 * rng.standard_normal()) / 0.01) * 0.01,
                round((amps + 0.03 * rng.standard_normal() * on) / 0.1) * 0.1,
                state,
                runtime_h,
            )
            time_s += step


def condensed(stops):
    """Return the readings as the logger would have stored them."""
    condenser = Condenser(LogConfig(interval_s=stops.spacing_s, gap_s=5.0 * stops.spacing_s))
    with coverage_paused():
        closed = [condenser.add(reading) for reading in readings(stops)]
    kept = [interval for interval in (*closed, condenser.flush()) if interval is not None]

    def column(name):
        values = [getattr(interval, name) for interval in kept]
        return np.array([math.nan if v is None else v for v in values], dtype=float)

    return History(
        **{
            name: column(name)
            for name in (
                "start_s", "duration_s", "charge_c", "energy_j", "voltage_min_v", "voltage_max_v",
                "voltage_mean_v", "voltage_last_v", "runtime_h", "temperature_c",
                "battery_charge_c", "fuel_l",
            )
        },
        state=np.array([STATE_CODE[interval.state] for interval in kept], dtype=np.int8),
        readings=np.array([interval.readings for interval in kept]),
        session=np.ones(len(kept), dtype=np.int64),
        clock_known=np.ones(len(kept), dtype=bool),
        fitting=Fitting(1, "aft locker", RATED_W, "2023-11-15"),
    )  # fmt: skip
