"""The prior of the sisters: what older chargers of one type say about the life of a young one.

Empirical Bayes. The logarithm of the life T (thousand running hours until :data:`LOSS` of rated is
lost) is normal among sisters; form of decline and size of wander have weights of their own. From
each sister's cells the estimator's own prior is divided out, the rest is evaluated on a grid of
log T; mean, spread and weights are fitted by EM (Dempster, Laird and Rubin 1977, JRSS B 39:1-38),
and what few sisters leave open about mean and spread is integrated out. The construction is that
of Lu and Meeker 1993, Technometrics 35:161-174, with the estimator's mixture in place of a least
squares fit (their paper by citation, not read whole).

A boat is never in its own prior. Young sisters alone make a forecast surer than it may be (15 GaAs
lasers, Meeker and Escobar 1998, table C.17: 7 of 15 intervals held), so the prior is used only
where at least :data:`LEAST_OLD` sisters have passed half the loss.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaln, logsumexp

from analysis.health.forms import forms
from analysis.health.life import SLOPE_SPREAD
from analysis.health.trend import WANDERS, wander_prior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.fleet.sketch import Sketch

    Floats = NDArray[np.float64]

#: The loss over which lives are compared, fraction of rated: new until the usual replacement limit.
LOSS = 0.4
#: Log T, thousand hours: from 400 h to 200,000 h.
GRID = np.linspace(math.log(0.4), math.log(200.0), 240)
#: Sisters that must have passed half the loss before the prior is used (our choice, held by the
#: lasers of METHOD.md).
LEAST_OLD = 3
#: Sisters that a prior is fitted on at most: more of them change no figure (our choice).
MOST_SISTERS = 200
#: Prior of the mean of log T: wide round the usual life. Prior of the spread: scaled inverse chi
#: squared; lives of one type differ by a third or so (published stack tests scatter so; judgement).
_MEAN_SD = 1.0
_SPREAD, _SPREAD_DF = 0.35, 3.0
#: Part of the loss from which a sister has a say on the weights of the forms. Before, a log tells
#: little of its form, and what it tells errs alike in all: at a true mix of forms, sisters before
#: seven tenths of their lives gave decline that accelerates 0.21 where 0.33 was due, older ones
#: 0.31.
_SAYS_FROM = 0.75
#: The default weights of the forms count as so many sisters. Each number is as likely at first; old
#: sisters weigh them. Sisters of one form soon outweigh the defaults, those of all forms hardly do.
_FORM_COUNTS = np.array([3.0, 10.0, 30.0, 100.0])
#: The default weights of the wander count as so many sisters (METHOD section 9).
_WANDER_COUNT = 10.0
#: Rounds of EM at most: it ends earlier where nothing moves any more.
_ROUNDS = 60
#: Grid over mean and spread: standard errors, and logarithm of the spread.
_MEANS, _SPREADS = np.linspace(-3.0, 3.0, 13), np.linspace(-1.0, 1.0, 11)

FORM_WEIGHTS = np.array([form.weight for form in forms(0.05)])
WANDER_WEIGHTS = np.exp(-0.5 * np.array([wander_prior(float(w)) for w in WANDERS]))
WANDER_WEIGHTS /= WANDER_WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class Prior:
    """What the sisters say."""

    density: Floats
    """Over :data:`GRID`, sums to one."""
    form: Floats
    wander: Floats
    mean: float
    spread: float
    sisters: int
    old: int
    """Sisters that have passed half the loss."""
    longest_h: float
    """Longest life seen among them, running hours."""

    @property
    def usable(self) -> bool:
        """Tell whether it may be used."""
        return self.old >= LEAST_OLD


def loss_at(sketch: Sketch) -> Floats:
    """Return each cell's mean loss per 1000 h until now if T is as on the grid; (cells, grid)."""
    life = np.exp(GRID)
    now = max(sketch.now_kh, 1e-6)
    return np.array([LOSS * float(f.loss(now)) / (now * f.loss(life)) for f in sketch.forms()])


def evidence_of(sketch: Sketch) -> Floats:
    """Return the log evidence of a boat for each T, the estimator's prior taken out; (cells, grid).

    Up to one constant.
    """
    loss = loss_at(sketch)
    mean, variance = sketch.loss[:, None], sketch.loss_var[:, None]
    ratio = -0.5 * (loss - mean) ** 2 / variance - 0.5 * np.log(variance)
    ratio += 0.5 * (loss - sketch.usual) ** 2 / SLOPE_SPREAD**2
    weight = sketch.weight / FORM_WEIGHTS[sketch.form] / WANDER_WEIGHTS[sketch.wander]
    found: Floats = np.log(np.maximum(weight, 1e-300))[:, None] + ratio
    return found


class Sisters:
    """The chargers of one type, stacked: a round of EM is two products of matrices."""

    def __init__(self, sketches: Sequence[Sketch], usual: float) -> None:
        self.sketches = tuple(sketches)
        self._usual = math.log(LOSS / usual)
        stacked = []
        for sketch in sketches:
            found = evidence_of(sketch)
            stacked.append(np.exp(found - found.max()))
        self._cells = [len(s) for s in stacked]
        self._starts = np.concatenate(([0], np.cumsum(self._cells)))
        self._stack = np.concatenate(stacked) if stacked else np.empty((0, len(GRID)))
        self._form = np.concatenate([s.form for s in sketches]) if sketches else np.empty(0, int)
        self._wander = (
            np.concatenate([s.wander for s in sketches]) if sketches else np.empty(0, int)
        )

    def __len__(self) -> int:
        """Return the number of sisters."""
        return len(self.sketches)

    def prior(self, without: int | None = None) -> Prior:
        """Fit the prior, without one of them if so told."""
        kept = [k for k in range(len(self)) if k != without]
        if not kept:
            return Prior(
                normal(self._usual, _MEAN_SD), FORM_WEIGHTS, WANDER_WEIGHTS, self._usual, _MEAN_SD,
                0, 0, 0.0,
            )  # fmt: skip
        rows = np.concatenate([np.arange(self._starts[k], self._starts[k + 1]) for k in kept])
        starts = np.concatenate(([0], np.cumsum([self._cells[k] for k in kept])))[:-1]
        stack, form, wander = self._stack[rows], self._form[rows], self._wander[rows]
        says = np.array([self.sketches[k].lost >= _SAYS_FROM * LOSS for k in kept])
        mean, spread, form_w, wander_w = self._fit(stack, form, wander, starts, says)
        flat = np.add.reduceat((form_w[form] * wander_w[wander])[:, None] * stack, starts)
        density, _, _ = integrate(flat, GRID, mean, spread, (self._usual, _MEAN_SD),
                                  (_SPREAD, _SPREAD_DF))  # fmt: skip
        others = [self.sketches[k] for k in kept]
        return Prior(
            density, form_w, wander_w, mean, spread, len(kept),
            sum(bool(s.lost >= 0.5 * LOSS) for s in others), 1000.0 * max(s.now_kh for s in others),
        )  # fmt: skip

    def own(self, k: int, prior: Prior) -> Floats:
        """Return what the log of one of them alone says about its T, over the grid; sums to one."""
        rows = slice(self._starts[k], self._starts[k + 1])
        weight = prior.form[self._form[rows]] * prior.wander[self._wander[rows]]
        alone: Floats = weight @ self._stack[rows]
        return np.asarray(alone / alone.sum())

    def _fit(
        self, stack: Floats, form: NDArray[np.intp], wander: NDArray[np.intp],
        starts: NDArray[np.intp], says: NDArray[np.bool_],
    ) -> tuple[float, float, Floats, Floats]:  # fmt: skip
        count = len(starts)
        cells = np.diff(np.append(starts, len(stack)))
        heard = np.repeat(says, cells)
        form_w, wander_w = FORM_WEIGHTS, WANDER_WEIGHTS
        # Start from what the sisters' own logs say. From a start far away EM can end with all of
        # their losses taken for wander and all of their lives taken for endless.
        own = np.add.reduceat((form_w[form] * wander_w[wander])[:, None] * stack, starts)
        mean, spread = float(np.median(own @ GRID / own.sum(axis=1))), 0.6
        for _ in range(_ROUNDS):
            density = normal(mean, spread)
            moments = stack @ np.column_stack((density, density * GRID, density * GRID**2))
            moments *= (form_w[form] * wander_w[wander])[:, None]
            sums = np.add.reduceat(moments, starts)
            total = np.maximum(sums[:, 0], 1e-300)
            share = moments[:, 0] / np.repeat(total, cells)
            form_w = form_weights(np.bincount(form, share * heard, len(FORM_WEIGHTS)).astype(float))
            wander_w = _WANDER_COUNT * WANDER_WEIGHTS + np.bincount(wander, share, len(WANDERS))
            wander_w = wander_w / wander_w.sum()
            first, second = sums[:, 1] / total, sums[:, 2] / total
            weight = count / spread**2 + _MEAN_SD**-2
            new = (first.sum() / spread**2 + self._usual / _MEAN_SD**2) / weight
            square = float((second - 2.0 * new * first + new**2).sum())
            new_spread = math.sqrt(
                (max(square, 0.0) + _SPREAD_DF * _SPREAD**2) / (count + _SPREAD_DF + 2.0)
            )
            done = abs(new - mean) + abs(new_spread - spread) < 1e-5
            mean, spread = float(new), new_spread
            if done:
                break
        return mean, spread, form_w, wander_w


def form_weights(votes: Floats) -> Floats:
    """Return the weights of the forms, given how many sisters show each; shape (forms,).

    The average over Dirichlet priors of each of :data:`_FORM_COUNTS`, weighed by their evidence.
    """
    prior = _FORM_COUNTS[:, None] * FORM_WEIGHTS
    found = float(votes.sum())
    evidence = gammaln(_FORM_COUNTS) - gammaln(_FORM_COUNTS + found)
    evidence += (gammaln(prior + votes) - gammaln(prior)).sum(axis=1)
    chance = np.exp(evidence - logsumexp(evidence))
    weights: Floats = chance @ ((prior + votes) / (_FORM_COUNTS + found)[:, None])
    return weights


def normal(mean: float, spread: float, grid: Floats = GRID) -> Floats:
    """Return a normal density on a grid, summing to one."""
    density: Floats = np.exp(-0.5 * ((grid - mean) / spread) ** 2)
    return density / max(float(density.sum()), 1e-300)


def integrate(
    flat: Floats,
    grid: Floats,
    mean: float,
    spread: float,
    mean_prior: tuple[float, float],
    spread_prior: tuple[float, float],
) -> tuple[Floats, Floats, Floats]:
    """Average the normal density over what is not known of its mean and spread.

    Parameters
    ----------
    flat
        Evidence of each sister for each value of the grid, shape (sisters, grid).
    grid
        Shape (grid,).
    mean, spread
        Round which to integrate.
    mean_prior
        Mean and standard deviation.
    spread_prior
        Scale and degrees of freedom (scaled inverse chi squared).

    Returns
    -------
    density, spreads, weights
        The average, shape (grid,); the spreads tried and their probabilities.
    """
    means = mean + _MEANS * max(spread / math.sqrt(len(flat)), 0.03)
    spreads = spread * np.exp(_SPREADS)
    scale, df = spread_prior
    densities = np.array([[normal(m, s, grid) for s in spreads] for m in means])
    like = np.log(np.maximum(np.einsum("ng,msg->nms", flat, densities), 1e-300)).sum(axis=0)
    like += -0.5 * ((means[:, None] - mean_prior[0]) / mean_prior[1]) ** 2
    # Scaled inverse chi squared of the variance, over a grid that is even in log(spread).
    like += (-df * np.log(spreads) - df * scale**2 / (2.0 * spreads**2))[None]
    weight = np.exp(like - logsumexp(like))
    return np.einsum("ms,msg->g", weight, densities), spreads, weight.sum(axis=0)


def outlier_tail(own: Floats, prior: Prior) -> float:
    """Return the chance that a sister lives shorter than a boat, judged by its own log alone."""
    return float(own @ np.cumsum(prior.density))
