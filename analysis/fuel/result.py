"""The fuel outlook of a boat, and its JSON document."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.fuel.passage import Provision, Stock
from analysis.physics import CO2_PEL_PPM, co2_air_m3_per_h, fuel_balance
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.estimate import Span
    from analysis.fuel.consumption import FuelUse
    from analysis.history.use import Year
    from analysis.physics import FuelBalance

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FuelOutlook:
    """Fuel use and what is left. Spans hold the 90 % interval; None where it is not known."""

    use: FuelUse
    l_per_kwh: Span
    litres_left: Span
    days_left: Span
    last_s: float | None
    """End of the log, Unix time: days are counted from here."""
    litres_per_year: Span
    containers_per_year: Span
    kwh_per_day: float | None
    days_used: int
    passage: Provision | None
    """None where no passage is asked for, or its fuel is not known."""
    withheld: dict[str, str]
    """Why a figure is missing, by its published key."""
    container_l: float
    changes: str
    """``recorded``, ``found`` in the log where none is recorded, or ``none``."""
    mean_c: float
    """Temperature at which the litres are stated, degC."""
    rated_w: float
    battery_air_m3_per_h: float | None
    """Air that the battery's space needs while it is charged; None where no rule says."""
    year: Year | None = None
    """Use of the last year, which gives litres and containers a year."""
    draws: Floats = field(default_factory=lambda: np.empty(0))
    """Draws of litres per kWh."""
    caution: str | None = None
    """Why the figures are not to be relied on; a sentence."""

    def stock(self) -> Stock:
        """Return the fuel aboard, as the passage needs it."""
        out_s = None
        if self.days_left.low is not None and self.last_s is not None:
            out_s = self.last_s + DAY_S * math.floor(self.days_left.low)
        return Stock(self.draws, self.litres_left.low, self.container_l, out_s)

    def balance(self) -> FuelBalance:
        """Return what a kWh makes of the fuel; the litres are those at its temperature."""
        return fuel_balance(self.l_per_kwh.median or self.use.estimate, self.mean_c)

    @property
    def closed_space_m3_per_h(self) -> float:
        """Fresh air that keeps a closed space at the limit for carbon dioxide, m3/h."""
        balance = self.balance()
        return co2_air_m3_per_h(balance.co2_g_per_kwh * self.rated_w / 1000.0)

    def document(self) -> dict[str, object]:
        """Return the figures under their published keys."""
        balance = self.balance()
        return {
            "l_per_kwh": {
                "estimate": _short(self.l_per_kwh.median),
                "low": _short(self.l_per_kwh.low),
                "high": _short(self.l_per_kwh.high),
            },
            "litres_left": _block(self.litres_left),
            "days_left": _block(self.days_left),
            "containers_per_year": _block(self.containers_per_year),
            "litres_per_year": _block(self.litres_per_year),
            "year": None if self.year is None else self.year.document(),
            "kwh_per_day": _short(self.kwh_per_day),
            "days_used": self.days_used,
            "containers_counted": len(self.use.counted),
            "container_changes": self.changes,
            "containers_refused": [c.problem for c in self.use.containers if c.problem],
            "passage": None if self.passage is None else self.passage.document(),
            "per_kwh": {
                "efficiency_lhv": round(balance.efficiency_lhv, 4),
                "co2_g": round(balance.co2_g_per_kwh, 1),
                "water_g": round(balance.water_g_per_kwh, 1),
            },
            "closed_space": {
                "air_m3_per_h": round(self.closed_space_m3_per_h, 2),
                "co2_limit_ppm": CO2_PEL_PPM,
                "battery_air_m3_per_h": _short(self.battery_air_m3_per_h),
            },
            "withheld": self.withheld,
            "doubts": [] if self.caution is None else [self.caution],
        }


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _block(span: Span) -> dict[str, float | None]:
    return {"low": _short(span.low), "median": _short(span.median), "high": _short(span.high)}
