"""A normal of which it is known that it is positive.

The truncated normal of Johnson, Kotz and Balakrishnan 1994, Continuous Univariate Distributions 1,
section 10.1 (from memory; the tests hold the closed forms against quadrature). With ``rare`` above
zero its density is multiplied by x / (x + rare): values far below ``rare`` are as rare as they are
small, and others keep their chances.
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


#: Quantiles that stand for a normal where its mean is taken.
_PLACES = (np.arange(32) + 0.5) / 32.0
#: Rounds of drawing again what is too rare; in the last one everything counts. A normal of which so
#: little is kept gets next to no weight beside others.
_MOST_ROUNDS = 100


def log_chance(mean: Floats, sd: Floats, rare: float = 0.0) -> Floats:
    """Return the logarithm of the chance that a normal is positive; finite far below zero too.

    With ``rare``, of the chance that it is positive and kept; means of the shape (n,).
    """
    sd = np.maximum(sd, _LEAST_SD)
    found: Floats = special.log_ndtr(mean / sd)
    if rare > 0.0:
        above = np.log(_PLACES) + found[:, None]
        value = np.maximum(mean[:, None] - sd[:, None] * special.ndtri_exp(above), _LEAST_SD)
        found = found + np.log((value / (value + rare)).mean(axis=1))
    return found


def weighed(weights: Floats, mean: Floats, sd: Floats, rare: float = 0.0) -> Floats:
    """Return the weights of a mixture of normals once it is known to be positive; sum to one."""
    with np.errstate(divide="ignore"):
        log_weight = np.log(weights) + log_chance(mean, sd, rare)
    found: Floats = np.exp(log_weight - special.logsumexp(log_weight))
    return found


def draw(mean: Floats, sd: Floats, rng: np.random.Generator, rare: float = 0.0) -> Floats:
    """Draw from normals that are known to be positive; as many as there are means."""
    sd = np.maximum(sd, _LEAST_SD)
    drawn = _draw(mean, sd, rng)
    left = np.arange(len(drawn))
    for _ in range(_MOST_ROUNDS if rare > 0.0 else 0):
        left = left[rng.random(len(left)) * (drawn[left] + rare) > drawn[left]]
        if len(left) == 0:
            break
        drawn[left] = _draw(mean[left], sd[left], rng)
    return drawn


def _draw(mean: Floats, sd: Floats, rng: np.random.Generator) -> Floats:
    above = np.log(1.0 - rng.random(len(mean))) + log_chance(mean, sd)
    found: Floats = np.maximum(mean - sd * special.ndtri_exp(above), 0.0)
    return found
