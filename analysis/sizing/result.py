"""What is said of the sizes: what the boat needs, each unit judged, and the recommendation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.sizing.candidates import Unit

    Floats = NDArray[np.float64]

#: A day that the unit must carry: 19 in 20.
CARRIED = 0.95


@dataclass(frozen=True, slots=True)
class Need:
    """What has to be supplied a day."""

    supply_wh: Floats
    """Energy to be delivered on days like this boat's, Wh at the charger."""
    load_ah: float
    """Mean load, Ah a day."""
    blocks: int
    days_a_year: float
    """Days a year on which the charger has to carry the boat."""
    chemistry: str

    @property
    def hard_day_wh(self) -> float:
        """Return the 95th percentile day, Wh."""
        return float(np.percentile(self.supply_wh, 100.0 * CARRIED))


@dataclass(frozen=True, slots=True)
class UnitOnBoat:
    """One unit on this boat."""

    unit: Unit
    carried_new: float
    """Share of days carried when new."""
    carried_end: float
    hours_a_day: float
    """On the mean day, over its life."""
    hours_per_year: float
    years_design: float
    """Until its design hours are used up."""
    years_decline: float | None
    """Until its output has declined to the limit; None where the decline is not known."""
    litres_per_year: float | None
    """None for a charger without fuel."""
    cost_per_year: float | None

    @property
    def years(self) -> float:
        """Return the years until the first of the two limits."""
        known = self.years_decline if self.years_decline is not None else math.inf
        return min(self.years_design, known)


@dataclass(frozen=True, slots=True)
class LargerLoad:
    """What a larger load would change."""

    load: float
    """Times the load of now."""
    recommended: str | None
    fitted_carried_end: float | None
    """Share of days that the fitted unit would carry when old; None where none is fitted."""


@dataclass(frozen=True, slots=True)
class Sizing:
    """Every unit judged, and which one is recommended."""

    need: Need
    judged: tuple[UnitOnBoat, ...]
    recommended: str | None
    reasons: tuple[str, ...]
    grown: tuple[LargerLoad, ...]
    bank_ah: float
