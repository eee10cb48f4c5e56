"""Censored, robust likelihood of the runs over running hours, with a wandering part.

Model: figure of run i = design_i b + W(h_i) + e_i. W, the wander, is a Wiener process over running
hours that starts at zero. e_i has a t density with scale sqrt(s^2 + se_i^2). The figure of a
battery-limited run is a lower bound of the truth. Runs near each other in hours share a node of W,
so cost grows linearly with their number. Newton steps with a banded solver find the mode over
(b, W). Laplace's approximation of the marginal likelihood gives s and the size of the wander
(Tierney and Kadane 1986, JASA 81:82-86; Rue, Martino and Chopin 2009, JRSS B 71:319-392).

At the mode each node is summarised by a normal pseudo-observation; forms and steps are then
compared exactly on those (:mod:`analysis.health.forms`, :mod:`analysis.health.steps`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded, solveh_banded

from analysis.estimate import MAD_TO_SD
from analysis.statistics.likelihood import site

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Most nodes of the wander; it bounds the time of a fit. Further runs share nodes.
MOST_NODES = 400
#: Runs closer than this share a node, thousand hours: the resolution of a counter in tenths of an
#: hour.
_SHARED_KH = 1e-4
#: Degrees of freedom of the run-to-run errors: the tails allow about one odd run in twenty (Lange,
#: Little and Taylor 1989, JASA 84:881-896, use four for robust fits; from memory).
NU = 4.0
#: Neighbours on each side that decide whether a value is an outlier: a median of seven.
_BESIDE = 3
#: Sizes of wander tried, fraction of rated after one thousand hours: from a tenth to twelve times
#: the usual one per cent (``wander_prior``).
WANDERS = np.geomspace(0.001, 0.12, 13)


@dataclass(frozen=True, slots=True)
class Observations:
    """Figures of the runs that are used; arrays of shape (n,), ordered by hours."""

    kh: Floats
    """Thousand running hours."""
    y: Floats
    standard_error: Floats
    bound: Flags
    weight: Floats | float = 1.0
    """How much of an independent figure each is (:mod:`analysis.health.pieces`)."""


@dataclass(frozen=True, slots=True)
class Nodes:
    """Places of the wander over running hours."""

    kh: Floats
    """Shape (m,)."""
    of_run: NDArray[np.intp]
    """Node of each run, shape (n,)."""

    def add(self, values: Floats) -> Floats:
        """Add up values of the runs by node."""
        sums: Floats = np.bincount(self.of_run, weights=values, minlength=len(self.kh)).astype(
            float, copy=False
        )
        return sums


@dataclass(frozen=True, slots=True)
class Walk:
    """Banded prior precision of a unit Wiener process at the nodes after the first."""

    diagonal: Floats
    beside: Floats
    log_det: float

    @staticmethod
    def over(kh: Floats) -> Walk:
        """Build it for nodes at the given hours (shape (m,); the walk starts at the first)."""
        inverse = 1.0 / np.diff(kh)
        diagonal = inverse.copy()
        diagonal[:-1] += inverse[1:]
        return Walk(diagonal, -inverse[1:], float(np.log(inverse).sum()))

    def times(self, w: Floats) -> Floats:
        """Multiply the precision with a vector of shape (m - 1,)."""
        product = self.diagonal * w
        product[:-1] += self.beside * w[1:]
        product[1:] += self.beside * w[:-1]
        return product

    def factor(self, weight: Floats, wander: float) -> Floats:
        """Return the banded Cholesky factor of precision / wander^2 + diag(weight)."""
        upper: Floats = cholesky_banded(self._band(weight, wander), check_finite=False)
        return upper

    def solve(self, weight: Floats, wander: float, right: Floats) -> Floats:
        """Solve (precision / wander^2 + diag(weight)) x = right, of shape (m - 1, k).

        Where the factor is not asked for: scipy has a solver for two diagonals, which takes less
        than half of the time.
        """
        band = self._band(weight, wander)
        if len(weight) > 1:
            solved: Floats = solveh_banded(band, right, check_finite=False)
        else:
            solved = right / band[1]  # that solver wants two rows
        return solved

    def _band(self, weight: Floats, wander: float) -> Floats:
        """Return precision / wander^2 + diag(weight), in scipy's upper banded form."""
        band = np.zeros((2, len(self.diagonal)))
        band[1] = self.diagonal / wander**2 + weight
        band[0, 1:] = self.beside / wander**2
        return band


@dataclass(frozen=True, slots=True)
class Mode:
    """Most likely coefficients and wander for given sizes of wander and scatter."""

    coefficients: Floats
    walk: Floats
    """At each node, shape (m,); zero at the first."""
    evidence: float
    """Laplace's approximation of the log marginal likelihood."""


@dataclass(frozen=True, slots=True)
class Sites:
    """Each node summarised as a normal observation of (trend + wander); shape (m,)."""

    kh: Floats
    value: Floats
    precision: Floats
    design: Floats
    """Precision-weighted means of the design's rows, shape (m, p)."""


def make_nodes(kh: Floats) -> Nodes:
    """Group runs, ordered by hours, into at most ``MOST_NODES`` nodes."""
    apart = np.concatenate(([0], np.cumsum(np.diff(kh) > _SHARED_KH)))
    if apart[-1] + 1 > MOST_NODES:
        # Nodes are equal spans of hours without the empty ones, so that a step has a date.
        span = (kh[-1] - kh[0]) / MOST_NODES * (1.0 + 1e-12)
        apart = np.unique(((kh - kh[0]) / span).astype(np.intp), return_inverse=True)[1]
    of_run = apart.astype(np.intp)
    number = np.bincount(of_run)
    return Nodes(np.bincount(of_run, weights=kh) / number, of_run)


def find_mode(
    data: Observations,
    nodes: Nodes,
    design: Floats,
    prior: tuple[Floats, Floats],
    wander: float,
    scatter: float,
    start: Mode | None = None,
    nu: float = NU,
) -> Mode:
    """Find the mode and the evidence.

    Parameters
    ----------
    data, nodes
        Runs and their nodes.
    design
        Shape (n, p).
    prior
        Mean and precision of the coefficients, each of shape (p,).
    wander
        Standard deviation of the wander after one thousand hours; zero for none.
    scatter
        Scale s of the run-to-run errors.
    start
        Where to start.
    nu
        Degrees of freedom.
    """
    scale = np.hypot(scatter, data.standard_error)
    walks = wander > 0.0 and len(nodes.kh) > 1
    walk = Walk.over(nodes.kh) if walks else None
    b = prior[0].copy() if start is None else start.coefficients.copy()
    w = np.zeros(len(nodes.kh)) if start is None or not walks else start.walk.copy()
    if start is None:
        b = first_guess(data, design, prior)

    def objective(b: Floats, w: Floats) -> tuple[float, Floats, Floats, Floats]:
        """Return the value, the mean of the runs, and the derivatives there."""
        mean = design @ b + w[nodes.of_run]
        told, first, second = site(data.y, mean, scale, nu, data.bound)
        value = (data.weight * told).sum()
        value -= 0.5 * float(prior[1] @ (b - prior[0]) ** 2)
        if walk is not None:
            value -= 0.5 * float(w[1:] @ walk.times(w[1:])) / wander**2
        return float(value), mean, first, second

    value, mean, first, second = objective(b, w)
    for _ in range(60):
        weight = _curvature(second, data, mean, scale, nu)
        pull = -data.weight * first / scale
        db, dw = _solve(nodes, design, prior, walk, wander, weight, pull, b, w)
        size = 1.0
        while True:
            new, mean, first, second = objective(b + size * db, w + size * dw)
            if new >= value - 1e-9 or size < 1e-4:
                break
            size *= 0.5
        b, w = b + size * db, w + size * dw
        gained, value = new - value, new
        if gained < 1e-5:
            break
    weight = information(data, mean, scale, nu)
    evidence = (
        value
        + 0.5 * float(np.log(prior[1]).sum())
        - 0.5 * _log_det(nodes, design, prior, walk, wander, weight)
    )
    if walk is not None:
        evidence += 0.5 * (walk.log_det - 2.0 * len(walk.diagonal) * math.log(wander))
    return Mode(b, w, evidence)


def first_guess(data: Observations, design: Floats, prior: tuple[Floats, Floats]) -> Floats:
    """Ridge least squares over the values; bounds enter only where there are no two values."""
    use = ~data.bound if (~data.bound).sum() >= 2 else np.ones(len(data.y), dtype=bool)
    x, y = design[use], data.y[use]
    spread = 0.02
    left = x.T @ x / spread**2 + np.diag(prior[1])
    return np.linalg.solve(left, x.T @ y / spread**2 + prior[1] * prior[0])


def _curvature(
    second: Floats, data: Observations, mean: Floats, scale: Floats, nu: float
) -> Floats:
    """Return positive weights of the Newton step: majorising for t errors, curvature for bounds."""
    if math.isinf(nu):
        return data.weight * np.maximum(-second, 1e-9) / scale**2
    z = (data.y - mean) / scale
    weight = (nu + 1.0) / (nu + z**2)
    weight = np.where(data.bound, np.maximum(-second, 1e-4), weight)
    return data.weight * weight / scale**2


def information(data: Observations, mean: Floats, scale: Floats, nu: float) -> Floats:
    """Return the information of each run about its mean, robust weights at Fisher's expectation.

    The mean of the weights (nu + 1) / (nu + z^2) is one, but Fisher's information of a t location
    is (nu + 1) / (nu + 3): without this factor intervals would be 15 % too narrow at nu = 4.
    """
    _, _, second = site(data.y, mean, scale, nu, data.bound)
    if math.isinf(nu):
        return data.weight * np.maximum(-second, 1e-9) / scale**2
    z = (data.y - mean) / scale
    weight = (nu + 1.0) / (nu + z**2) * (nu + 1.0) / (nu + 3.0)
    return data.weight * np.where(data.bound, np.maximum(-second, 1e-4), weight) / scale**2


def _solve(
    nodes: Nodes,
    design: Floats,
    prior: tuple[Floats, Floats],
    walk: Walk | None,
    wander: float,
    weight: Floats,
    pull: Floats,
    b: Floats,
    w: Floats,
) -> tuple[Floats, Floats]:
    """Solve the bordered system of one Newton step for the changes of (b, w)."""
    weighted = design * weight[:, None]
    corner = design.T @ weighted + np.diag(prior[1])
    pull_b = design.T @ pull - prior[1] * (b - prior[0])
    dw = np.zeros_like(w)
    if walk is None:
        flat: Floats = np.asarray(np.linalg.solve(corner, pull_b), dtype=float)
        return flat, dw
    cross = np.stack([nodes.add(weighted[:, k])[1:] for k in range(design.shape[1])], axis=1)
    pull_w = nodes.add(pull)[1:] - walk.times(w[1:]) / wander**2
    solved = walk.solve(nodes.add(weight)[1:], wander, np.column_stack((cross, pull_w)))
    schur = corner - cross.T @ solved[:, :-1]
    right = pull_b - cross.T @ solved[:, -1]
    db: Floats = np.asarray(np.linalg.solve(schur, right), dtype=float)
    dw[1:] = solved[:, -1] - solved[:, :-1] @ db
    return db, dw


def _log_det(
    nodes: Nodes,
    design: Floats,
    prior: tuple[Floats, Floats],
    walk: Walk | None,
    wander: float,
    weight: Floats,
) -> float:
    weighted = design * weight[:, None]
    corner = design.T @ weighted + np.diag(prior[1])
    if walk is None:
        return float(np.linalg.slogdet(corner)[1])
    cross = np.stack([nodes.add(weighted[:, k])[1:] for k in range(design.shape[1])], axis=1)
    factor = walk.factor(nodes.add(weight)[1:], wander)
    schur = corner - cross.T @ cho_solve_banded((factor, False), cross, check_finite=False)
    return float(2.0 * np.log(factor[1]).sum() + np.linalg.slogdet(schur)[1])


def find_scales(
    data: Observations, nodes: Nodes, design: Floats, prior: tuple[Floats, Floats]
) -> tuple[float, float, Mode]:
    """Find the most likely (wander, scatter) and the mode there.

    Alternates between the two; each is found on a grid of logarithms and refined by a parabola.
    """
    scatter = _first_scatter(data)
    wander = 0.01
    best = find_mode(data, nodes, design, prior, wander, scatter)
    for _ in range(2):
        evidences = []
        for candidate in WANDERS:
            best = find_mode(data, nodes, design, prior, float(candidate), scatter, best)
            evidences.append(best.evidence - 0.5 * wander_prior(float(candidate)))
        wander = find_peak(np.log(WANDERS), np.array(evidences))
        grid = np.log(scatter) + np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
        evidences = []
        for candidate in np.exp(grid):
            best = find_mode(data, nodes, design, prior, wander, float(candidate), best)
            evidences.append(best.evidence)
        scatter = max(find_peak(grid, np.array(evidences)), 3e-4)
    return wander, scatter, find_mode(data, nodes, design, prior, wander, scatter, best)


def wander_prior(wander: float | Floats) -> float:
    """Return minus twice the log prior of the size of the wander, up to a constant.

    The prior is one per cent of rated after a thousand hours, within a factor of three (one
    standard deviation). Published stack tests show dips and recoveries of about that size. A few
    months of data outweigh it.
    """
    return float(((np.log(wander) - math.log(0.01)) / math.log(3.0)) ** 2)


def _first_scatter(data: Observations) -> float:
    """Return the robust spread of differences of neighbours; trend and steps do not enter."""
    y = data.y[~data.bound]
    if len(y) < 4:
        return 0.01
    return float(np.clip(MAD_TO_SD * np.median(np.abs(np.diff(y))) / math.sqrt(2.0), 1e-3, 0.1))


def find_peak(grid: Floats, value: Floats) -> float:
    """Return exp of the place of the highest value, refined by a parabola through three points."""
    k = int(np.argmax(value))
    if 0 < k < len(grid) - 1:
        left, here, right = value[k - 1 : k + 2]
        bend = left - 2.0 * here + right
        if bend < 0.0:
            shift = float(np.clip(0.5 * (left - right) / bend, -1.0, 1.0))
            return math.exp(float(grid[k]) + shift * float(grid[k + 1] - grid[k]))
    return math.exp(float(grid[k]))


def summarise(
    data: Observations, nodes: Nodes, design: Floats, mode: Mode, scatter: float, nu: float = NU
) -> Sites:
    """Summarise each node as a normal observation, at the mode."""
    scale = np.hypot(scatter, data.standard_error)
    mean = design @ mode.coefficients + mode.walk[nodes.of_run]
    _, first, _ = site(data.y, mean, scale, nu, data.bound)
    weight = information(data, mean, scale, nu)
    # The pseudo-observation must have its stationary point at the same mode.
    pseudo = mean - data.weight * first / scale / weight
    precision = nodes.add(weight)
    rows = np.stack(
        [nodes.add(weight * design[:, k]) / precision for k in range(design.shape[1])], axis=1
    )
    return Sites(nodes.kh, nodes.add(weight * pseudo) / precision, precision, rows)


def by_neighbours(data: Observations, nodes: Nodes, design: Floats, nu: float = NU) -> Sites | None:
    """Summarise each node by its values alone, with weights from the median of their neighbours.

    No trend is assumed, so a step does not look like a stretch of outliers. Bounds get almost no
    weight. None where there are too few values.
    """
    values = np.flatnonzero(~data.bound)
    if len(values) < 2 * _BESIDE + 1:
        return None
    y = data.y[values]
    padded = np.concatenate((y[_BESIDE:0:-1], y, y[-2 : -_BESIDE - 2 : -1]))
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _BESIDE + 1), axis=1)
    scale = np.hypot(_first_scatter(data), data.standard_error)
    weight = np.full(len(data.y), 1e-3)
    z = (y - middle) / scale[values]
    weight[values] = (nu + 1.0) / (nu + z**2) * (nu + 1.0) / (nu + 3.0) / scale[values] ** 2
    weight = weight * data.weight
    precision = nodes.add(weight)
    rows = np.stack(
        [nodes.add(weight * design[:, k]) / precision for k in range(design.shape[1])], axis=1
    )
    return Sites(nodes.kh, nodes.add(weight * data.y) / precision, precision, rows)
