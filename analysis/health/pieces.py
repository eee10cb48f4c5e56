"""How much the days of one long run tell: less than as many runs.

A run of several days is cut into days, each with a figure. What differs from run to run, such as
the state in which the charger started, lasts as long as the run, so those days share part of their
error. Taken as independent, the runs would look like slow fluctuations of the charger itself, and
its forecast would be too wide.

The share that they have in common, the intraclass correlation rho, is found from the figures. Each
day of a run of m days then counts as 1 / (1 + (m - 1) rho) of a figure: the design effect of
Kish 1965, Survey Sampling, section 5.4 (from memory; a test holds it against the exact variance).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import MAD_TO_SD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Flags = NDArray[np.bool_]

#: Correlations that are weighed, each as likely before the figures are seen. One of 1 is left out:
#: a meter and the weather change from day to day.
_CORRELATIONS = np.linspace(0.0, 0.95, 20)
#: Differences of neighbours overlap: three of them tell as much as two independent ones (the
#: variance of a sum of squares of differences of white noise).
_OVERLAP = 2.0 / 3.0
#: A difference counts at most as so many robust standard deviations: odd runs happen.
_MOST_SD = 3.0


def shared(value: Floats, of_run: Indices) -> float:
    """Return the part of their error that the days of one run have in common, 0 to 0.95.

    The mean over :data:`_CORRELATIONS`, by the evidence of normal differences of unknown size:
    those inside runs vary as 1 - rho, those from one run to the next as 1.

    Parameters
    ----------
    value
        Figures of days in order of hours, heat and other known causes taken out, shape (n,).
    of_run
        The run that each belongs to, shape (n,).
    """
    apart, same = np.diff(value), np.diff(of_run) == 0
    inside, between = _square(apart[same]), _square(apart[~same])
    within, count = _OVERLAP * same.sum(), _OVERLAP * len(apart)
    left = 1.0 - _CORRELATIONS
    total = np.maximum(inside / left + between, 1e-30)
    log_chance = -0.5 * within * np.log(left) - 0.5 * count * np.log(total)
    chance = np.exp(log_chance - log_chance.max())
    return float(chance @ _CORRELATIONS / chance.sum())


def _square(apart: Floats) -> float:
    """Return the sum of squares of differences, the odd ones cut."""
    if len(apart) == 0:
        return 0.0
    most = _MOST_SD * MAD_TO_SD * float(np.median(np.abs(apart)))
    return float((np.minimum(np.abs(apart), most) ** 2).sum())


def weights(value: Floats, bound: Flags, of_run: Indices) -> Floats:
    """Return how much of an independent figure each day is, shape (n,); 1 for a run by itself.

    Parameters
    ----------
    value, of_run
        As in :func:`shared`.
    bound
        Which figures are lower bounds: they do not tell how much is shared.
    """
    _, place, days = np.unique(of_run, return_inverse=True, return_counts=True)
    number = days[place].astype(np.float64)
    if number.max(initial=1.0) == 1.0:
        return np.ones(len(value))
    rho = shared(value[~bound], of_run[~bound])
    return 1.0 / (1.0 + (number - 1.0) * rho)
