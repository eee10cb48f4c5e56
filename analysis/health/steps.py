"""Finds sudden changes of available output and keeps them out of the slope.

For every place between two nodes, the evidence of a model with a step there is compared with the
model without. Both have trend and wander. A step counts where the odds clearly favour it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.health.trend import WANDERS, Sites, Walk, wander_prior

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Prior rate of steps per thousand running hours: about one in the life of every third charger
#: (judgement, no source).
RATE_PER_KH = 0.05
#: Prior standard deviation of the size of a step, fraction of rated (judgement, no source).
SIZE = 0.12
#: Least odds for a step: "strong" evidence on the scale of Kass and Raftery (1995), JASA 90:773-795
#: (the scale from memory).
LEAST_ODDS = 20.0
#: Smaller changes count as wander, fraction of rated: they change no decision (judgement, no
#: source).
LEAST_CHANGE = 0.025
#: Most steps looked for in one life; it bounds the time of the search.
MOST_STEPS = 8


@dataclass(frozen=True, slots=True)
class Found:
    """A step between the nodes ``node - 1`` and ``node``."""

    node: int
    log_odds: float
    change: float


def strongest_step(
    sites: Sites,
    design: Floats,
    prior: tuple[Floats, Floats],
    wanders: Floats = WANDERS,
    size: float = SIZE,
    rate_per_kh: float = RATE_PER_KH,
) -> Found | None:
    """Return the step with the highest evidence over all places and sizes of the wander.

    Parameters
    ----------
    sites
        The nodes.
    design
        Columns of the model without a step, at the nodes, shape (m, p).
    prior
        Mean and precision of their coefficients.
    wanders
        Sizes of the wander to average over; an array with a single zero for none.
    size
        Prior standard deviation of the change.
    rate_per_kh
        Prior rate of steps.
    """
    count = len(sites.kh)
    if count < 4:
        return None
    walk = Walk.over(sites.kh)
    places = np.arange(1, count)
    with_step, without = [], []
    changes = []
    for wander in wanders:
        evidence, gain, change = _scan(sites, walk, design, prior, float(wander), size)
        if wander > 0.0:
            evidence -= 0.5 * wander_prior(float(wander))
        without.append(evidence)
        with_step.append(evidence + gain)
        changes.append(change)
    base = _log_sum(np.array(without), axis=0)
    by_place = _log_sum(np.stack(with_step), axis=0) - base
    # A step may lie anywhere between two nodes, so a longer gap is more likely to hold one. A gap
    # in the log is no evidence by itself, so at most fifty hours of it count.
    room = np.minimum(np.diff(sites.kh), 0.05)
    log_odds = by_place + np.log(rate_per_kh * room)
    best = int(np.argmax(log_odds))
    total = float(_log_sum(log_odds, axis=0))
    most = int(np.argmax(np.stack(with_step)[:, best]))
    return Found(int(places[best]), total, float(changes[most][best]))


def _scan(
    sites: Sites,
    walk: Walk,
    design: Floats,
    prior: tuple[Floats, Floats],
    wander: float,
    size: float,
) -> tuple[float, Floats, Floats]:
    """Return the evidence without a step, the gain and the change for a step at each place."""
    count = len(design)
    precision = sites.precision

    def whitened(columns: Floats) -> Floats:
        """Multiply with the inverse covariance of the nodes (wander and noise)."""
        weighted = precision[:, None] * columns
        if wander <= 0.0:
            return weighted
        weighted[1:] -= precision[1:, None] * walk.solve(precision[1:], wander, weighted[1:])
        return weighted

    log_det = -float(np.log(precision).sum())
    if wander > 0.0:
        factor = walk.factor(precision[1:], wander)
        log_det += 2.0 * float(np.log(factor[1]).sum())
        log_det -= walk.log_det - 2.0 * (count - 1) * math.log(wander)
    centred = sites.value - design @ prior[0]
    white_x = whitened(design)
    white_y = whitened(centred[:, None])[:, 0]
    left = design.T @ white_x + np.diag(prior[1])
    inverse = np.linalg.inv(left)
    b = inverse @ (design.T @ white_y)
    evidence = 0.5 * (
        -log_det
        - float(np.linalg.slogdet(left)[1])
        + float(np.log(prior[1]).sum())
        - (float(centred @ white_y) - float(b @ left @ b))
    )
    # A step is a column of ones from place k on.
    steps = np.tril(np.ones((count, count)))[:, 1:]
    white_steps = whitened(steps)
    own = np.einsum("ij,ij->j", steps, white_steps)
    cross = white_steps.T @ design
    pull = white_steps.T @ centred - cross @ b
    norm = own - np.einsum("ij,jk,ik->i", cross, inverse, cross)
    norm = np.maximum(norm, 0.0)
    gain = 0.5 * (pull**2 / (norm + size**-2) - np.log1p(norm * size**2))
    return evidence, gain, pull / (norm + size**-2)


def _log_sum(values: Floats, axis: int) -> Floats:
    top = values.max(axis=axis, keepdims=True)
    total: Floats = np.log(np.exp(values - top).sum(axis=axis)) + np.squeeze(top, axis=axis)
    return total
