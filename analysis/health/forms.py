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

    Half of the prior follows published units and half is prudence. The powers of the hours that fit
    30 published units (15 GaAs lasers, Meeker and Escobar 1998, table C.17; 15 components, NIST
    e-Handbook 8.4.2.3) lie between 0.80 and 1.15. Twenty of them lie nearest to 1, and five nearest
    to each of 0.85 and 1.15; these three forms share two fifths of the prior in this proportion. A
    tenth goes to exponential decline, which reviews of degradation models name. The other half is
    for decline that accelerates (our choice, no source). It does not show before it has begun, so
    that only its weight protects an early forecast. Its powers stand so close together that no life
    between two of them is told badly (METHOD, "Early forecasts").

    Parameters
    ----------
    share
        Rate of the exponential form, per thousand hours: slope over level of the linear fit.
    """
    return (
        Form("linear", 0.26),
        Form("exponential", 0.1, share=share),
        Form("slowing", 0.07, power=0.85),
        Form("accelerating 1.15", 0.07, power=1.15),
        Form("accelerating 1.3", 0.1, power=1.3),
        Form("accelerating 1.5", 0.12, power=1.5),
        Form("accelerating 1.75", 0.1, power=1.75),
        Form("accelerating 2", 0.1, power=2.0),
        Form("accelerating 2.5", 0.05, power=2.5),
        Form("accelerating 3", 0.03, power=3.0),
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


def normal_posteriors(
    sites: Sites,
    walk: Walk | None,
    designs: Floats,
    priors: Sequence[tuple[Floats, Floats]],
    wander: float,
) -> tuple[Floats, Floats, Floats]:
    """Return evidence, mean and covariance of (coefficients, wander at the last node), exactly.

    Parameters
    ----------
    sites
        The nodes.
    walk
        The wander between them; None for none.
    designs
        One a form, shape (f, m, p). The matrix of the wander is factored once for all of them.
    priors
        Mean and precision of the coefficients, each of shape (p,).
    wander
        Its size.

    Returns
    -------
    Shapes (f, priors), (f, priors, p + 1) and (f, priors, p + 1, p + 1).
    """
    count, nodes, size = designs.shape
    weighted = designs * sites.precision[None, :, None]
    left = np.einsum("fmp,fmq->fpq", weighted, designs, optimize=True)
    right = np.einsum("fmp,m->fp", weighted, sites.value)
    square = float(sites.precision @ sites.value**2)
    log_det = -float(np.log(sites.precision).sum())
    gain, own, last_variance = np.zeros((count, size)), 0.0, 0.0
    if walk is not None:
        factor = walk.factor(sites.precision[1:], wander)
        cross = weighted[:, 1:]
        pulled = (sites.precision * sites.value)[1:]
        unit = np.zeros(nodes - 1)
        unit[-1] = 1.0
        flat = cross.transpose(1, 0, 2).reshape(nodes - 1, count * size)
        solved = cho_solve_banded(
            (factor, False), np.column_stack((flat, pulled, unit)), check_finite=False
        )
        of_cross = solved[:, :-2].reshape(nodes - 1, count, size)
        left = left - np.einsum("fmp,mfq->fpq", cross, of_cross, optimize=True)
        right = right - np.einsum("fmp,m->fp", cross, solved[:, -2])
        square -= float(pulled @ solved[:, -2])
        gain, own, last_variance = of_cross[-1], solved[-1, -2], solved[-1, -1]
        log_det += 2.0 * float(np.log(factor[1]).sum())
        log_det -= walk.log_det - 2.0 * len(pulled) * math.log(wander)
    means = np.array([prior[0] for prior in priors])
    precisions = np.array([prior[1] for prior in priors])
    whole = left[:, None] + np.eye(size) * precisions[:, None]
    pull = right[:, None] + precisions * means
    covariance_b = np.linalg.inv(whole)
    b = np.einsum("fkpq,fkq->fkp", covariance_b, pull)
    evidence = 0.5 * (
        np.log(precisions).sum(axis=1)
        - log_det
        - np.linalg.slogdet(whole)[1]
        - (square + (precisions * means**2).sum(axis=1) - np.einsum("fkp,fkp->fk", pull, b))
    )
    towards = -np.einsum("fkpq,fq->fkp", covariance_b, gain)
    mean = np.concatenate((b, (own - np.einsum("fp,fkp->fk", gain, b))[..., None]), axis=2)
    covariance = np.empty((count, len(priors), size + 1, size + 1))
    covariance[..., :size, :size] = covariance_b
    covariance[..., :size, size] = covariance[..., size, :size] = towards
    covariance[..., size, size] = last_variance - np.einsum("fp,fkp->fk", gain, towards)
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
    designs = np.array(
        [np.column_stack((trend_columns(form, sites.kh, now_kh), extra)) for form in candidates]
    )
    wanders = WANDERS if walk is not None else WANDERS[:1]
    prior_log = np.log([form.weight for form in candidates])[:, None]
    prior_log = prior_log + np.log([chance for chance, _ in priors])
    beliefs = [prior for _, prior in priors]
    fits = [normal_posteriors(sites, walk, designs, beliefs, float(size)) for size in wanders]
    evidence = np.array([fit[0] + prior_log for fit in fits])
    evidence -= 0.5 * np.array([wander_prior(float(size)) for size in wanders])[:, None, None]
    mean, covariance = np.array([fit[1] for fit in fits]), np.array([fit[2] for fit in fits])
    top = float(evidence.max())
    weights = np.exp(evidence - top)
    total = float(weights.sum())
    cells = tuple(
        Cell(
            candidates[form], float(wanders[size]), float(weights[size, form, place]) / total,
            mean[size, form, place], covariance[size, form, place], place,
        )
        for form, size, place in np.argwhere((weights > 1e-4 * total).transpose(1, 0, 2)).tolist()
    )  # fmt: skip
    kept = sum(cell.weight for cell in cells)
    cells = tuple(replace(cell, weight=cell.weight / kept) for cell in cells)
    last = float(sites.kh[-1])
    return Posterior(cells, now_kh, last, top + math.log(total))
