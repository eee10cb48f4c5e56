"""Present output relative to when the log of this life began: no gain of a sensor touches it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.health.forms import mixture_quantile, trend_columns

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.forms import Posterior

    Floats = NDArray[np.float64]


def relative_output(posterior: Posterior, from_kh: float, extra: Floats, systematic: float) -> Span:
    """Return the present output over that at ``from_kh`` (thousand hours of this life).

    Each cell gives both levels as one normal; their quotient is taken as normal about the quotient
    of the means, which is good to a part in a thousand while both are known to a few per cent.

    Parameters
    ----------
    posterior
        What is known.
    from_kh
        Hours of the first node.
    extra
        Values of the further columns there (steps, early transient; heat zero), shape (q,).
    systematic
        What all figures may be wrong by alike, fraction of rated. Not all of it is alike at both
        times (a season that was not logged as temperature), so all of it is added.
    """
    means, sds = [], []
    ahead = max(posterior.now_kh - posterior.last_kh, 0.0)
    for cell in posterior.cells:
        size = len(cell.mean)
        pick = np.zeros((2, size))
        pick[0, 0] = pick[0, -1] = 1.0
        pick[1, :2] = trend_columns(cell.form, np.array([from_kh]), posterior.now_kh)[0]
        pick[1, 2 : size - 1] = extra
        now, start = pick @ cell.mean
        covariance = pick @ cell.covariance @ pick.T
        covariance[0, 0] += cell.wander**2 * ahead
        ratio = now / max(start, 1e-3)
        direction = np.array([1.0, -ratio]) / max(start, 1e-3)
        means.append(ratio)
        variance = max(float(direction @ covariance @ direction), 0.0)
        sds.append(math.hypot(math.sqrt(variance), systematic / max(start, 1e-3)))
    weights = posterior.weights()
    ends = (mixture_quantile(np.array(means), np.array(sds), weights, p) for p in (0.05, 0.5, 0.95))
    return Span(*(max(end, 0.0) for end in ends))
