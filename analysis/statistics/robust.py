"""Robust fits of few values, with intervals that are wide enough for few values.

Errors are Student t with four degrees of freedom (Lange, Little and Taylor 1989, JASA 84:881-896),
so that a single odd value moves the fit little. The interval takes its quantile from the t
distribution with the degrees of freedom that are left. Its spread is never below ``least_sd``,
because three values may agree by chance.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from analysis.estimate import Span
from analysis.statistics.likelihood import censored_regression

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Fewest values beyond the number of coefficients: with one, the 90 % interval would be 6.3
#: standard errors wide to each side (t distribution with one degree of freedom).
LEAST_BEYOND = 2
#: Degrees of freedom of the errors; the source stands above.
_T_DEGREES = 4.0
#: Quantile of the upper end of a 90 % interval.
_UPPER_QUANTILE = 0.95


def robust_fit(design: Floats, y: Floats, least_sd: float) -> tuple[Span, ...]:
    """Return the coefficients of ``y = design @ b`` with their 90 % intervals.

    Parameters
    ----------
    design
        Shape (n, p), of full rank, with n of at least p + :data:`LEAST_BEYOND`.
    y
        Shape (n,).
    least_sd
        Least scatter of a single value, from the resolution of the sensor, in the unit of ``y``.

    Raises
    ------
    ValueError
        If there are too few values.
    """
    rows, columns = design.shape
    degrees = rows - columns
    if degrees < LEAST_BEYOND:
        raise ValueError(f"{rows} values are too few for {columns} coefficients")
    exact = np.zeros(rows, dtype=bool)
    fit = censored_regression(design, y, exact, _T_DEGREES)
    # The likelihood's covariance ignores the degrees of freedom that the coefficients take.
    variance = np.diag(fit.covariance)[:columns] * rows / degrees
    floor = np.diag(np.linalg.inv(design.T @ design)) * least_sd**2
    half = special.stdtrit(degrees, _UPPER_QUANTILE) * np.sqrt(np.maximum(variance, floor))
    return tuple(
        Span(float(b - h), float(b), float(b + h))
        for b, h in zip(fit.coefficients, half, strict=True)
        if math.isfinite(b)
    )


def robust_mean(y: Floats, least_sd: float) -> Span:
    """Return the location of ``y`` with its 90 % interval; unknown where values are too few."""
    if len(y) < 1 + LEAST_BEYOND:
        return Span()
    return robust_fit(np.ones((len(y), 1)), y, least_sd)[0]
