"""Quantiles of the values of single runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def quantile_of(values: Floats, part: float) -> float:
    """Return a quantile of finite values, linear between two of them as ``np.quantile``.

    For a thousand values numpy's own functions take three to ten times as long, most of it for
    axes, weights and kinds of number. A log has many runs, and each check asks each of them.

    Parameters
    ----------
    values
        At least one, none of them NaN.
    part
        Which quantile, 0 to 1; 0.5 is the median.
    """
    place = part * (len(values) - 1)
    below = int(place)
    above = min(below + 1, len(values) - 1)
    ordered = np.partition(values, (below, above))
    low, high = float(ordered[below]), float(ordered[above])
    return low + (high - low) * (place - below)
