"""Condenses readings into intervals whose charge and energy are exact integrals over the readings.

An interval closes on a change of state, when voltage or current leaves its band round the
interval's mean, or at its longest length. The trapezoid between two readings belongs to the
interval of the earlier one, so neighbouring intervals share an instant and together tile the time
between gaps: however the log is thinned, the sums stay those of the readings. Energy integrates
the power of each reading (v times i) by the trapezoid rule. A spacing longer than ``gap_s`` ends
the interval and is never integrated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.reading import OperatingState


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
