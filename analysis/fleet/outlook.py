"""When a boat's charger meets its limit, alone and with the prior of its sisters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logsumexp

from analysis.assessment.assess import SEED
from analysis.assessment.forecast import FURTHEST
from analysis.assessment.usage import Pace, dates
from analysis.estimate import Span
from analysis.fleet.prior import FORM_WEIGHTS, GRID, WANDER_WEIGHTS, evidence_of, loss_at
from analysis.health.life import RARE_LOSS
from analysis.health.trend import WANDERS
from analysis.statistics import positive
from analysis.statistics.passage import passage_for_good

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment.usage import Usage
    from analysis.fleet.prior import Prior
    from analysis.fleet.sketch import Sketch

    Floats = NDArray[np.float64]

#: Paths drawn: the ends of an interval are good to 3 % of its width.
PATHS = 2000
#: Times on each path, closer at first, nearly as many as for one boat (our choice).
_POINTS = 200
#: The median course is told at each such time: a smooth line, used for the pace alone.
_EACH = 8
#: How far the lives of the sisters may judge the form and wander of a boat: their evidence for each
#: cell is taken to this power; 1 is Bayes' theorem. The forms are only like the true ones, and they
#: leave the lives of each form alike. At 1, sisters of mixed forms did harm at half of a life; at 0
#: they help less before (METHOD section 9). A power is usual where a likelihood is not quite true:
#: Holmes and Walker 2017, Biometrika 104:497-503 (from memory).
_TRUST = 0.5
#: As for one boat (analysis.assessment.forecast): errors of the load have heavy tails.
_LOAD_NU = 4.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """Remaining running hours until the first limit."""

    hours: Span
    """A value beyond the reach is None."""
    draws_h: Floats
    """Until the first limit, shape (paths,); infinity where none is met."""
    output_h: Floats
    """Until the replacement limit of the output alone, shape (paths,)."""
    reach_h: float
    times_h: Floats
    """Hours ahead of the course below."""
    course: Floats
    """Median of the forecast output at ``times_h``."""

    def when(self, hours: Floats, pattern: Usage, logged_output: float, from_s: float) -> Floats:
        """Return the Unix times at which the boat will have run so many hours.

        By the rule of a single boat's report: a worn charger runs longer for the same energy.

        Parameters
        ----------
        hours
            Ahead, shape (n,); infinity stays infinity.
        pattern
            Use over the year.
        logged_output
            Mean output over the hours of the log.
        from_s
            End of the log, Unix time.
        """
        pace = Pace.of(self.times_h, self.course, logged_output)
        return dates(pattern, from_s, pace.usual(hours), np.random.default_rng(SEED + 1))


def reach_of(sketch: Sketch, prior: Prior | None) -> float:
    """Return how far ahead a limit may be named, running hours."""
    reach = FURTHEST * sketch.observed_h
    return reach if prior is None else max(reach, prior.longest_h - 1000.0 * sketch.now_kh)


def outlook(
    sketch: Sketch,
    prior: Prior | None,
    rng: np.random.Generator,
    reach: float | None = None,
) -> Outlook:
    """Draw futures of a boat.

    Parameters
    ----------
    sketch
        The boat.
    prior
        What its sisters say; None is the boat alone.
    rng
        Source of chance.
    reach
        How far ahead the paths go, h; :func:`reach_of` if left out.
    """
    reach = reach_of(sketch, prior) if reach is None else reach
    ahead = (1.05 * reach + 200.0) * np.linspace(0.0, 1.0, _POINTS) ** 1.5
    cell, level, loss = (
        _draw_alone(sketch, rng) if prior is None else _draw_with_prior(sketch, prior, rng)
    )
    paths = _paths(sketch, cell, level, loss, ahead, rng)
    gain = np.maximum(1.0 + sketch.gain_sd * rng.standard_normal(PATHS), 0.2)
    output_h = passage_for_good(ahead, paths, sketch.replace_below * gain)
    draws = output_h
    if sketch.load_below is not None:
        needed = sketch.load_below * np.exp(sketch.load_sd * rng.standard_t(_LOAD_NU, PATHS))
        draws = np.minimum(draws, passage_for_good(ahead, paths, needed))
    if sketch.design_left_h is not None:
        first_h, last_h = sketch.design_left_h
        ends_h = first_h + (last_h - first_h) * rng.random(PATHS)
        draws = np.minimum(draws, np.maximum(ends_h - sketch.unseen_h * rng.random(PATHS), 0.0))
    ordered = np.sort(draws)
    low, median, high = (float(ordered[int(p * PATHS)]) for p in (0.05, 0.5, 0.95))
    hours = Span(
        min(low, reach),
        median if median <= reach else None,
        high if high <= reach and median <= reach else None,
    )
    seen = np.append(np.arange(0, _POINTS - 1, _EACH), _POINTS - 1)
    course = np.median(paths[:, seen] / gain[:, None], axis=0)
    return Outlook(hours, draws, output_h, reach, ahead[seen], course)


def _draw_alone(
    sketch: Sketch, rng: np.random.Generator
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Draw cell, present level and loss from the estimator's posterior."""
    # What is lost for good does not come back: the loss is above zero, and seldom close to it.
    sd = np.sqrt(sketch.loss_var)
    weight = positive.weighed(sketch.weight, sketch.loss, sd, RARE_LOSS)
    cell = rng.choice(len(weight), PATHS, p=weight)
    loss = positive.draw(sketch.loss[cell], sd[cell], rng, RARE_LOSS)
    return cell, _level(sketch, cell, loss, rng), loss


def _draw_with_prior(
    sketch: Sketch, prior: Prior, rng: np.random.Generator
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Draw them with the life T weighted by the sisters."""
    p = chances(sketch, prior)
    pick = rng.choice(p.size, PATHS, p=p.ravel())
    cell, place = np.unravel_index(pick, p.shape)
    at = loss_at(sketch)
    # Within a step of the grid the loss is spread evenly.
    beside = np.clip(place + 1, 0, len(GRID) - 1)
    share = rng.random(PATHS) - 0.5
    loss = at[cell, place] + (at[cell, beside] - at[cell, place]) * share
    return cell, _level(sketch, cell, loss, rng), loss


def chances(sketch: Sketch, prior: Prior) -> Floats:
    """Return the probability of each cell and life T, sums to one; shape (cells, grid).

    Within a cell T follows Bayes' theorem. Among the cells, the evidence of its sisters' lives
    counts with the power :data:`_TRUST`; the rest is what the boat's own estimate says.
    """
    log_p = evidence_of(sketch) + np.log(np.maximum(prior.density, 1e-300))[None]
    together = logsumexp(log_p, axis=1)
    ratio = FORM_WEIGHTS[sketch.form] * WANDER_WEIGHTS[sketch.wander]
    alone = np.log(np.maximum(sketch.weight / ratio, 1e-300))
    alone += positive.log_chance(sketch.loss, np.sqrt(sketch.loss_var), RARE_LOSS)
    weight = np.log(np.maximum(prior.form[sketch.form] * prior.wander[sketch.wander], 1e-300))
    weight += _TRUST * together + (1.0 - _TRUST) * alone
    log_p += (weight - together)[:, None]
    p: Floats = np.exp(log_p - logsumexp(log_p))
    return p


def _level(
    sketch: Sketch, cell: NDArray[np.intp], loss: Floats, rng: np.random.Generator
) -> Floats:
    """Draw the present level, given the loss."""
    gain = sketch.cross / sketch.loss_var
    left = np.sqrt(np.maximum(sketch.level_var - gain * sketch.cross, 0.0))
    level = sketch.level[cell] + gain[cell] * (loss - sketch.loss[cell])
    drawn: Floats = level + left[cell] * rng.standard_normal(len(cell))
    return drawn


def _paths(
    sketch: Sketch, cell: NDArray[np.intp], level: Floats, loss: Floats, ahead_h: Floats,
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    now, ahead = sketch.now_kh, ahead_h / 1000.0
    level = level + sketch.systematic * rng.standard_normal(len(cell))
    paths = rng.standard_normal((len(cell), len(ahead)))
    paths[:, 0] = 0.0
    paths[:, 1:] *= np.sqrt(np.diff(ahead)) * WANDERS[sketch.wander][cell][:, None]
    np.cumsum(paths, axis=1, out=paths)
    columns = np.empty((len(sketch.form), len(ahead)))
    for k, form in enumerate(sketch.forms()):
        scale = float(form.loss(now)) / max(now, 1e-6)
        columns[k] = (form.loss(now + ahead) - form.loss(now)) / scale
    paths += level[:, None] - loss[:, None] * columns[cell]
    return paths


def alone_seed(name: str) -> np.random.Generator:
    """Return the source of chance of a boat: the same boat gets the same figures."""
    return np.random.default_rng(np.frombuffer(name.encode(), dtype=np.uint8))
