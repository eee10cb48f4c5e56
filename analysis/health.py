"""Health estimate of one life of a charger: output now, decline, steps, wander, effect of heat.

A life begins when the charger is new, renewed or exchanged. All hours here are running hours of
that life.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.health_forms import Posterior, compare, forms, mixture_quantile, trend_columns
from analysis.health_steps import (
    LEAST_CHANGE,
    LEAST_ODDS,
    MOST_STEPS,
    Found,
    strongest_step,
)
from analysis.health_trend import (
    Mode,
    Nodes,
    Observations,
    Sites,
    find_mode,
    find_scales,
    make_nodes,
    summarise,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Fewer values than this say nothing about a trend.
LEAST_VALUES = 4
#: Prior of the level when new: a nameplate is honest to about a quarter.
_LEVEL_PRIOR = (1.0, 0.3)
#: Prior spread of the mean loss per 1000 h about what would use up the design life.
_SLOPE_SPREAD = 0.1
#: Early transient: time constant, thousand hours, and prior size, fraction of rated.
_TRANSIENT_KH = 0.15
_TRANSIENT_SIZE = 0.02
#: Effect of heat on output, fraction per 10 K: over the whole range, and beyond each knee.
_HEAT_KNEES_C = (30.0, 35.0, 40.0)
_HEAT_SIZE = (0.02, 0.1, 0.1, 0.1)
REFERENCE_C = 25.0
#: What the figure of every run may be wrong by alike (sag, warm-up, meter), fraction of rated.
SYSTEMATIC = 0.002


@dataclass(frozen=True, slots=True)
class StepFound:
    """A step, in running hours of this life."""

    kh: float
    change: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Health:
    """What the runs of one life say."""

    posterior: Posterior
    steps: tuple[StepFound, ...]
    scatter: float
    """Scale of the run-to-run errors, fraction of rated."""
    wander: float
    heat: Floats
    """Coefficients of :func:`heat_columns`; empty where temperature is not logged."""
    systematic: float
    sites: Sites
    fitted: Floats
    """Output at each node, shape (m,): trend, steps and wander, heat taken out."""

    def output(self, probability: float) -> float:
        """Return a quantile of the present output."""
        mean, sd, weights = self.posterior.level()
        return mixture_quantile(mean, np.hypot(sd, self.systematic), weights, probability)

    def slope(self, probability: float) -> float:
        """Return a quantile of the present loss per 1000 h."""
        return mixture_quantile(*self.posterior.slope(), probability)


def heat_columns(temperature_c: Floats) -> Floats:
    """Return the columns for heat, shape (n, 4), in units of 10 K from 25 degC and beyond knees.

    Missing temperatures count as the median of the others.
    """
    told = np.isfinite(temperature_c)
    usual = float(np.median(temperature_c[told])) if told.any() else REFERENCE_C
    t = np.where(told, temperature_c, usual)
    beyond = [np.maximum(t - knee, 0.0) / 10.0 for knee in _HEAT_KNEES_C]
    return np.column_stack([(t - REFERENCE_C) / 10.0, *beyond])


def estimate(
    data: Observations,
    temperature_c: Floats,
    now_kh: float,
    usual_loss_per_kh: float,
    systematic: float = SYSTEMATIC,
) -> Health | None:
    """Estimate health from the figures of the runs of one life.

    Parameters
    ----------
    data
        Figures of the runs, ordered by hours.
    temperature_c
        Compartment temperature of each, NaN where not logged; shape (n,).
    now_kh
        Thousand running hours of the life at the end of the log.
    usual_loss_per_kh
        Loss per thousand hours that would use up the design life; centres a wide prior.
    systematic
        What all figures may be wrong by alike, fraction of rated.

    Returns
    -------
    None where there are too few values to say anything.
    """
    if (~data.bound).sum() < LEAST_VALUES:
        return None
    nodes = make_nodes(data.kh)
    extra, sizes, heat_count = _extra_columns(data.kh, temperature_c)
    linear = forms(0.05)[0]
    base = np.column_stack((trend_columns(linear, data.kh, now_kh), extra))
    mean = np.concatenate(([_LEVEL_PRIOR[0], usual_loss_per_kh], np.zeros(len(sizes))))
    mean[0] -= usual_loss_per_kh * now_kh
    spread = np.concatenate(([_LEVEL_PRIOR[1], _SLOPE_SPREAD], sizes))
    prior = (mean, spread**-2.0)
    wander, scatter, mode = find_scales(data, nodes, base, prior)
    sites = summarise(data, nodes, base, mode, scatter)
    found: list[Found] = []
    while len(found) < MOST_STEPS:
        next_step = strongest_step(sites, sites.design, prior)
        if next_step is None or not _convincing(next_step, sites, found):
            break
        found.append(next_step)
        base = np.column_stack((base, (nodes.of_run >= next_step.node).astype(float)))
        prior = (np.append(prior[0], 0.0), np.append(prior[1], 0.15**-2.0))
        start = Mode(np.append(mode.coefficients, 0.0), mode.walk, mode.evidence)
        mode = find_mode(data, nodes, base, prior, wander, scatter, start)
        sites = summarise(data, nodes, base, mode, scatter)
    if found:
        wander, scatter, mode = find_scales(data, nodes, base, prior)
        sites = summarise(data, nodes, base, mode, scatter)
    # Steps lie before now, so their columns are stated relative to now: level means level now.
    shifted = sites.design.copy()
    steps_from = 2 + len(sizes)
    shifted[:, steps_from:] -= 1.0
    level = max(float(mode.coefficients[0]), 0.1)
    share = float(np.clip(mode.coefficients[1] / level, 0.005, 1.0))
    posterior = compare(sites, forms(share), now_kh, shifted[:, 2:], prior)
    return Health(
        posterior,
        _describe(found, posterior, nodes, data, steps_from),
        scatter,
        wander,
        mode.coefficients[2 : 2 + heat_count],
        systematic,
        sites,
        _fitted(base, mode, nodes, heat_count),
    )


def _extra_columns(kh: Floats, temperature_c: Floats) -> tuple[Floats, Floats, int]:
    """Return further columns, their prior sizes, and how many of them (the first) are heat."""
    columns = np.empty((len(kh), 0))
    sizes: list[float] = []
    heat = 0
    if np.isfinite(temperature_c).mean() > 0.5:
        columns = heat_columns(temperature_c)
        sizes.extend(_HEAT_SIZE)
        heat = columns.shape[1]
    if kh[0] < 3.0 * _TRANSIENT_KH:
        columns = np.column_stack((columns, np.exp(-kh / _TRANSIENT_KH)))
        sizes.append(_TRANSIENT_SIZE)
    return columns, np.array(sizes), heat


def _convincing(step: Found, sites: Sites, found: list[Found]) -> bool:
    if step.log_odds < math.log(LEAST_ODDS) or abs(step.change) < LEAST_CHANGE:
        return False
    return all(abs(step.node - other.node) > 1 for other in found) and step.node < len(sites.kh)


def _describe(
    found: list[Found],
    posterior: Posterior,
    nodes: Nodes,
    data: Observations,
    steps_from: int,
) -> tuple[StepFound, ...]:
    """State each step with its 90 % interval from the mixture."""
    described = []
    weights = posterior.weights()
    for k, step in enumerate(found):
        mean = np.array([c.mean[steps_from + k] for c in posterior.cells])
        sd = np.sqrt([c.covariance[steps_from + k, steps_from + k] for c in posterior.cells])
        low, middle, high = (mixture_quantile(mean, sd, weights, p) for p in (0.05, 0.5, 0.95))
        of_run = nodes.of_run
        before = float(data.kh[of_run < step.node].max())
        after = float(data.kh[of_run >= step.node].min())
        described.append(StepFound(0.5 * (before + after), middle, low, high))
    return tuple(sorted(described, key=lambda s: s.kh))


def _fitted(base: Floats, mode: Mode, nodes: Nodes, heat_count: int) -> Floats:
    """Return the fitted output at each node with heat taken out."""
    cool = mode.coefficients.copy()
    cool[2 : 2 + heat_count] = 0.0
    number = nodes.add(np.ones(len(nodes.of_run)))
    fitted: Floats = nodes.add(base @ cool) / number + mode.walk
    return fitted
