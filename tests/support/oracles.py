"""Textbook formulas that the tests hold the program against; the program does not use them.

Sources: Fieller (1954), JRSS B 16:175-185; Folks and Chhikara (1978), JRSS B 40:263-289; Peng and
Tseng (2009), IEEE Trans. Reliability 58:444-455.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from analysis import physics

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FARADAY_C_PER_MOL = 96485.33212
"""CODATA; from memory, exact since 2019."""
ELECTRONS_PER_MOLECULE = 6
"""CH3OH + 1.5 O2 -> CO2 + 2 H2O."""


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """Ordinary least squares. ``covariance`` has shape (p, p)."""

    coefficients: Floats
    covariance: Floats
    residual_sd: float
    degrees: int
    r_squared: float


def least_squares(design: Floats, y: Floats) -> LeastSquares:
    """Fit ``y = design @ b`` by QR after scaling the columns.

    Parameters
    ----------
    design
        Shape (n, p), n > p, of full rank.
    y
        Shape (n,).

    Raises
    ------
    ValueError
        If there are not more rows than columns, or the columns are linearly dependent.
    """
    rows, columns = design.shape
    if rows <= columns:
        raise ValueError(f"{rows} observations cannot determine {columns} coefficients and spread")
    scale = np.sqrt((design**2).sum(axis=0))
    scale[scale == 0.0] = 1.0
    q, r = np.linalg.qr(design / scale)
    if np.abs(np.diag(r)).min() < 1e-12:
        raise ValueError("the columns of the design are linearly dependent")
    b = np.linalg.solve(r, q.T @ y)
    # One step of refinement: the residual is projected again.
    b += np.linalg.solve(r, q.T @ (y - (design / scale) @ b))
    coefficients = b / scale
    residual = y - design @ coefficients
    rss = float(residual @ residual)
    degrees = rows - columns
    inverse = np.linalg.inv(r) / scale[:, None]
    has_level = bool(np.any(np.ptp(design, axis=0) == 0.0))
    about = float(((y - y.mean()) ** 2).sum()) if has_level else float(y @ y)
    return LeastSquares(
        coefficients,
        inverse @ inverse.T * rss / degrees,
        math.sqrt(rss / degrees),
        degrees,
        1.0 - rss / about if about > 0.0 else math.nan,
    )


def fieller(
    level: float, slope: float, covariance: Floats, target: float, quantile: float
) -> tuple[float, float, float] | None:
    """Return where ``level + slope x`` meets ``target``: the place and its interval.

    Parameters
    ----------
    level, slope
        Estimates at x = 0.
    covariance
        Of (level, slope), shape (2, 2).
    target
        The level to be met.
    quantile
        Of the t or normal distribution for one side, e.g. 1.645 for 90 % in the middle.

    Returns
    -------
    (place, low, high), or None where the slope cannot be told from zero at this confidence: then
    the set is the whole line or two half-lines, and no finite interval is honest.
    """
    gap = target - level
    q2 = quantile**2
    a = slope**2 - q2 * covariance[1, 1]
    if a <= 0.0:
        return None
    b = slope * gap + q2 * covariance[0, 1]
    c = gap**2 - q2 * covariance[0, 0]
    root = math.sqrt(max(b * b - a * c, 0.0))
    return gap / slope, (b - root) / a, (b + root) / a


def first_passage_cdf(
    t: Floats, distance: float, drift: float, diffusion: float, drift_sd: float = 0.0
) -> Floats:
    """Return the probability that a Wiener process has covered ``distance`` by time t.

    Parameters
    ----------
    t
        Times, > 0.
    distance, drift, diffusion
        Distance to cover, mean drift towards it, and standard deviation after unit time.
    drift_sd
        Standard deviation of the drift from one unit (or one belief) to the next.
    """
    variance = diffusion**2 * t + drift_sd**2 * t**2
    reach = (drift * t - distance) / np.sqrt(variance)
    ratio = drift_sd**2 * distance / diffusion**2
    back = -(2.0 * ratio * t + drift * t + distance) / np.sqrt(variance)
    exponent = 2.0 * distance * drift / diffusion**2 + 2.0 * drift_sd**2 * distance**2 / (
        diffusion**4
    )
    # The exponential overflows where the tail underflows: multiply them as logarithms.
    total: Floats = special.ndtr(reach) + np.exp(exponent + special.log_ndtr(back))
    return total


def first_passage_density(t: Floats, distance: float, drift: float, diffusion: float) -> Floats:
    """Return the inverse Gaussian density of the first passage at time t."""
    scale = distance / (diffusion * np.sqrt(2.0 * math.pi * t**3))
    density: Floats = scale * np.exp(-((distance - drift * t) ** 2) / (2.0 * diffusion**2 * t))
    return density


def charge_ah_per_g() -> float:
    """Theoretical charge of methanol, Ah/g: six electrons a molecule (Faraday)."""
    return ELECTRONS_PER_MOLECULE * FARADAY_C_PER_MOL / 3600.0 / physics.METHANOL_G_PER_MOL


def effective_cell_voltage_v(l_per_kwh: float, temperature_c: float = physics.ROOM_C) -> float:
    """Cell voltage times all other efficiencies that a fuel use amounts to, V."""
    grams = 1000.0 * l_per_kwh * physics.methanol_density_kg_per_l(temperature_c)
    return 1000.0 / (grams * charge_ah_per_g())


@dataclass(frozen=True, slots=True)
class Dense:
    """A linear model with a Wiener process, solved with whole matrices."""

    evidence: float
    """Log density of the observations."""
    mean: Floats
    """Of (coefficients, wander at the nodes), shape (p + m,)."""
    covariance: Floats


def dense_normal(
    design: Floats,
    y: Floats,
    sd: Floats,
    prior: tuple[Floats, Floats],
    wander: float = 0.0,
    kh: Floats | None = None,
    node: Floats | None = None,
) -> Dense:
    """Condition a normal distribution on normal observations, as every textbook does.

    Parameters
    ----------
    design, y, sd
        Shapes (n, p), (n,), (n,).
    prior
        Mean and precision of the coefficients.
    wander
        Standard deviation of the Wiener process after unit time; it starts at zero at ``kh[0]``.
    kh, node
        Its nodes, shape (m,), and the node of each observation, shape (n,); None for none.
    """
    kh = np.zeros(1) if kh is None else kh
    node = np.zeros(len(y), dtype=int) if node is None else node
    size = design.shape[1]
    before = np.zeros((size + len(kh), size + len(kh)))
    before[:size, :size] = np.diag(1.0 / prior[1])
    before[size:, size:] = wander**2 * np.minimum.outer(kh - kh[0], kh - kh[0])
    mean = np.concatenate((prior[0], np.zeros(len(kh))))
    seen = np.hstack((design, np.eye(len(kh))[node]))
    total = seen @ before @ seen.T + np.diag(np.asarray(sd) ** 2)
    left = y - seen @ mean
    gain = np.linalg.solve(total, seen @ before).T
    evidence = -0.5 * (
        left @ np.linalg.solve(total, left)
        + np.linalg.slogdet(total)[1]
        + len(y) * math.log(2.0 * math.pi)
    )
    return Dense(float(evidence), mean + gain @ left, before - gain @ seen @ before)
