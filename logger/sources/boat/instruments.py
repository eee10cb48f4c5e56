"""The sensors and the logger of an invented boat: they turn what happens into readings."""

from __future__ import annotations

import math
from random import Random
from typing import TYPE_CHECKING

from logger.durations import DAY_S
from logger.reading import OperatingState, Reading

if TYPE_CHECKING:
    from logger.sources.boat.bank import Bank
    from logger.sources.boat.charger import Charger
    from logger.sources.boat.days import DayRecord
    from logger.sources.boat.model import Sensors


class Instruments:
    """Sensors with noise and steps, and a logger that is silent at times.

    Parameters
    ----------
    sensors
        Errors and omissions.
    seed
        Seed of the noise.
    life
        Random generator of what happens: it draws the silences.
    """

    __slots__ = (
        "_counted_from",
        "_fixed_state",
        "_gap_at",
        "_life",
        "_noise",
        "_resets",
        "_sensors",
        "_silent_until",
    )

    def __init__(self, sensors: Sensors, seed: int, life: Random) -> None:
        self._sensors, self._life = sensors, life
        self._noise = Random(f"{seed}/sensors").random  # noqa: S311 - a seed, not secrecy
        self._fixed_state = {
            "told": None,
            "stuck": OperatingState.RUNNING,
        }.get(sensors.states, OperatingState.UNKNOWN)
        self._resets = sorted(sensors.counter_resets_h)
        self._counted_from = 0.0
        self._gap_at = math.inf
        self._silent_until = 0.0

    def begin_day(self, now: float) -> None:
        """Draw whether the logger falls silent on this day, and when."""
        life = self._life
        silent = life.random() < self._sensors.gaps_per_100d / 100.0
        self._gap_at = now + life.random() * DAY_S if silent else math.inf

    def reading(
        self,
        now: float,
        dt: float,
        voltage: float,
        current: float,
        charger: Charger,
        bank: Bank,
        day: DayRecord,
        *,
        laid_up: bool,
    ) -> Reading | None:
        """Return the reading at ``now``; None while the logger is silent, or if it is lost."""
        sensors, noise = self._sensors, self._noise
        if now >= self._gap_at:
            self._silent_until = now + self._life.expovariate(1.0 / (3600.0 * sensors.gap_h))
            self._gap_at = math.inf
        if now < self._silent_until:
            day.silent_h += dt / 3600.0
            return None
        if sensors.dropout != 0.0 and noise() < sensors.dropout:
            return None
        volts = voltage + sensors.voltage_noise_v * 2.0 * (noise() + noise() + noise() - 1.5)
        amps = current
        if current > 0.0:
            amps += sensors.current_noise_a * 2.0 * (noise() + noise() + noise() - 1.5)
        if step := sensors.voltage_step_v:
            volts = round(volts / step) * step
        if step := sensors.current_step_a:
            amps = round(amps / step) * step
        counter = self._counter(charger.hours) if sensors.counter else None
        state = self._fixed_state or charger.state(laid_up=laid_up)
        temperature: float | None = None
        if sensors.temperature and (
            sensors.temperature_missing == 0.0 or noise() >= sensors.temperature_missing
        ):
            temperature = round(charger.air_c + 0.2 * (noise() - 0.5), 1)
        return Reading(
            now,
            volts,
            amps,
            state,
            counter,
            temperature,
            round(bank.amps, 2) if sensors.shunt else None,
            round(max(0.0, charger.fuel_l), 2) if sensors.gauge else None,
        )

    def _counter(self, hours: float) -> float:
        while self._resets and hours >= self._resets[0]:
            self._counted_from = self._resets.pop(0)
        counter = hours - self._counted_from
        step = self._sensors.counter_step_h
        return int(counter / step) * step if step else counter
