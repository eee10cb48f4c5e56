"""The output over running hours, as far as it tells the fuel that each kilowatt-hour takes.

At fixed crossover, fuel per kWh goes as one over the cell voltage, and the output goes with it: a
unit at 0.6 of its output uses 1.7 times as much. So the assessed output tells what to expect before
a container has been recorded. Both go through the same current sensor, so its gain does not matter:
a sensor that reads low makes output and energy small alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment.case import Case

    Floats = NDArray[np.float64]

#: Least output that is believed here, part of rated: no unit runs for long below it (judgement).
LEAST = 0.3


@dataclass(frozen=True, slots=True)
class Wear:
    """Available output of the present life, as parts of rated."""

    at_h: Floats
    """Running hours, increasing."""
    output: Floats
    relative_sd: float
    """Of the present output."""

    def log_rise(self, at_h: float) -> float:
        """Return the logarithm of fuel per kWh over that of a unit that gives its rated output."""
        return -float(np.log(max(float(np.interp(at_h, self.at_h, self.output)), LEAST)))


def wear_of(case: Case) -> Wear | None:
    """Return the course of the output; None where the log does not tell it."""
    health = case.health
    if health is None or case.examined.stopped:
        return None
    low, middle, high = (health.output(p) for p in (0.05, 0.5, 0.95))
    if middle <= LEAST:
        return None
    hours = case.evidence.life.start_h + 1000.0 * health.sites.kh
    return Wear(hours, health.fitted, (high - low) / (2.0 * Z90 * middle))
