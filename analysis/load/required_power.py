"""The power that a charger must give to carry this boat's load, and how well it is known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.load.daily import CHARGING_V

if TYPE_CHECKING:
    from analysis.load.daily import LoadResult

#: What the voltages at which charge is given and drawn may be wrong by, as a part of them.
_VOLTAGE_SD = 0.04
#: Quantile of the normal distribution at 0.95, and the standard error of a sample's 95 % quantile
#: in standard deviations times the root of the number: sqrt(p (1 - p)) over the density there.
_Z95, _Z95_SE = 1.645, 2.11


@dataclass(frozen=True, slots=True)
class LoadLimit:
    """Mean power over 24 h that carries the 95th percentile day."""

    power_w: float
    relative_sd: float
    """Standard deviation of its logarithm."""


def load_limit(found: LoadResult) -> LoadLimit | None:
    """Return the power that a boat's load needs; None where the log did not tell it.

    Includes the charge efficiency (sizing steps 2 and 3 of common practice, after IEEE 1013's
    order of steps).
    """
    if found.ah_p95 is None or found.voltage_v is None:
        return None
    blocks = max(1, round(found.voltage_v / 12.8))
    power_w = found.ah_p95 / found.efficiency * CHARGING_V * blocks / 24.0
    return LoadLimit(power_w, math.hypot(_mean_sd(found), _rare_day_sd(found), _VOLTAGE_SD))


def _mean_sd(found: LoadResult) -> float:
    """Return the relative standard deviation of the mean day."""
    low, middle, high = found.ah.low, found.ah.median, found.ah.high
    if low is None or middle is None or high is None or middle <= 0.0:
        return 0.0
    return (high - low) / (2.0 * _Z95 * middle)


def _rare_day_sd(found: LoadResult) -> float:
    """Return the relative standard error of the rare day over the usual one."""
    if not found.ah_p95 or not found.ah_median or found.days_used < 1:
        return 0.0
    spread = math.log(max(found.ah_p95 / found.ah_median, 1.0)) / _Z95
    return _Z95_SE * spread / math.sqrt(found.days_used)
