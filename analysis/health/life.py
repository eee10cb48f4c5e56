"""Health estimate of one life of a charger: output now, decline, steps, wander, effect of heat.

A life begins when the charger is new, renewed or exchanged. All hours here are running hours of
that life.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.health.forms import Posterior, compare, forms, mixture_quantile, trend_columns
from analysis.health.heat import HEAT_SIZE, heat_columns
from analysis.health.pieces import weights
from analysis.health.season import readings, wave_columns
from analysis.health.since_start import relative_output
from analysis.health.steps import (
    LEAST_CHANGE,
    LEAST_ODDS,
    MOST_STEPS,
    Found,
    strongest_step,
)
from analysis.health.trend import (
    Mode,
    Nodes,
    Observations,
    Sites,
    Walk,
    by_neighbours,
    find_mode,
    find_scales,
    make_nodes,
    summarise,
)
from logger.durations import YEAR_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.estimate import Span

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Least number of values for a trend: level, slope and two to judge the scatter by.
LEAST_VALUES = 4
#: Prior of the level when new, fraction of rated: mean and standard deviation. A new charger gives
#: its nameplate within about a quarter (common practice, no source).
_LEVEL_PRIOR = (1.0, 0.3)
#: Prior spread of the mean loss per 1000 h about the loss that would use up the design life: wide
#: enough for a charger that lasts a third of it (judgement, no source).
SLOPE_SPREAD = 0.1
#: A loss far below this, per 1000 h, is as rare as it is small: at this one a charger would last
#: five times a usual design life (judgement, no source; METHOD, "Early forecasts").
RARE_LOSS = 0.01
#: Early transient: time constant, thousand hours, and prior size, fraction of rated. New stacks
#: settle within some hundred hours (common practice, no source for the numbers).
_TRANSIENT_KH = 0.15
_TRANSIENT_SIZE = 0.02
#: Common error of all runs' figures (sag, warm-up, meter), fraction of rated: one standard
#: deviation (judgement, no source; the coverage study in METHOD.md holds it).
SYSTEMATIC = 0.002
#: Common error where temperature is not logged and no full year shows how much heat matters: a
#: usual effect of heat (2 % per 10 K) times a usual distance from 25 degC, 7.5 K (common practice,
#: no source).
SYSTEMATIC_UNTOLD = 0.015
#: Common error where a full year shows it, as a multiple of the yearly wave of the output. The mean
#: of the year may lie as far from 25 degC as summer from winter, and a run warms its compartment.
SYSTEMATIC_OF_WAVE = 1.2
#: A change between the medians of so many runs before and behind, fraction of rated, that no heat
#: makes from one week to the next: 25 K at 4 % per 10 K, the upper end of what is usual (common
#: practice, no source).
_JUMP_RUNS, _JUMP = 8, 0.10


@dataclass(frozen=True, slots=True)
class StepFound:
    """A step, in running hours of this life."""

    kh: float
    change: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Health:
    """The health estimated from the runs of one life."""

    posterior: Posterior
    steps: tuple[StepFound, ...]
    scatter: float
    """Scale of the run-to-run errors, fraction of rated."""
    wander: float
    systematic: float
    sites: Sites
    fitted: Floats
    """Output at each node, shape (m,): trend, steps and wander, heat taken out."""
    fitted_sd: Floats
    """Its standard deviation, shape (m,), without ``systematic``."""
    since_start: Span
    """Present output over the output when the log of this life began."""
    gain_sd: float = 0.0
    """Relative uncertainty of the current sensor's gain (one sd); it shifts all outputs alike."""

    usual_loss_per_kh: float = 0.0
    """Mean of the prior of the loss per 1000 h; the fleet's estimate removes its influence."""

    def output(self, probability: float, *, as_measured: bool = False) -> float:
        """Return a quantile of the present output; ``as_measured`` takes the gain as exact."""
        mean, sd, _ = self.posterior.level()
        sd = np.hypot(sd, self.systematic)
        if not as_measured:
            sd = np.hypot(sd, self.gain_sd * mean)
        return mixture_quantile(mean, sd, self.posterior.weights_for(probability), probability)

    def slope(self, probability: float) -> float:
        """Return a quantile of the present loss per 1000 h."""
        mean, sd, _ = self.posterior.slope()
        sd = np.hypot(sd, self.gain_sd * mean)
        return mixture_quantile(mean, sd, self.posterior.weights_for(probability), probability)


def heat_effect(data: Observations, temperature_c: Floats) -> Floats | None:
    """Return a first estimate of the coefficients of :func:`heat_columns`, fraction of the level.

    It takes usual sizes of wander and scatter for granted. That is enough to correct the power
    inside runs for heat, before the sag and the figures of the runs are computed from it. None
    where too little is known.
    """
    values = ~data.bound
    told = np.isfinite(temperature_c)
    if values.sum() < LEAST_VALUES or told.mean() <= 0.5 or np.ptp(temperature_c[told]) < 3.0:
        return None
    nodes = make_nodes(data.kh)
    columns = heat_columns(temperature_c)
    trend = trend_columns(forms(0.05)[0], data.kh, float(data.kh.max()))
    jump = jump_column(data)
    design = np.column_stack((trend, columns, jump))
    spread = np.array(
        [_LEVEL_PRIOR[1], SLOPE_SPREAD, *HEAT_SIZE, *[_LEVEL_PRIOR[1]] * jump.shape[1]]
    )
    mean = np.concatenate(([_LEVEL_PRIOR[0]], np.zeros(len(spread) - 1)))
    scatter = float(np.clip(np.median(np.abs(np.diff(data.y[values]))), 1e-3, 0.05))
    mode = find_mode(data, nodes, design, (mean, spread**-2.0), 0.01, scatter)
    level = max(float(np.median(trend @ mode.coefficients[:2])), 0.1)
    effect: Floats = mode.coefficients[2 : 2 + columns.shape[1]] / level
    return effect


def jump_column(data: Observations) -> Floats:
    """Return a column that is one from the largest jump of the output on; none where none is large.

    Without it, a sudden loss in a season that warms would pass for an effect of heat.
    """
    values = np.flatnonzero(~data.bound)
    if len(values) < 2 * _JUMP_RUNS:
        return np.empty((len(data.y), 0))
    middle = np.median(np.lib.stride_tricks.sliding_window_view(data.y[values], _JUMP_RUNS), axis=1)
    change = middle[_JUMP_RUNS:] - middle[:-_JUMP_RUNS]
    place = int(np.argmax(np.abs(change)))
    if abs(change[place]) < _JUMP:
        return np.empty((len(data.y), 0))
    column = np.arange(len(data.y)) >= values[place + _JUMP_RUNS]
    return np.asarray(column[:, None], dtype=np.float64)


def estimate(
    data: Observations,
    temperature_c: Floats,
    time_s: Floats,
    now_kh: float,
    usual_loss_per_kh: float,
    alike: float = 0.0,
    of_run: NDArray[np.intp] | None = None,
) -> Health | None:
    """Estimate health from the figures of the runs of one life.

    Parameters
    ----------
    data
        Figures of the runs, ordered by hours.
    temperature_c
        Compartment temperature of each, NaN where not logged; shape (n,).
    time_s
        Unix time of each, shape (n,). Where temperature is not logged, the season replaces it.
    now_kh
        Thousand running hours of the life at the end of the log.
    usual_loss_per_kh
        Loss per thousand hours that would use up the design life; centres a wide prior.
    alike
        Standard error that all figures share (from the corrections for sag and for the current
        sensor's zero), fraction of rated.
    of_run
        The run that each figure belongs to, shape (n,): a long run gives one a day. None where
        each is a run by itself.

    Returns
    -------
    None where there are too few values.
    """
    if (~data.bound).sum() < LEAST_VALUES:
        return None
    nodes = make_nodes(data.kh)
    extra, sizes, heat_count = extra_columns(data.kh, temperature_c, time_s)
    linear = forms(0.05)[0]
    base = np.column_stack((trend_columns(linear, data.kh, now_kh), extra))
    mean = np.concatenate(([_LEVEL_PRIOR[0], usual_loss_per_kh], np.zeros(len(sizes))))
    mean[0] -= usual_loss_per_kh * now_kh
    spread = np.concatenate(([_LEVEL_PRIOR[1], SLOPE_SPREAD], sizes))
    prior = (mean, spread**-2.0)
    if of_run is not None and len(np.unique(of_run)) < len(of_run):
        # A first fit takes out heat and transient; a usual wander and scatter are enough for that.
        first = find_mode(data, nodes, base, prior, 0.01, 0.005).coefficients
        of_runs = weights(data.y - extra @ first[2:], data.bound, of_run)
        data = replace(data, weight=of_runs)
    wander, scatter, mode = find_scales(data, nodes, base, prior)
    sites = summarise(data, nodes, base, mode, scatter)
    found: list[Found] = []
    # A robust fit may treat a whole stretch beyond a step as outliers and so miss the step. The
    # search therefore also runs on nodes that are judged by their neighbours alone.
    beside = by_neighbours(data, nodes, base)
    while len(found) < MOST_STEPS:
        seen = [sites] if beside is None else [sites, beside]
        steps = [strongest_step(s, s.design, prior) for s in seen]
        good = [s for s in steps if s is not None and convincing(s, sites, found)]
        if not good:
            break
        next_step = max(good, key=lambda s: s.log_odds)
        found.append(next_step)
        base = np.column_stack((base, (nodes.of_run >= next_step.node).astype(float)))
        prior = (np.append(prior[0], 0.0), np.append(prior[1], 0.15**-2.0))
        start = Mode(np.append(mode.coefficients, 0.0), mode.walk, mode.evidence)
        modes = [find_mode(data, nodes, base, prior, wander, scatter, s) for s in (start, None)]
        mode = max(modes, key=lambda m: m.evidence)
        sites = summarise(data, nodes, base, mode, scatter)
        beside = by_neighbours(data, nodes, base)
    if found:
        wander, scatter, mode = find_scales(data, nodes, base, prior)
        sites = summarise(data, nodes, base, mode, scatter)
    # Steps lie in the past. Their columns count from now, so that "level" is the level now.
    shifted = sites.design.copy()
    steps_from = 2 + len(sizes)
    shifted[:, steps_from:] -= 1.0
    level = max(float(mode.coefficients[0]), 0.1)
    share = float(np.clip(mode.coefficients[1] / level, 0.005, 1.0))
    told = np.isfinite(temperature_c).mean() > 0.5
    priors = ((1.0, prior),) if told or np.ptp(time_s) > YEAR_S else readings(prior, 2)
    posterior = compare(sites, forms(share), now_kh, shifted[:, 2:], priors)
    if len(priors) > 1 and posterior.usual_leads:
        # The course that is drawn ends where the figure stands.
        mode = find_mode(data, nodes, base, priors[0][1], wander, scatter, mode)
    systematic = math.hypot(
        common_error(mode.coefficients[2 : 2 + heat_count], temperature_c, time_s), alike
    )
    return Health(
        posterior,
        describe_steps(found, posterior, nodes, data, steps_from),
        scatter,
        wander,
        systematic,
        sites,
        fitted_output(base, mode, nodes, heat_count),
        fitted_output_sd(sites, prior, wander, heat_count),
        _since_start(posterior, sites, shifted[0, 2:], heat_count, systematic),
        usual_loss_per_kh=usual_loss_per_kh,
    )


def _since_start(
    posterior: Posterior, sites: Sites, first: Floats, heat_count: int, systematic: float
) -> Span:
    extra = first.copy()
    extra[:heat_count] = 0.0
    return relative_output(posterior, float(sites.kh[0]), extra, systematic)


def extra_columns(kh: Floats, temperature_c: Floats, time_s: Floats) -> tuple[Floats, Floats, int]:
    """Return further columns, their prior sizes, and how many of them, from the first, are heat."""
    columns = np.empty((len(kh), 0))
    sizes: list[float] = []
    heat = 0
    if np.isfinite(temperature_c).mean() > 0.5:
        columns = heat_columns(temperature_c)
        sizes.extend(HEAT_SIZE)
        heat = columns.shape[1]
    else:
        columns, wave = wave_columns(time_s)
        sizes.extend(wave)
        heat = 2
    if kh[0] < 3.0 * _TRANSIENT_KH:
        columns = np.column_stack((columns, np.exp(-kh / _TRANSIENT_KH)))
        sizes.append(_TRANSIENT_SIZE)
    return columns, np.array(sizes), heat


def common_error(heat: Floats, temperature_c: Floats, time_s: Floats) -> float:
    """Return the common error of all runs' figures (one sd), fraction of rated."""
    if np.isfinite(temperature_c).mean() > 0.5:
        return SYSTEMATIC
    if np.ptp(time_s) <= YEAR_S:
        return SYSTEMATIC_UNTOLD
    wave = float(np.hypot(*heat))
    return math.hypot(0.3 * SYSTEMATIC_UNTOLD, SYSTEMATIC_OF_WAVE * wave)


def convincing(step: Found, sites: Sites, found: list[Found]) -> bool:
    """Tell whether a step is likely and large enough, and not beside one that was found."""
    if step.log_odds < math.log(LEAST_ODDS) or abs(step.change) < LEAST_CHANGE:
        return False
    return all(abs(step.node - other.node) > 1 for other in found) and step.node < len(sites.kh)


def describe_steps(
    found: list[Found],
    posterior: Posterior,
    nodes: Nodes,
    data: Observations,
    steps_from: int,
) -> tuple[StepFound, ...]:
    """State each step with its 90 % interval from the mixture, leaving out those that span zero."""
    described = []
    weights = posterior.weights()
    for k, step in enumerate(found):
        mean = np.array([c.mean[steps_from + k] for c in posterior.cells])
        sd = np.sqrt([c.covariance[steps_from + k, steps_from + k] for c in posterior.cells])
        low, middle, high = (mixture_quantile(mean, sd, weights, p) for p in (0.05, 0.5, 0.95))
        if low < 0.0 < high:
            continue
        of_run = nodes.of_run
        before = float(data.kh[of_run < step.node].max())
        after = float(data.kh[of_run >= step.node].min())
        described.append(StepFound(0.5 * (before + after), middle, low, high))
    return tuple(sorted(described, key=lambda s: s.kh))


def fitted_output(base: Floats, mode: Mode, nodes: Nodes, heat_count: int) -> Floats:
    """Return the fitted output at each node with heat taken out."""
    cool = mode.coefficients.copy()
    cool[2 : 2 + heat_count] = 0.0
    number = nodes.add(np.ones(len(nodes.of_run)))
    fitted: Floats = nodes.add(base @ cool) / number + mode.walk
    return fitted


def fitted_output_sd(
    sites: Sites, prior: tuple[Floats, Floats], wander: float, heat_count: int
) -> Floats:
    """Return the posterior standard deviation of :func:`fitted_output`; dense, on the few nodes."""
    count, columns = sites.design.shape
    weighted = sites.design * sites.precision[:, None]
    precision = np.zeros((columns + count - 1, columns + count - 1))
    precision[:columns, :columns] = sites.design.T @ weighted + np.diag(prior[1])
    precision[columns:, :columns] = weighted[1:]
    precision[:columns, columns:] = weighted[1:].T
    if count > 1:
        walk = Walk.over(sites.kh)
        inner = np.diag(walk.diagonal / wander**2 + sites.precision[1:])
        inner += np.diag(walk.beside / wander**2, 1) + np.diag(walk.beside / wander**2, -1)
        precision[columns:, columns:] = inner
    covariance = np.linalg.inv(precision)
    cool = np.zeros((count, columns + count - 1))
    cool[:, :columns] = sites.design
    cool[:, 2 : 2 + heat_count] = 0.0
    cool[np.arange(1, count), columns + np.arange(count - 1)] = 1.0
    variance = np.einsum("ij,jk,ik->i", cool, covariance, cool, optimize=True)
    spread: Floats = np.sqrt(np.maximum(variance, 0.0))
    return spread
