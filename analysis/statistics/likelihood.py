"""Small regression core: censored normal and t likelihood, robust slope.

The health estimate sees each run through :func:`site`: the likelihood, with its derivatives, of one
observation that is either a value or a lower bound.

Sources
-------
Tobin (1958), Econometrica 26:24-36 (censored normal regression); Lange, Little and Taylor (1989),
JASA 84:881-896 (t errors); Sen (1968), JASA 63:1379-1389.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    intercept: float
    slope: float


@dataclass(frozen=True, slots=True)
class CensoredFit:
    """Maximum of a censored likelihood; ``covariance`` of (coefficients, ln scale)."""

    coefficients: Floats
    scale: float
    log_likelihood: float
    covariance: Floats
    iterations: int


def site(
    y: Floats, mean: Floats, scale: Floats | float, nu: float, bound: Flags
) -> tuple[Floats, Floats, Floats]:
    """Return log-likelihood, and its first two derivatives with respect to z, of observations.

    With z = (y - mean) / scale, an exact value contributes ln f(z) - ln scale, a lower bound
    (``bound`` true: the truth is above y) ln S(z).

    Parameters
    ----------
    y, mean, scale
        Observations, their expectation, their scale; shapes that broadcast to (n,).
    nu
        Degrees of freedom of the t density; infinity for the normal.
    bound
        Which observations are lower bounds, shape (n,).

    Returns
    -------
    log_likelihood, first, second
        Each of shape (n,); derivatives are with respect to z.
    """
    z = (y - mean) / scale
    spread = np.broadcast_to(np.asarray(scale, dtype=float), z.shape)
    value = np.empty_like(z)
    first, second = np.empty_like(z), np.empty_like(z)
    exact = ~bound
    ze = z[exact]
    if math.isinf(nu):
        value[exact] = -0.5 * ze**2 - 0.5 * math.log(2.0 * math.pi) - np.log(spread[exact])
        first[exact], second[exact] = -ze, -1.0
    else:
        value[exact] = _t_constant(nu) - 0.5 * (nu + 1.0) * np.log1p(ze**2 / nu)
        value[exact] -= np.log(spread[exact])
        first[exact] = -(nu + 1.0) * ze / (nu + ze**2)
        second[exact] = -(nu + 1.0) * (nu - ze**2) / (nu + ze**2) ** 2
    if bound.any():
        zc = z[bound]
        if math.isinf(nu):
            tail = special.log_ndtr(-zc)
            hazard = np.exp(-0.5 * zc**2 - 0.5 * math.log(2.0 * math.pi) - tail)
            bend = -zc
        else:
            # The left tail at -z keeps its digits, while 1 - cdf(z) would lose them.
            tail = np.log(np.maximum(special.stdtr(nu, -zc), 1e-300))
            density = _t_constant(nu) - 0.5 * (nu + 1.0) * np.log1p(zc**2 / nu)
            hazard = np.exp(density - tail)
            bend = -(nu + 1.0) * zc / (nu + zc**2)
        value[bound] = tail
        first[bound] = -hazard
        second[bound] = -hazard * (bend + hazard)
    return value, first, second


def _t_constant(nu: float) -> float:
    return math.lgamma(0.5 * (nu + 1.0)) - math.lgamma(0.5 * nu) - 0.5 * math.log(nu * math.pi)


def censored_regression(
    design: Floats, y: Floats, bound: Flags, nu: float = math.inf
) -> CensoredFit:
    """Maximise the likelihood of values and lower bounds over coefficients and scale.

    Newton's method on (b, ln s) with step halving; the normal case is concave after Olsen's
    change of parameters, and the start by least squares over all rows is inside its basin.

    Parameters
    ----------
    design
        Shape (n, p).
    y
        Values, or the bounds above which they lie, shape (n,).
    bound
        Which rows are lower bounds.
    nu
        Degrees of freedom of t errors; infinity for normal errors.

    Raises
    ------
    ValueError
        If there are fewer exact values than coefficients: then nothing limits the level upwards.
    """
    _rows, columns = design.shape
    if (~bound).sum() < columns:
        raise ValueError("too few values that are not merely bounds")
    size = np.sqrt((design**2).mean(axis=0))
    size[size == 0.0] = 1.0
    x = design / size
    b = np.linalg.lstsq(x, y, rcond=None)[0]
    residual = y - x @ b
    log_s = math.log(max(float(np.sqrt((residual**2).mean())), 1e-12))

    def evaluate(theta: Floats) -> tuple[float, Floats, Floats]:
        s = math.exp(theta[-1])
        value, first, second = site(y, x @ theta[:-1], s, nu, bound)
        z = (y - x @ theta[:-1]) / s
        exact = ~bound
        gradient = np.empty(columns + 1)
        gradient[:-1] = -(x.T @ first) / s
        gradient[-1] = -float(first @ z) - float(exact.sum())
        hessian = np.empty((columns + 1, columns + 1))
        hessian[:-1, :-1] = (x.T * second) @ x / s**2
        hessian[:-1, -1] = hessian[-1, :-1] = x.T @ (first + second * z) / s
        hessian[-1, -1] = float(first @ z + second @ z**2)
        return float(value.sum()), gradient, hessian

    theta = np.append(b, log_s)
    value, gradient, hessian = evaluate(theta)
    iterations = 0
    for iterations in range(1, 101):  # noqa: B007 - reported with the fit
        step = _ascent(hessian, gradient)
        size_of_step = 1.0
        while True:
            candidate = theta + size_of_step * step
            new = evaluate(candidate)
            if new[0] >= value - 1e-12 * abs(value) or size_of_step < 1e-8:
                break
            size_of_step *= 0.5
        moved = float(np.abs(candidate - theta).max())
        theta, (value, gradient, hessian) = candidate, new
        if moved < 1e-11 * (1.0 + float(np.abs(theta).max())):
            break
    covariance: Floats = np.asarray(np.linalg.pinv(-hessian, hermitian=True), dtype=float)
    back = np.append(1.0 / size, 1.0)
    return CensoredFit(
        theta[:-1] / size,
        math.exp(theta[-1]),
        value,
        covariance * np.outer(back, back),
        iterations,
    )


def _ascent(hessian: Floats, gradient: Floats) -> Floats:
    """Return Newton's step, turned uphill where the Hessian is not negative definite."""
    values, vectors = np.linalg.eigh(-hessian)
    floor = max(1e-10 * float(np.abs(values).max()), 1e-300)
    step: Floats = vectors @ ((vectors.T @ gradient) / np.maximum(np.abs(values), floor))
    longest = float(np.abs(step).max())
    return step if longest <= 5.0 else step * (5.0 / longest)


def theil_sen(x: Floats, y: Floats) -> Line:
    """Return the median of all pairwise slopes and the intercept through the medians.

    It computes n (n - 1) / 2 slopes, so thin out long series first. Source: Sen (1968).
    """
    first, second = np.triu_indices(len(x), 1)
    run = x[second] - x[first]
    apart = run != 0.0
    if not apart.any():
        return Line(float(np.median(y)), 0.0)
    slope = float(np.median((y[second] - y[first])[apart] / run[apart]))
    return Line(float(np.median(y)) - slope * float(np.median(x)), slope)
