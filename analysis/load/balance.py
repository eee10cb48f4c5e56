"""Daily loads from the charge balance of stretches between marks: a linear Gaussian model.

For a stretch, ``sum of load x weighted hours = charge kept - change of charge``.
Unknown are one load a day (correlated from day to day), a pattern by the hour (so that stretches
that hold more nights than days tilt nothing), and the swing between a start and a full battery.
The marks themselves are uncertain; their scatter and that of the days are found from the data
(expectation maximisation; Dempster, Laird & Rubin 1977).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solveh_banded

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.stretches import Spans

    Floats = NDArray[np.float64]

#: Correlation of the load from one day to the next: habits last some days (judgement).
DAY_CORRELATION = 0.6
#: Standard deviation of the load of one eighth of the day, part of the mean load (0.24 on boats of
#: the independent generator). With a wider one the pattern takes up what the starts tell falsely:
#: a charger starts when the load is high, see METHOD.md.
PATTERN_SD = 0.25
#: Rounds of expectation maximisation: later ones change the loads little (judgement).
ROUNDS = 8


@dataclass(frozen=True, slots=True)
class Fit:
    """Loads, A (mean over 24 h), of the days of the model."""

    mean_a: Floats
    """Best value of each day, shape (days,)."""
    factor: Floats
    """Lower triangle with ``factor @ factor.T`` the covariance of the days, shape (days, days)."""
    pattern_a: Floats
    """Load of each part of the day above the mean, A, shape (parts,)."""
    swing_ah: float


@dataclass(frozen=True, slots=True)
class Rough:
    """Pieces in which only the voltage shows the change of charge."""

    days: Floats
    parts: Floats
    kept_ah: Floats
    rise_v: Floats
    ah_per_v: float
    """Expected charge per volt at the terminals of this bank."""


@dataclass(frozen=True, slots=True)
class Guessed:
    """Stretches at whose ends the charge is guessed; see ``analysis.load.stretches.Open``."""

    days: Floats
    parts: Floats
    kept_ah: Floats
    swing: Floats
    sd: Floats


#: Standard error of the charge by voltage, V per 12 V block: loads, temperature and charging move
#: the voltage (judgement).
ROUGH_V = 0.06


def fit(
    days: Floats,
    parts: Floats,
    spans: Spans,
    supplied: Floats,
    rough: Rough,
    guessed: Guessed,
) -> Fit:
    """Fit the model.

    Parameters
    ----------
    days, parts
        Weighted hours of each stretch by day and by part of the day, from
        :func:`analysis.load.stretches.weights`.
    spans
        The stretches.
    supplied
        What the battery would keep of the charge delivered in each stretch, Ah, shape (n,).
    rough
        Pieces of days between stretches.
    guessed
        What else there is between marks.
    """
    n, count = days.shape
    hours = days.sum(axis=1)
    level = max(float(supplied.sum() / hours.sum()), 1e-3)
    # The last part of the day is what the others leave: the pattern adds up to nothing.
    pattern = parts[:, :-1] - parts[:, -1:]
    design = np.column_stack((days, hours, pattern, np.zeros(n), spans.swing))
    more = np.column_stack(
        (
            rough.days,
            rough.days.sum(axis=1),
            rough.parts[:, :-1] - rough.parts[:, -1:],
            rough.rise_v,
            np.zeros(len(rough.rise_v)),
        )
    )
    rough2 = (ROUGH_V * rough.ah_per_v) ** 2
    target = supplied
    prior_days = autoregression(count)
    width = design.shape[1]
    fixed = np.zeros(width)
    fixed[count] = 1.0 / (10.0 * level) ** 2
    fixed[count + 1 : -2] = 1.0 / (PATTERN_SD * level) ** 2
    fixed[-2] = 1.0 / (0.5 * rough.ah_per_v) ** 2
    fixed[-1] = 1.0 / (1000.0 * level) ** 2
    extra = more.T @ more / rough2
    side = more.T @ rough.kept_ah / rough2
    some = np.column_stack(
        (
            guessed.days,
            guessed.days.sum(axis=1),
            guessed.parts[:, :-1] - guessed.parts[:, -1:],
            np.zeros(len(guessed.swing)),
            guessed.swing,
        )
    )
    weight = 1.0 / (guessed.sd * usual_swing(spans, supplied, hours, level)) ** 2
    extra += some.T @ (weight[:, None] * some)
    side += some.T @ (weight * guessed.kept_ah)
    side[-2] += fixed[-2] * rough.ah_per_v
    mark2, day2 = (level * 3.0) ** 2, (0.3 * level) ** 2
    band = np.vstack((np.where(spans.joined, -1.0, 0.0), np.full(n, 2.05)))
    whitened = solveh_banded(band, np.column_stack((design, target)))
    gram, right = design.T @ whitened[:, :-1], design.T @ whitened[:, -1]
    square = float(target @ whitened[:, -1])
    covariance = np.empty((0, 0))
    solution = np.empty(0)
    for _ in range(ROUNDS):
        precision = gram / mark2 + extra + np.diag(fixed)
        precision[:count, :count] += prior_days / day2
        factor = cho_factor(precision, lower=True)
        solution = cho_solve(factor, right / mark2 + side)
        covariance = cho_solve(factor, np.eye(width))
        residual = square - 2.0 * solution @ right + solution @ gram @ solution
        mark2 = max((residual + float((gram * covariance).sum())) / n, (0.02 * level) ** 2)
        drift = solution[:count]
        wide = float(drift @ prior_days @ drift + (prior_days * covariance[:count, :count]).sum())
        day2 = max(wide / count, (0.01 * level) ** 2)
    mean = solution[:count] + solution[count]
    shift = np.eye(count, width)
    shift[:, count] = 1.0
    spread = shift @ covariance @ shift.T
    lower = np.asarray(
        np.linalg.cholesky(spread + 1e-9 * level**2 * np.eye(count)), dtype=np.float64
    )
    parts_a = solution[count + 1 : -2]
    pattern = np.append(parts_a, -parts_a.sum())
    return Fit(mean, lower, pattern, float(solution[-1]))


def usual_swing(spans: Spans, supplied: Floats, hours: Floats, level_a: float) -> float:
    """Return about how much charge goes in from a start to a full battery, Ah."""
    up = spans.swing > 0.0
    if not up.any():
        return 24.0 * level_a
    return max(float(np.median(supplied[up] - level_a * hours[up])), 3.0 * level_a)


def autoregression(count: int) -> Floats:
    """Return the precision of an autoregression of unit variance."""
    if count == 1:
        return np.ones((1, 1))
    scale = 1.0 / (1.0 - DAY_CORRELATION**2)
    diagonal = np.full(count, (1.0 + DAY_CORRELATION**2) * scale)
    diagonal[[0, -1]] = scale
    beside = np.full(count - 1, -DAY_CORRELATION * scale)
    return np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
