"""Condenses readings into intervals whose charge and energy are exact integrals over the readings.

An interval closes on a change of state, when voltage or current leaves its band round the
interval's mean, or at its longest length. The trapezoid between two readings belongs to the
interval of the earlier one. So neighbouring intervals share an instant and together cover the time
between gaps, and their sums equal those of the readings, wherever the intervals are cut. Energy
integrates the power of each reading (v times i) by the trapezoid rule. A gap ends the interval and
is never integrated; see :mod:`logger.sources.spacing`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.reading import RUN_STATES, OperatingState, Reading
from logger.sources.spacing import Spacing

if TYPE_CHECKING:
    from logger.config import LogConfig

#: A value beyond a limit by less than this counts as on the limit (s, V or A). Readings are decimal
#: numbers that often lie exactly on a limit, and float arithmetic is off by a few last bits.
FLOAT_SLACK = 1e-6


@dataclass(frozen=True, slots=True)
class Interval:
    """A stretch between two readings with exact integrals; the stored record.

    ``start_s`` is on the session's clock (see :class:`logger.reading.Reading`). Integrals and
    extremes are ``None`` where the channel was absent throughout.
    """

    start_s: float
    duration_s: float
    state: OperatingState
    readings: int
    charge_c: float | None
    """Integral of the charger's current, C (ampere-seconds)."""
    energy_j: float | None
    """Integral of the charger's power, J."""
    voltage_min_v: float | None
    voltage_max_v: float | None
    voltage_mean_v: float | None
    """Time-weighted mean."""
    voltage_last_v: float | None
    runtime_h: float | None
    """Last reading of the charger's hour counter."""
    temperature_c: float | None
    """Time-weighted mean compartment temperature."""
    battery_charge_c: float | None
    """Integral of the battery current, C, positive into the battery."""
    fuel_l: float | None
    """Last reading of the fuel gauge."""

    @property
    def end_s(self) -> float:
        """End of the interval on the session's clock."""
        return self.start_s + self.duration_s


class Condenser:
    """Turns a stream of readings into intervals; it holds one open interval and nothing else.

    ``add`` takes readings in order of time and returns the interval that it closed, if any. A
    reading that is not later than the one before is dropped and counted in ``out_of_order``. Every
    other reading counts in exactly one interval.

    Parameters
    ----------
    log
        Bands and longest lengths; see :data:`logger.sections.LOG`.

    Attributes
    ----------
    moved
        Whether a channel left its band in the open interval. That interval may still be too short
        to close; once it is long enough, its mean has followed the change.
    spacing
        How far apart the readings come.
    """

    #: Least length of an interval that closes because a channel left its band, s. A noisy sensor or
    #: an autopilot's pulses would otherwise turn every reading into a row (judgement, no source).
    SHORTEST_RUNNING_S = 10.0
    SHORTEST_REST_S = 60.0

    __slots__ = (
        "_battery",
        "_charge",
        "_energy",
        "_first",
        "_fuel",
        "_last",
        "_readings",
        "_runtime",
        "_temperature",
        "_voltage",
        "_voltage_max",
        "_voltage_min",
        "log",
        "moved",
        "out_of_order",
        "spacing",
    )

    def __init__(self, log: LogConfig) -> None:
        self.log = log
        self.moved = False
        self.out_of_order = 0
        self.spacing = Spacing(log)
        self._first: Reading | None = None

    def add(self, reading: Reading) -> Interval | None:
        """Take one reading and return the interval that it closed, or None."""
        if self._first is None:
            self._open(reading, counted=True)
            return None
        last = self._last
        spacing_s = reading.time_s - last.time_s
        if spacing_s <= 0.0:
            self.out_of_order += 1
            return None
        flows = last.current_a is not None and abs(last.current_a) > self.log.current_band_a
        if self.spacing.is_gap(spacing_s, running=flows or last.state in RUN_STATES):
            closed = self.flush()
            self._open(reading, counted=True)
            return closed
        leaves = self._leaves_band(reading)
        self.moved |= leaves
        self._integrate(last, reading, spacing_s)
        length_s = reading.time_s - self._first.time_s
        running = self.is_running()
        if reading.state is last.state:
            longest_s = self.log.longest_running_s if running else self.log.longest_rest_s
            shortest_s = self.SHORTEST_RUNNING_S if running else self.SHORTEST_REST_S
            # Allow for float error: sums of spacings fall short of the limit by a few last bits.
            if length_s < longest_s - FLOAT_SLACK and not (
                leaves and length_s >= shortest_s - FLOAT_SLACK
            ):
                return None
        closed = self._close()
        self._open(reading, counted=False)
        return closed

    def flush(self) -> Interval | None:
        """Close the open interval as it is (at a gap, or at the end) and return it."""
        if self._first is None:
            return None
        closed = self._close() if self._readings else None
        self._first = None
        return closed

    def cut(self) -> Interval | None:
        """Close the open interval at its newest reading, open the next there; return the closed."""
        if self._first is None or not self._readings or self._last is self._first:
            return None
        closed = self._close()
        self._open(self._last, counted=False)
        return closed

    def energy_j(self) -> float | None:
        """Return the energy of the open interval so far, J; None where none can be measured."""
        first = self._first
        return None if first is None or not self._readings else self._energy_of(first)

    def _open(self, reading: Reading, *, counted: bool) -> None:
        self._first = self._last = reading
        self._readings = 1 if counted else 0
        self.moved = False
        self._voltage_min = self._voltage_max = reading.voltage_v
        # Each is [integral over time, time over which the channel was present].
        self._voltage = [0.0, 0.0]
        self._charge = [0.0, 0.0]
        self._energy = [0.0, 0.0]
        self._temperature = [0.0, 0.0]
        self._battery = [0.0, 0.0]
        self._runtime = reading.runtime_h if counted else None
        self._fuel = reading.fuel_l if counted else None

    def _integrate(self, a: Reading, b: Reading, spacing_s: float) -> None:
        """Add the trapezoid between two readings to every channel that both of them have."""
        voltage, current = b.voltage_v, b.current_a
        if voltage is not None:
            if self._voltage_min is None or voltage < self._voltage_min:
                self._voltage_min = voltage
            if self._voltage_max is None or voltage > self._voltage_max:
                self._voltage_max = voltage
        _accumulate(self._voltage, a.voltage_v, voltage, spacing_s)
        _accumulate(self._charge, a.current_a, current, spacing_s)
        _accumulate(self._energy, _power(a), _power(b), spacing_s)
        _accumulate(self._temperature, a.temperature_c, b.temperature_c, spacing_s)
        _accumulate(self._battery, a.battery_current_a, b.battery_current_a, spacing_s)
        if b.runtime_h is not None:
            self._runtime = b.runtime_h
        if b.fuel_l is not None:
            self._fuel = b.fuel_l
        self._readings += 1
        self._last = b

    def _leaves_band(self, reading: Reading) -> bool:
        """Tell whether voltage or current lies outside its band round the mean so far."""
        first = self._first
        if first is None:
            return False
        voltage = _mean(self._voltage, first.voltage_v)
        if (
            voltage is not None
            and reading.voltage_v is not None
            and abs(reading.voltage_v - voltage) > self.log.voltage_band_v + FLOAT_SLACK
        ):
            return True
        current = _mean(self._charge, first.current_a)
        return (
            current is not None
            and reading.current_a is not None
            and abs(reading.current_a - current) > self.log.current_band_a + FLOAT_SLACK
        )

    def is_running(self) -> bool:
        """Tell whether the charger runs in the open interval: by its state, or by its current."""
        first = self._first
        if first is None:
            return False
        current = _mean(self._charge, first.current_a)
        return first.state in RUN_STATES or (
            current is not None and abs(current) > self.log.current_band_a + FLOAT_SLACK
        )

    def _close(self) -> Interval:
        first = self._first
        if first is None:
            raise RuntimeError("no interval is open")
        alone = self._last is first
        return Interval(
            start_s=first.time_s,
            duration_s=self._last.time_s - first.time_s,
            state=first.state,
            readings=self._readings,
            charge_c=_integral(self._charge, alone=alone, value=first.current_a),
            energy_j=self._energy_of(first),
            voltage_min_v=self._voltage_min,
            voltage_max_v=self._voltage_max,
            voltage_mean_v=_mean(self._voltage, self._voltage_max),
            voltage_last_v=self._last.voltage_v,
            runtime_h=self._runtime,
            temperature_c=_mean(self._temperature, first.temperature_c),
            battery_charge_c=_integral(self._battery, alone=alone, value=first.battery_current_a),
            fuel_l=self._fuel,
        )

    def _energy_of(self, first: Reading) -> float | None:
        return _integral(
            self._energy,
            alone=self._last is first,
            value=None if first.voltage_v is None else first.current_a,
        )


def _accumulate(sums: list[float], a: float | None, b: float | None, spacing_s: float) -> None:
    """Add one trapezoid to [integral, time covered] if the channel has both of its ends."""
    if a is not None and b is not None:
        sums[0] += 0.5 * (a + b) * spacing_s
        sums[1] += spacing_s


def _power(reading: Reading) -> float | None:
    """Return the power of a reading, W, or None if it lacks voltage or current."""
    if reading.voltage_v is None or reading.current_a is None:
        return None
    return reading.voltage_v * reading.current_a


def _mean(sums: list[float], otherwise: float | None) -> float | None:
    """Return the time-weighted mean, or ``otherwise`` while no time has passed."""
    return sums[0] / sums[1] if sums[1] > 0.0 else otherwise


def _integral(sums: list[float], *, alone: bool, value: float | None) -> float | None:
    """Return an integral; over no time it is 0 if the channel was present, else None."""
    if sums[1] > 0.0:
        return sums[0]
    return 0.0 if alone and value is not None else None
