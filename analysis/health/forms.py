"""Compares forms of decline on the summarised nodes, and averages over them by evidence.

The forms are linear, exponential (a constant share of what is left), and powers of the running
hours that slow down or accelerate. Each pair of a form and a size of the wander is one cell with an
exact normal posterior. All results are mixtures over the cells, so an unknown form widens them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from scipy.linalg import cho_solve_banded

from analysis.health.trend import WANDERS, Sites, Walk, wander_prior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


#: Of several priors, the first one gives the figure while it keeps this chance: among two that were
#: as likely before, odds of three to one count as weak (common practice, no source). The figure
#: then lies in the 90 % interval over all priors: half of a chance of 0.1 on each side is enough.
LEAST_USUAL = 0.25


@dataclass(frozen=True, slots=True)
class Form:
    """A form of the decline over running hours since new or renewed.

    ``power`` p: loss grows as h^p; ``share`` k > 0: loss grows as 1 - exp(-k h), h in thousands.
    """

    name: str
    weight: float
    """Prior probability."""
    power: float = 1.0
    share: float = 0.0

    def loss(self, kh: Floats | float) -> Floats:
        """Return the loss up to a factor at ``kh`` thousand hours."""
        hours = np.maximum(np.asarray(kh, dtype=float), 0.0)
        if self.share > 0.0:
            return np.asarray(-np.expm1(-self.share * hours))
        return np.asarray(hours**self.power)

    def rate(self, kh: float) -> float:
        """Return the derivative of :meth:`loss`."""
        hours = max(kh, 1e-6)
        if self.share > 0.0:
            return self.share * math.exp(-self.share * hours)
        return float(self.power * hours ** (self.power - 1.0))


def forms(share: float) -> tuple[Form, ...]:
    """Return the forms that are compared.

    Published stacks decline linearly most often, so that form has the largest prior weight. The
    others are named in reviews of degradation models. The weights are a judgement, no source: half
    of them is given to decline that accelerates. It does not show before it has begun, so that only
    its weight protects an early forecast, while decline that slows down shows at once. No unit of
    two published sets slows down more than to the power 0.80 (15 GaAs lasers, Meeker and Escobar
    1998, table C.17: 0.84 to 1.11; 15 components, NIST e-Handbook 8.4.2.3: 0.80 to 1.15), so 0.85
    stands for those. METHOD, "Early forecasts", compares these weights with those before.

    Parameters
    ----------
    share
        Rate of the exponential form, per thousand hours: slope over level of the linear fit.
    """
    return (
        Form("linear", 0.35),
        Form("exponential", 0.1, share=share),
        Form("slowing", 0.05, power=0.85),
        Form("accelerating 1.5", 0.2, power=1.5),
        Form("accelerating 2", 0.2, power=2.0),
        Form("accelerating 3", 0.1, power=3.0),
    )


def trend_columns(form: Form, kh: Floats, now_kh: float) -> Floats:
    """Return the two columns of a form at ``kh``, shape (n, 2).

    Their coefficients are the level at ``now_kh`` and the mean loss per thousand hours from new
    until then. So one prior suits all forms.
    """
    scale = float(form.loss(now_kh)) / max(now_kh, 1e-6)
    return np.column_stack((np.ones_like(kh), -(form.loss(kh) - form.loss(now_kh)) / scale))


def slope_factor(form: Form, now_kh: float) -> float:
    """Return the present slope over the mean slope since new."""
    scale = float(form.loss(now_kh)) / max(now_kh, 1e-6)
    return form.rate(now_kh) / scale


@dataclass(frozen=True, slots=True)
class Cell:
    """Normal posterior for one form and one size of wander."""

    form: Form
    wander: float
    weight: float
    """Posterior probability."""
    mean: Floats
    """Of (coefficients, wander at the last node), shape (p + 1,)."""
    covariance: Floats
    prior: int = 0
    """Place of its prior among those that were weighed; 0 is the usual one."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mixture over forms, sizes of the wander, and priors."""

    cells: tuple[Cell, ...]
    now_kh: float
    """Hours at which the level is stated."""
    last_kh: float
    """Hours of the last node; beyond it nothing observes the wander."""
    evidence: float

    def level(self) -> tuple[Floats, Floats, Floats]:
        """Return means, standard deviations and weights of the present output by cell."""
        mean = np.array([c.mean[0] + c.mean[-1] for c in self.cells])
        ahead = max(self.now_kh - self.last_kh, 0.0)
        variance = np.array(
            [
                c.covariance[0, 0]
                + c.covariance[-1, -1]
                + 2.0 * c.covariance[0, -1]
                + c.wander**2 * ahead
                for c in self.cells
            ]
        )
        return mean, np.sqrt(variance), self.weights()

    def slope(self) -> tuple[Floats, Floats, Floats]:
        """Return means, standard deviations and weights of the present loss per 1000 h."""
        factor = np.array([slope_factor(c.form, self.now_kh) for c in self.cells])
        mean = np.array([c.mean[1] for c in self.cells]) * factor
        return mean, np.sqrt([c.covariance[1, 1] for c in self.cells]) * factor, self.weights()

    def weights(self) -> Floats:
        """Return the posterior probabilities of the cells."""
        return np.array([c.weight for c in self.cells])

    @property
    def usual_leads(self) -> bool:
        """Whether the evidence leaves the usual prior a chance of at least :data:`LEAST_USUAL`."""
        return sum(c.weight for c in self.cells if c.prior == 0) >= LEAST_USUAL

    def weights_for(self, probability: float) -> Floats:
        """Return the weights of the cells for a quantile.

        The figure itself, the median, is that of the usual prior while that one leads; both ends
        are those of all priors together, so they enclose it.
        """
        weights = self.weights()
        if probability == 0.5 and self.usual_leads:
            weights = np.where([c.prior == 0 for c in self.cells], weights, 0.0)
        shares: Floats = weights / weights.sum()
        return shares


def mixture_quantile(means: Floats, sds: Floats, weights: Floats, probability: float) -> float:
    """Return a quantile of a mixture of normals by bisection."""
    sds = np.maximum(sds, 1e-12)
    low, high = float((means - 10.0 * sds).min()), float((means + 10.0 * sds).max())
    for _ in range(80):
        middle = 0.5 * (low + high)
        if float(weights @ special.ndtr((middle - means) / sds)) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def normal_posterior(
    sites: Sites,
    walk: Walk | None,
    design: Floats,
    prior: tuple[Floats, Floats],
    wander: float,
) -> tuple[float, Floats, Floats]:
    """Return evidence, mean and covariance of (coefficients, wander at the last node), exactly."""
    weighted = design * sites.precision[:, None]
    left = design.T @ weighted + np.diag(prior[1])
    right = weighted.T @ sites.value + prior[1] * prior[0]
    square = float(sites.precision @ sites.value**2) + float(prior[1] @ prior[0] ** 2)
    size = design.shape[1]
    log_det = 0.0
    gain, own, last_variance = np.zeros(size), 0.0, 0.0
    if walk is not None:
        factor = walk.factor(sites.precision[1:], wander)
        cross = weighted[1:]
        pulled = (sites.precision * sites.value)[1:]
        unit = np.zeros(len(pulled))
        unit[-1] = 1.0
        solved = cho_solve_banded(
            (factor, False), np.column_stack((cross, pulled, unit)), check_finite=False
        )
        left = left - cross.T @ solved[:, :size]
        right = right - cross.T @ solved[:, size]
        square -= float(pulled @ solved[:, size])
        gain, own, last_variance = solved[-1, :size], solved[-1, size], solved[-1, size + 1]
        log_det = 2.0 * float(np.log(factor[1]).sum())
        log_det -= walk.log_det - 2.0 * len(pulled) * math.log(wander)
    covariance_b = np.linalg.inv(left)
    b = covariance_b @ right
    evidence = 0.5 * (
        float(np.log(sites.precision).sum())
        + float(np.log(prior[1]).sum())
        - log_det
        - float(np.linalg.slogdet(left)[1])
        - (square - float(right @ b))
    )
    mean = np.append(b, own - gain @ b)
    covariance = np.empty((size + 1, size + 1))
    covariance[:size, :size] = covariance_b
    covariance[:size, size] = covariance[size, :size] = -covariance_b @ gain
    covariance[size, size] = last_variance + gain @ covariance_b @ gain
    return evidence, mean, covariance


def compare(
    sites: Sites,
    candidates: Sequence[Form],
    now_kh: float,
    extra: Floats,
    priors: Sequence[tuple[float, tuple[Floats, Floats]]],
) -> Posterior:
    """Weigh all forms, sizes of wander and priors by their evidence.

    Parameters
    ----------
    sites
        The nodes.
    candidates
        Forms to compare.
    now_kh
        Hours at which level and slope are stated.
    extra
        Further columns at the nodes (steps, early transient, heat), shape (m, q).
    priors
        Each with its probability: mean and precision of (level, slope, extra coefficients), shapes
        (2 + q,).
    """
    walk = Walk.over(sites.kh) if len(sites.kh) > 1 else None
    found: list[tuple[float, Form, float, Floats, Floats, int]] = []
    for form in candidates:
        design = np.column_stack((trend_columns(form, sites.kh, now_kh), extra))
        for wander in WANDERS if walk is not None else WANDERS[:1]:
            for place, (chance, prior) in enumerate(priors):
                fit = normal_posterior(sites, walk, design, prior, float(wander))
                evidence = fit[0] + math.log(form.weight * chance)
                evidence -= 0.5 * wander_prior(float(wander))
                found.append((evidence, form, float(wander), fit[1], fit[2], place))
    evidences = np.array([f[0] for f in found])
    top = float(evidences.max())
    weights = np.exp(evidences - top)
    total = float(weights.sum())
    cells = tuple(
        Cell(form, wander, float(weight) / total, mean, covariance, place)
        for weight, (_, form, wander, mean, covariance, place) in zip(weights, found, strict=True)
        if weight > 1e-4 * total
    )
    kept = sum(cell.weight for cell in cells)
    cells = tuple(replace(cell, weight=cell.weight / kept) for cell in cells)
    last = float(sites.kh[-1])
    return Posterior(cells, now_kh, last, top + math.log(total))
