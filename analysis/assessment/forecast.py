"""Remaining life: when the output falls below a limit for good, in running hours.

It simulates the future from the posterior of the health estimate. Each path draws level, slope,
form and size of the wander together, and its wander continues. Remaining life ends at whichever
comes first: the replacement limit, the design hours, or the power that this boat's load needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.figures import rounded
from analysis.health.forms import slope_factor, trend_columns
from analysis.health.life import RARE_LOSS
from analysis.statistics import positive
from analysis.statistics.passage import passage_for_good

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.forms import Cell, Posterior

    Floats = NDArray[np.float64]

#: Number of paths; the ends of a 90 % interval then vary by about 2 % of its width.
PATHS = 4000
#: Times on each path, closer at first: 30 h apart on average where 1000 h were observed.
_POINTS = 220
#: Degrees of freedom of the error of the load: heavy tails, as for the runs (``trend.NU``).
_LOAD_NU = 4.0
#: A limit is not stated if it lies further ahead than this many times the observed hours (the rule
#: of IES TM-21).
FURTHEST = 6.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """Remaining running hours."""

    hours: Span
    until: str | None
    """Which limit comes first: output, design_hours or load; None where hours are withheld."""
    first: dict[str, float]
    """Chance of each limit to come first; empty where median and high end are withheld."""
    withheld: str | None
    """Why median and high end are not stated; None where they are."""
    withheld_code: str | None
    draws_h: Floats
    """Remaining hours of each path, infinity where no limit is met, shape (paths,)."""
    times_h: Floats
    """Hours ahead of the bands below, shape (m,)."""
    low: Floats
    median: Floats
    high: Floats
    """Bands of the forecast output at ``times_h``."""


def draw_paths(
    posterior: Posterior,
    systematic: float,
    ahead_h: Floats,
    paths: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Draw futures of the available output.

    Parameters
    ----------
    posterior
        Level, decline and wander.
    systematic
        Common error of all figures (one sd), fraction of rated.
    ahead_h
        Hours ahead of ``posterior.now_kh``, rising, the first zero.
    paths
        Number of paths.
    rng
        Random generator.

    Returns
    -------
    outputs, slopes
        Shape (paths, m); and the present loss per 1000 h of each path.
    """
    loss_mean = np.array([c.mean[1] for c in posterior.cells])
    loss_sd = np.sqrt([c.covariance[1, 1] for c in posterior.cells])
    weights = positive.weighed(posterior.weights(), loss_mean, loss_sd, RARE_LOSS)
    count = shares(weights, paths)
    now = posterior.now_kh
    ahead = ahead_h / 1000.0
    drawn, slopes = [], []
    spacing = np.sqrt(np.diff(ahead))
    for cell, number in zip(posterior.cells, count, strict=True):
        if number == 0:
            continue
        level, loss = _draw_cell(cell, number, posterior, rng)
        columns = trend_columns(cell.form, now + ahead, now)
        level = level + systematic * rng.standard_normal(number)
        trend = level[:, None] + loss[:, None] * columns[:, 1][None, :]
        steps = rng.standard_normal((number, len(spacing))) * (spacing * cell.wander)
        trend[:, 1:] += np.cumsum(steps, axis=1)
        drawn.append(trend)
        slopes.append(loss * slope_factor(cell.form, now))
    return np.concatenate(drawn), np.concatenate(slopes)


def _draw_cell(
    cell: Cell, number: int, posterior: Posterior, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw the present level (trend and wander) and the loss from the posterior of a cell.

    Wear does not reverse: the loss is drawn from what is possible, above zero, and seldom close to
    it.
    """
    pick = np.zeros((2, len(cell.mean)))
    pick[0, 0] = pick[0, -1] = 1.0
    pick[1, 1] = 1.0
    mean = pick @ cell.mean
    covariance = pick @ cell.covariance @ pick.T
    ahead = max(posterior.now_kh - posterior.last_kh, 0.0)
    variance = covariance[0, 0] + cell.wander**2 * ahead
    loss_sd = math.sqrt(covariance[1, 1])
    loss = positive.draw(np.full(number, mean[1]), np.full(number, loss_sd), rng, RARE_LOSS)
    gain = covariance[0, 1] / covariance[1, 1] if loss_sd > 0.0 else 0.0
    left = math.sqrt(max(variance - gain * covariance[0, 1], 0.0))
    level = mean[0] + gain * (loss - mean[1]) + left * rng.standard_normal(number)
    return level, loss


def shares(weights: Floats, total: int) -> NDArray[np.intp]:
    """Divide ``total`` draws by weight (method of largest remainders)."""
    exact = weights * total
    share = np.floor(exact).astype(np.intp)
    missing = total - int(share.sum())
    share[np.argsort(share - exact)[:missing]] += 1
    return share


def forecast(
    posterior: Posterior,
    systematic: float,
    observed_h: float,
    replace_below: float,
    design_left_h: tuple[float, float] | None,
    load_below: float | None,
    rng: np.random.Generator,
    *,
    load_sd: float = 0.0,
    unseen_h: float = 0.0,
    gain_sd: float = 0.0,
) -> Forecast:
    """Forecast the remaining running hours.

    Parameters
    ----------
    posterior
        Level, decline and wander.
    systematic
        Common error of all figures (one sd), fraction of rated.
    observed_h
        Running hours that the estimate covers.
    replace_below
        Replacement limit, fraction of rated.
    design_left_h
        Least and most running hours left of the design life; all values between are equally
        likely. None where unknown.
    load_below
        Output that this boat's load needs, fraction of rated, or None.
    rng
        Random generator.
    load_sd
        Standard deviation of the logarithm of ``load_below``.
    unseen_h
        Most running hours that the log did not see; all values down to zero are equally likely.
    gain_sd
        Relative uncertainty of the sensor's gain (one sd). The gain stays the same for ever, so the
        output crosses the limit when its measured value is limit times gain. The same sensor
        measured the load, so the gain does not change when output and load cross.
    """
    reach = FURTHEST * observed_h
    horizon = reach * 1.05 + 200.0
    if design_left_h is not None:
        horizon = min(horizon, max(design_left_h[1], 1.0) * 1.02 + 120.0)
    ahead = horizon * np.linspace(0.0, 1.0, _POINTS) ** 1.5
    paths, _ = draw_paths(posterior, systematic, ahead, PATHS, rng)
    gain: Floats = np.ones(len(paths))
    if gain_sd > 0.0:
        gain = np.maximum(1.0 + gain_sd * rng.standard_normal(len(paths)), 0.2)
    output_h = passage_for_good(ahead, paths, replace_below * gain)
    load_h = np.full(len(paths), np.inf)
    if load_below is not None:
        # The error has heavy tails, because a source that was not recognised distorts a load by
        # more than its standard error.
        needed = load_below * np.exp(load_sd * rng.standard_t(_LOAD_NU, len(paths)))
        load_h = passage_for_good(ahead, paths, needed)
    design_h = np.full(len(paths), np.inf)
    if design_left_h is not None:
        first_h, last_h = design_left_h
        ends_h = first_h + (last_h - first_h) * rng.random(len(paths))
        design_h = np.maximum(ends_h - unseen_h * rng.random(len(paths)), 0.0)
    draws = np.minimum(np.minimum(output_h, load_h), design_h)
    low, median, high = (float(v) for v in quantiles(draws, (0.05, 0.5, 0.95)))
    first = chances(output_h, load_h, design_h)
    until: str | None = max(first, key=lambda name: first[name])
    used_up = quantiles(design_h, (0.9,))[0]
    withheld, code = why_withheld(posterior, median, high, reach, until, used_up)
    if code is not None:
        hours = Span(low if np.isfinite(low) else min(reach, used_up), None, None)
        # So far ahead nobody knows which comes first either.
        until, first = None, {}
    else:
        hours = Span(low, median, high if np.isfinite(high) else None)
    bands = np.quantile(paths / gain[:, None], (0.05, 0.5, 0.95), axis=0)
    return Forecast(hours, until, first, withheld, code, draws, ahead, bands[0], bands[1], bands[2])


def chances(output_h: Floats, load_h: Floats, design_h: Floats) -> dict[str, float]:
    """Return the chance of each limit to come first, of the paths that meet one at all."""
    ends = np.isfinite(np.minimum(np.minimum(output_h, load_h), design_h))
    count = max(int(ends.sum()), 1)
    met = {
        "output": ends & (output_h <= np.minimum(load_h, design_h)),
        "load": (load_h < output_h) & (load_h <= design_h),
        "design_hours": (design_h < output_h) & (design_h < load_h),
    }
    return {name: int(paths.sum()) / count for name, paths in met.items()}


def quantiles(values: Floats, probabilities: tuple[float, ...]) -> list[float]:
    """Return quantiles as order statistics, so that some values may be infinite."""
    ordered = np.sort(values)
    return [float(ordered[min(int(p * len(ordered)), len(ordered) - 1)]) for p in probabilities]


def why_withheld(
    posterior: Posterior,
    median: float,
    high: float,
    reach: float,
    until: str | None,
    design_h: float,
) -> tuple[str | None, str | None]:
    """Return the reason, and its code, why median and high end cannot be stated; None if they can.

    The median must lie within ``reach``. The decline must be positive with 95 % probability, unless
    the design hours decide or the high end lies within ``reach`` as well.
    """
    if median <= 0.0:
        return None, None
    if median > reach:
        away = f"over {rounded(reach, -1)} h away, six times what the log has seen"
        return f"the limit is likely {away}: no figure", "too_far_ahead"
    settled = until == "design_hours" and high >= design_h
    mean, sd, weights = posterior.slope()
    from scipy import special

    falling = float(weights @ special.ndtr(mean / np.maximum(sd, 1e-12)))
    if falling < 0.95 and not settled and high > reach:
        return "the log does not show a clear decline yet", "decline_not_distinguishable"
    return None, None
