"""The power that a charger must give to carry this boat's load, and how well it is known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.estimate import Z90
from analysis.load.daily import CHARGING_V
from analysis.physics import blocks_in_series

if TYPE_CHECKING:
    from analysis.load.daily import LoadResult

#: What the voltages at which charge is given and drawn may be wrong by, as a part of them.
_VOLTAGE_SD = 0.04
#: Standard error of a normal sample's 95 % quantile, in standard deviations times the root of the
#: number: sqrt(p (1 - p)) over the density there.
_Z95_SE = 2.11


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
    blocks = blocks_in_series(found.voltage_v)
    power_w = found.ah_p95 / found.efficiency * CHARGING_V * blocks / 24.0
    return LoadLimit(power_w, math.hypot(_mean_sd(found), _rare_day_sd(found), _VOLTAGE_SD))


def _mean_sd(found: LoadResult) -> float:
    """Return the relative standard deviation of the mean day."""
    low, middle, high = found.ah.low, found.ah.median, found.ah.high
    if low is None or middle is None or high is None or middle <= 0.0:
        return 0.0
    return (high - low) / (2.0 * Z90 * middle)


def _rare_day_sd(found: LoadResult) -> float:
    """Return the relative standard error of the rare day over the usual one."""
    if not found.ah_p95 or not found.ah_median or found.days_used < 1:
        return 0.0
    spread = math.log(max(found.ah_p95 / found.ah_median, 1.0)) / Z90
    return _Z95_SE * spread / math.sqrt(found.days_used)
