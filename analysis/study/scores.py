"""How figures, intervals and forecasts are scored, by their published definitions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


#: Share of 90 % intervals that should hold the truth.
WANTED = (0.85, 0.95)


@dataclass(frozen=True, slots=True)
class Said:
    """A figure with its 90 % interval beside the truth."""

    low: float
    median: float
    high: float
    truth: float

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low <= self.truth <= self.high

    @property
    def error(self) -> float:
        """Relative error of the figure."""
        return self.median / self.truth - 1.0


def interval_score(low: Floats, high: Floats, truth: Floats, alpha: float = 0.1) -> Floats:
    """Return the interval score of central (1 - alpha) intervals; lower is better.

    Source: Gneiting and Raftery (2007), JASA 102:359-378, equation (43).
    """
    below = np.maximum(low - truth, 0.0)
    above = np.maximum(truth - high, 0.0)
    score: Floats = (high - low) + 2.0 / alpha * (below + above)
    return score


def clopper_pearson(hits: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share. Source: Clopper and Pearson (1934), Biometrika 26."""
    tail = (1.0 - confidence) / 2.0
    low = float(special.betaincinv(hits, trials - hits + 1, tail)) if hits > 0 else 0.0
    high = float(special.betaincinv(hits + 1, trials - hits, 1.0 - tail)) if hits < trials else 1.0
    return low, high


def middle_error(said: Sequence[Said]) -> float:
    """Return the median relative error, %."""
    return 100.0 * float(np.median([abs(s.error) for s in said])) if said else math.nan


def holds(said: Sequence[Said]) -> list[bool]:
    """Return which intervals hold the truth."""
    return [s.holds for s in said]


def percent(part: int, whole: int) -> float:
    """Return a share, %; NaN of nothing."""
    return 100.0 * part / whole if whole else math.nan
