"""Which voltages a battery bank can have: of the bank that is named, or found from the readings.

A wrong scale, a wrong order of bytes or a disturbed line gives numbers that decode and that no bank
has: 1.3 V, or 63 V on a bank of 12 V.
"""

from __future__ import annotations

#: Banks that are found by themselves, V. What fits two of them (31 V, 45 V) tells nothing.
BANKS_V = (6.0, 12.0, 24.0, 36.0, 48.0)
#: Those that feed a boat: which of them it is may be guessed from a voltage.
HOUSE_BANKS_V = BANKS_V[1:]
#: Lead-acid and LFP banks as a part of their nominal voltage: empty under load, and charged hard
#: (10.2 to 16 V on 12 V). Common practice, no source.
LOWEST_SHARE, HIGHEST_SHARE = 0.85, 16.0 / 12.0
#: Below half of the nominal voltage no bank is in use; below that of the least bank, none at all.
DEAD_SHARE = 0.5
#: The output of a charger that is off may float so far, V; common practice, no source.
OFF_V = 0.5
#: Readings in a row that find the bank: a minute of a device that speaks each second.
FOUND_AFTER = 60
#: Readings in a row of another bank that make it that one: an hour of the same.
CHANGED_AFTER = 3600


def in_use_v(nominal_v: float | None) -> tuple[float, float]:
    """Return the lowest and highest voltage of a bank in use, V; of any bank if it is unknown."""
    low_v = HOUSE_BANKS_V[0] if nominal_v is None else nominal_v
    high_v = HOUSE_BANKS_V[-1] if nominal_v is None else nominal_v
    return DEAD_SHARE * low_v, HIGHEST_SHARE * high_v


def fits(voltage_v: float, nominal_v: float) -> bool:
    """Tell whether a bank of this nominal voltage, V, can have this voltage, V."""
    return LOWEST_SHARE * nominal_v <= voltage_v <= HIGHEST_SHARE * nominal_v


def fits_a_house_bank(voltage_v: float) -> bool:
    """Tell whether any bank that feeds a boat can have this voltage, V."""
    return any(fits(voltage_v, nominal_v) for nominal_v in HOUSE_BANKS_V)


class Bank:
    """Judges voltages, one after the other.

    Parameters
    ----------
    nominal_v
        Nominal voltage of the bank, V; None where it is to be found.

    Attributes
    ----------
    nominal_v
        As named or as found so far, V; None while unknown.
    limits_v
        Lowest and highest voltage that is possible at all, V; 0 is a charger that is off.
    usual_v
        Lowest and highest voltage of a bank in use, which need no further look, V; while the bank
        is unknown, no voltage lies between them.
    """

    __slots__ = (
        "_bounds_v",
        "_in_a_row",
        "_named",
        "_seen_v",
        "limits_v",
        "nominal_v",
        "usual_v",
    )

    def __init__(self, nominal_v: float | None = None) -> None:
        self._named = nominal_v is not None
        self.limits_v = (0.0, in_use_v(nominal_v)[1])
        self._seen_v: float | None = None
        self._in_a_row = 0
        self._settle(nominal_v)

    def _settle(self, nominal_v: float | None) -> None:
        self.nominal_v = nominal_v
        self._bounds_v = in_use_v(nominal_v)
        # Of an unknown bank no voltage is usual.
        self.usual_v = (LOWEST_SHARE * (nominal_v or 1e9), self._bounds_v[1])

    def refuses(self, voltage_v: float) -> str:
        """Say why the bank, or a charger that is off, cannot have this; empty where it can."""
        if self.usual_v[0] <= voltage_v <= self.usual_v[1]:
            self._seen_v = self.nominal_v
            return ""
        if not self._named:
            self._learn(voltage_v)
        if self._bounds_v[0] <= voltage_v <= self._bounds_v[1] or 0.0 <= voltage_v <= OFF_V:
            return ""
        if self.nominal_v is None:
            return "voltage_v is that of no bank"
        return f"voltage_v is that of no bank of {self.nominal_v:g} V"

    def _learn(self, voltage_v: float) -> None:
        fitting = [nominal_v for nominal_v in BANKS_V if fits(voltage_v, nominal_v)]
        if len(fitting) != 1:
            return
        if fitting[0] != self._seen_v:
            self._seen_v, self._in_a_row = fitting[0], 0
        self._in_a_row += 1
        if self._in_a_row >= (FOUND_AFTER if self.nominal_v is None else CHANGED_AFTER):
            self._settle(self._seen_v)
