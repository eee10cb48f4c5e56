"""A normal of which it is known that it is positive.

The truncated normal of Johnson, Kotz and Balakrishnan 1994, Continuous Univariate Distributions 1,
section 10.1 (from memory; the tests hold the closed forms against quadrature).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Least standard deviation: what is known without error stays where it is.
_LEAST_SD = 1e-12


def log_chance(mean: Floats, sd: Floats) -> Floats:
    """Return the logarithm of the chance that a normal is positive; finite far below zero too."""
    found: Floats = special.log_ndtr(mean / np.maximum(sd, _LEAST_SD))
    return found


def weighed(weights: Floats, mean: Floats, sd: Floats) -> Floats:
    """Return the weights of a mixture of normals once it is known to be positive; sum to one."""
    with np.errstate(divide="ignore"):
        log_weight = np.log(weights) + log_chance(mean, sd)
    found: Floats = np.exp(log_weight - special.logsumexp(log_weight))
    return found


def draw(mean: Floats, sd: Floats, rng: np.random.Generator) -> Floats:
    """Draw from normals that are known to be positive; as many as there are means."""
    sd = np.maximum(sd, _LEAST_SD)
    above = np.log(1.0 - rng.random(len(mean))) + log_chance(mean, sd)
    found: Floats = np.maximum(mean - sd * special.ndtri_exp(above), 0.0)
    return found
