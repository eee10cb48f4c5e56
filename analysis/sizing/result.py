"""The result of the sizing: what the boat needs, each unit on it, and the recommendation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.document import Verdict

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.bank import Carried
    from analysis.sizing.candidates import Unit

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Need:
    """What the boat needs a day."""

    supply_wh: Floats
    """Energy that the charger must deliver on each of the boat's days, Wh."""
    lived: Carried
    """The simulation of the bank over those days."""
    load_ah: float
    """Mean load, Ah a day."""
    blocks: int
    days_a_year: float
    """Days a year on which the charger has to carry the boat."""
    chemistry: str

    @property
    def limit_w(self) -> float:
        """Return the least output, W, that keeps the bank on 19 days in 20."""
        return float(np.median(self.lived.limit_w()))


@dataclass(frozen=True, slots=True)
class Fitted:
    """The fitted unit as it is today."""

    output: float
    """Available output, fraction of rated."""
    remaining_h: float | None
    """Running hours left (median); None where they are not known."""
    verdict: Verdict
    l_per_kwh: float | None = None
    """Its present use of fuel, as ``ebbwatt fuel`` says it; None where no [fuel] is configured."""
    to_measure: bool = False
    """Whether its output is to be measured before anybody orders."""
    design_left_h: float | None = None
    """Running hours left of its design hours; None where they have no limit or are not known."""
    until: str | None = None
    """Which limit comes first, as in the assessment."""

    @property
    def due(self) -> bool:
        """Whether it must be replaced now or soon; then it is not recommended."""
        return self.verdict in {Verdict.PLAN, Verdict.REPLACE}


@dataclass(frozen=True, slots=True)
class UnitOnBoat:
    """One unit on this boat."""

    unit: Unit
    carried_new: float
    """Share of days that it carries when new; the fitted unit: today."""
    carried_end: float
    """Share of days that it carries at the replacement limit."""
    hours_a_day: float
    """Running hours on the mean day, averaged over its life."""
    hours_per_year: float
    years_design: float
    """Years until its design hours are used up."""
    years_decline: float | None
    """Years until its output reaches the replacement limit; None where the decline is not known."""
    litres_per_year: float | None
    """None for a charger without fuel."""
    cost_per_year: float | None
    """Price over years of life, and fuel where its price is given."""
    price_per_year: float | None = None
    fuel_per_year: float | None = None
    """Cost of its fuel; None where the price of fuel is not given."""

    @property
    def years(self) -> float:
        """Return the years until the first of the two limits."""
        known = self.years_decline if self.years_decline is not None else math.inf
        return min(self.years_design, known)


@dataclass(frozen=True, slots=True)
class LargerLoad:
    """The recommendation for a larger load."""

    load: float
    """Multiple of the present load."""
    recommended: str | None
    fitted_carried_end: float | None
    """Share of days that the fitted unit would carry at the replacement limit, if one is fitted."""


@dataclass(frozen=True, slots=True)
class Sizing:
    """All units on this boat, and the recommended one."""

    need: Need
    judged: tuple[UnitOnBoat, ...]
    recommended: str | None
    reasons: tuple[str, ...]
    grown: tuple[LargerLoad, ...]
    bank_ah: float
