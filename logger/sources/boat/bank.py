"""The bank of an invented boat: its voltage and its charge under a charger, loads and others.

The bank is an open-circuit voltage over state of charge, a fast resistance, and a slow polarisation
that grows towards full. For lead-acid the open-circuit voltage follows Bode's electrode potentials
(Bode 1977; the five values of the usual table). The rise of the charge resistance and the fall of
coulombic efficiency towards full follow the form of Copetti, Lorenzo and Chenlo (1993; from
memory). LFP has a plateau near 3.3 V per cell and an efficiency of 99.5 %; a full cell takes no
more, so its voltage rises steeply until the charger reaches its ceiling. The numbers are invented
within the range of common practice (no source).
"""

from __future__ import annotations

from math import exp, sqrt
from typing import TYPE_CHECKING

from logger.sources.boat.days import ENGINE

if TYPE_CHECKING:
    from logger.sources.boat.model import BatteryModel, Habits

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
#: State of charge at which an LFP cell takes no more.
_LFP_FULL = 1.03
#: State of charge of a bank that a shore charger kept full.
_KEPT_FULL = 0.98


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


class Bank:
    """The bank with what is connected to it.

    The polarisation is advanced implicitly, so any step from one second to ten minutes is stable.

    Parameters
    ----------
    battery, habits
        The bank; alternator.
    loop_ohm
        Resistance between the charger's terminals and the bank.

    Attributes
    ----------
    soc
        State of charge, 0 to 1.
    amps
        Current into the bank in the last step, A.
    taken_a
        Part of ``amps`` that the bank keeps, A.
    other_a
        Current of the other source, A.
    volts
        Voltage of the bank, V.
    """

    __slots__ = (
        "_capacity_c",
        "_engine_a",
        "_engine_v",
        "_full_soc",
        "_i10",
        "_last",
        "_lead",
        "_loop_ohm",
        "_ocv",
        "_r_fast",
        "_r_slow_discharge",
        "_scale",
        "_shore_a",
        "_shore_v",
        "_slow_s",
        "_slow_v",
        "amps",
        "other_a",
        "soc",
        "taken_a",
        "volts",
    )

    def __init__(self, battery: BatteryModel, habits: Habits, loop_ohm: float) -> None:
        lead = battery.chemistry != "lfp"
        scale = battery.cells / battery.capacity_ah * battery.resistance
        self._lead, self._scale, self._loop_ohm = lead, scale, loop_ohm
        self._ocv = open_circuit(battery)
        self._full_soc, self._last = (1.0, 19) if lead else (_LFP_FULL, 20)
        self._r_fast = 0.30 * scale if lead else 0.12 * scale
        self._r_slow_discharge = 0.50 * scale if lead else 0.15 * scale
        self._slow_s = 1200.0 if lead else 600.0
        self._i10 = battery.capacity_ah / 10.0
        self._capacity_c = battery.capacity_ah * 3600.0
        self._shore_v = (2.25 if lead else 3.36) * battery.cells
        self._engine_v = (2.37 if lead else 3.45) * battery.cells
        self._shore_a = 0.12 * battery.capacity_ah + 10.0
        self._engine_a = habits.engine_a
        self.soc = battery.first_charge
        self._slow_v = self.amps = self.taken_a = self.other_a = self.volts = 0.0

    def keep_full(self) -> None:
        """Leave the bank at a shore charger for a long time."""
        self.soc, self._slow_v = _KEPT_FULL, 0.0

    def step(
        self, dt: float, load_a: float, power_w: float, source: int, ceiling_v: float
    ) -> float:
        """Advance by ``dt`` seconds; return the charger's current, A.

        Parameters
        ----------
        dt
            Length of the step, s.
        load_a
            What the boat draws, A.
        power_w
            What the charger can give, W; it gives less where its voltage reaches ``ceiling_v``.
        source
            Other source: NOBODY, SHORE or ENGINE.
        ceiling_v
            Charge ceiling at the charger's terminals.
        """
        soc, r_loop = self.soc, self._loop_ohm
        gain = dt / (self._slow_s + dt)
        if self.amps > 0.0 and self._lead:
            r_slow = self._scale * (0.9 + 0.48 * (1.01 - soc) ** -1.2)
        else:
            r_slow = self._r_slow_discharge
        place = soc * 20.0
        below = min(int(place), self._last)
        ocv = self._ocv
        rest_v = ocv[below] + (place - below) * (ocv[below + 1] - ocv[below])
        # Voltage of the bank = v0 + r x its current.
        v0 = rest_v + self._slow_v * (1.0 - gain)
        r = self._r_fast + gain * r_slow
        base = v0 - load_a * r
        both = r + r_loop
        current = 0.0
        if power_w > 0.0:
            current = (sqrt(base * base + 4.0 * both * power_w) - base) / (2.0 * both)
            if base + both * current > ceiling_v:
                current = (ceiling_v - base) / both
                current = max(current, 0.0)
        other_a = 0.0
        if source:
            current, other_a = self._shared(base, r, current, power_w, source, ceiling_v)
        amps = current + other_a - load_a
        self.volts = v0 + r * amps
        self._slow_v += gain * (amps * r_slow - self._slow_v)
        taken_a = amps
        if amps > 0.0:
            if self._lead:
                taken_a *= 1.0 - exp(20.73 / (amps / self._i10 + 0.55) * (soc - 1.0))
            else:
                taken_a *= 0.995
            self.soc = min(soc + taken_a * dt / self._capacity_c, self._full_soc)
        else:
            self.soc = max(soc + amps * dt / self._capacity_c, 0.0)
        self.amps, self.taken_a, self.other_a = amps, taken_a, other_a
        return current

    def _shared(
        self, base: float, r: float, current: float, power_w: float, source: int, ceiling_v: float
    ) -> tuple[float, float]:
        """Return the currents of the charger and of another source that holds a voltage.

        ``current`` is what the charger gives alone, ``base`` the bank's voltage without either.
        """
        r_loop = self._loop_ohm
        both = r + r_loop
        if source == ENGINE:
            hold, most = self._engine_v, self._engine_a
        else:
            hold, most = self._shore_v, self._shore_a
        other_a = (hold - base) / r - current
        other_a = min(other_a, most)
        if other_a > 0.0 and current > 0.0:
            # Both raise the voltage, so solve again with the other source's current.
            lifted = base + other_a * r
            current = (sqrt(lifted * lifted + 4.0 * both * power_w) - lifted) / (2.0 * both)
            if lifted + both * current > ceiling_v:
                current = max(0.0, (ceiling_v - lifted) / both)
            if other_a < most:
                # The other source holds its voltage and gives only what the charger does not.
                current = max(0.0, min(power_w / hold, (ceiling_v - hold) / max(r_loop, 1e-3)))
                other_a = max(0.0, (hold - base) / r - current)
        elif other_a < 0.0:
            other_a = 0.0
        return current, other_a
