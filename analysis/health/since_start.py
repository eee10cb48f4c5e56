"""Present output over the output when the log of this life began.

A wrong gain of the current sensor cancels out of this quotient.
"""

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

    Each cell gives both levels as one bivariate normal. Their quotient is taken as normal about the
    quotient of the means; the error is one part in a thousand while both are known to a few per
    cent.

    Parameters
    ----------
    posterior
        Level, decline and wander.
    from_kh
        Hours of the first node.
    extra
        Values of the further columns there (steps, early transient; heat zero), shape (q,).
    systematic
        Common error of all figures (one sd), fraction of rated. Part of it may differ between the
        two times (a season without logged temperature), so all of it is added.
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
    ends = (
        mixture_quantile(np.array(means), np.array(sds), posterior.weights_for(p), p)
        for p in (0.05, 0.5, 0.95)
    )
    return Span(*(max(end, 0.0) for end in ends))
