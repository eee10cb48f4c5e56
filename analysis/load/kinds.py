"""Kinds of day: under way, at anchor, away, on shore power; and what the boat draws on each.

A day's load scatters about that of its kind. Kinds last for some days, and each has a sign:

* by its level: left alone the boat draws little, at anchor more, under way most;
* by other sources: an hour or two of help is the engine under way, a night of it shore power;
* laid up, nothing is logged, or shore power for weeks.

The charge balance between marks (:mod:`analysis.load.stretches`) is a sum over several days, so
days, kinds and levels are drawn together from what the balance leaves open: a Gibbs sampler (Geman
and Geman 1984) with the chain of kinds drawn forward and backward (Fruehwirth-Schnatter 1994).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from analysis.history.runs import runs_since
from analysis.load.sources.declared import held_days, since_change
from analysis.load.sources.other_sources import STEP_S, make_grid
from analysis.load.stretches import find_pieces, find_spans, weights
from analysis.load.usual_bank import SWING_V, USUAL_DAYS
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs
    from analysis.load.result import LoadResult
    from analysis.load.sources.other_sources import Grid
    from logger.config import Config

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.intp]

AWAY, ANCHOR, UNDER_WAY = range(3)
NAMES = ("away", "at anchor", "under way")
#: Days of the log that are used: the kinds of day are those of the last year (our choice, a year
#: and a month).
LATEST_D = 400
#: Help from the least time on, up to the second, is the engine; longer help is shore power, h
#: (judgement).
LEAST_HELP_H, SHORE_H = 0.3, 6.0
#: Expected levels of the kinds, as parts of the mean day, and their standard deviations (common
#: practice of audit tables, no source: under way a third to a half more than at anchor, left alone
#: next to nothing).
EXPECTED = np.array([0.2, 0.8, 1.25])
_EXPECTED_SD = np.array([0.15, 0.25, 0.35])
#: At anchor over under way, and its standard deviation (as above).
ANCHOR_SHARE, _ANCHOR_SHARE_SD = 0.68, 0.12
#: Prior of the relative scatter of days of one kind, and its weight in days (judgement).
_SCATTER, _SCATTER_DAYS = 0.15, 60.0
#: Probability that a day keeps the kind of the day before, beside chance; and the weight of the
#: prior shares, in days (judgement).
_STAYS = 0.6
_SHARE_DAYS = np.array([2.0, 4.0, 4.0])
#: Probability that a day on which the engine ran is of a kind: engines run under way (our choice).
ENGINE = np.array([0.02, 0.13, 0.85])
#: Rounds of the sampler, and those at its beginning that are dropped (judgement: 90 draws remain).
_ROUNDS, _BURN_IN = 140, 50
#: Resistance that a bank shows to its loads, times its charge per volt: V/A x Ah/V (judgement from
#: the pattern of a sound bank: 0.02 ohm for 200 Ah).
_LAG_OHM_AH = 0.022
#: Prior error of a stretch from full to start, between like marks, and from start to full, in hours
#: of the mean load, and its weight in rows (judgement: a start and the end of a charge are each
#: sharp to an hour or two).
_NOISE_H, _NOISE_ROWS = np.array([1.5, 2.0, 2.5]), 10.0
#: Degrees of freedom of the error of a stretch: heavy tails, because some marks are wrong.
_NU = 4.0
#: Standard error of the charge by voltage, V per 12 V block (as in the balance).
_ROUGH_V = 0.06
#: Seed, so that the same log gives the same kinds.
_SEED = 20240611


@dataclass(frozen=True, slots=True)
class Kinds:
    """Kinds of day of the last year and their levels.

    ``draws`` are of the posterior; loads are in A, the mean over 24 h.
    """

    level_a: Floats
    """Mean load of each kind, shape (draws, 3)."""
    scatter: Floats
    """Relative standard deviation of the days of one kind, shape (draws,)."""
    days: Floats
    """Expected number of days of each kind among those that the balance covers, shape (3,)."""
    begin_s: Floats
    """Unix time at which each covered day begins, shape (n,)."""
    chance: Floats
    """Probability of each kind on each covered day, shape (n, 3)."""

    @property
    def doubt(self) -> Floats:
        """Return for each kind how uncertain its days are: the mean chance of another, shape (3,).

        It is 0 where each of its days is certain, and 1 where none is.
        """
        total = np.maximum(self.chance.sum(axis=0), 1e-9)
        return np.asarray((self.chance * (1.0 - self.chance)).sum(axis=0) / total)


def kinds_of_day(runs: Runs, load: LoadResult, config: Config) -> Kinds | None:
    """Find the kinds of day of a boat whose load is known; None where it is not.

    Parameters
    ----------
    runs, load
        The log, and what was found of the load.
    config
        Chemistry, capacity and charge ceiling; and the sources that are not logged: days on which
        one held the battery tell nothing, and the days are those since the others last changed.
    """
    if load.method == "none" or len(load.daily_s) == 0:
        return None
    bank = config.battery
    recent = runs_since(runs, float(runs.log.end_s[-1]) - LATEST_D * DAY_S)
    recent = since_change(recent, config.other_sources)
    grid = make_grid(recent, bank.chemistry, bank.charge_ceiling_v, config.boat.zone)
    day = np.floor(grid.local_s / DAY_S).astype(np.intp)
    held = held_days(int(day[0]), int(day[-1] - day[0]) + 1, config.other_sources)
    grid = replace(grid, aided=grid.aided | (held[day - day[0]] & grid.known))
    measured = None
    if load.method == "battery_current":
        first = np.floor(grid.local_s[0] / DAY_S)
        place = np.floor(load.daily_s / DAY_S + 0.5) - first
        measured = np.full(int(np.floor(grid.local_s[-1] / DAY_S) - first) + 1, np.nan)
        inside = (place >= 0) & (place < len(measured))
        measured[place[inside].astype(np.intp)] = load.daily_ah[inside] / 24.0
    mean_ah = load.ah.median or 1.0
    capacity_ah = bank.capacity_ah or USUAL_DAYS * mean_ah
    found = find_kinds(recent, grid, load.efficiency, capacity_ah / SWING_V, measured)
    if found is None or load.helped_ah is None:
        return found
    # Engines run under way, and the balance of charge does not see those days.
    level = found.level_a.copy()
    level[:, UNDER_WAY] = np.maximum(level[:, UNDER_WAY], load.helped_ah / 24.0)
    return replace(found, level_a=level)


def find_kinds(
    runs: Runs, grid: Grid, efficiency: float, ah_per_v: float, measured_a: Floats | None = None
) -> Kinds | None:
    """Find the kinds of day; None where fewer than three stretches tell the load.

    Parameters
    ----------
    runs, grid
        The log, and the same on its grid with the help of others marked.
    efficiency
        Share of the charge put into the battery that comes out again.
    ah_per_v
        Charge per volt at the terminals that is expected of this bank.
    measured_a
        Mean load of each day of the grid, A, where the battery's current tells it; NaN elsewhere.
    """
    index = np.floor(grid.local_s / DAY_S).astype(np.intp)
    origin, count = int(index[0]), int(index[-1] - index[0]) + 1
    index = index - origin
    per_h = STEP_S / 3600.0
    known_h = np.bincount(index, weights=grid.known * per_h, minlength=count)
    help_h = np.bincount(index, weights=grid.aided * per_h, minlength=count)
    begin_s = np.asarray(DAY_S * (origin + np.arange(count)), dtype=np.float64)
    latest = begin_s >= begin_s[-1] - LATEST_D * DAY_S
    shore = latest & (help_h >= SHORE_H)
    engine = latest & (help_h >= LEAST_HELP_H) & ~shore
    silent = latest & (known_h < 1.0)
    if measured_a is not None:
        told = np.flatnonzero(np.isfinite(measured_a) & latest & ~shore)
        model = by_current(measured_a, told)
    else:
        balance = by_balance(runs, grid, efficiency, ah_per_v, latest)
        if balance is None:
            return None
        told, model = balance
    if len(told) < 3:
        return None
    emission = np.zeros((count, 3))
    if measured_a is not None:
        engine &= ~np.isfinite(measured_a)  # the load tells more, and it may be the sun
    emission[engine] = np.log(ENGINE)
    breaks = shore | silent
    draws = sample(model, told, emission, breaks, np.flatnonzero(latest))
    return Kinds(
        draws.level,
        draws.scatter,
        np.asarray(draws.chance[told].sum(axis=0), dtype=np.float64),
        begin_s[told],
        draws.chance[told],
    )


@dataclass(frozen=True, slots=True)
class Model:
    """Linear observations of the days' loads: ``design @ unknowns + marks = target + noise``."""

    design: Floats
    """Shape (rows, unknowns); the days come first."""
    begins: Indices
    """Day on which a row begins with a start of the charger, -1 where it does not; shape (rows,)"""
    ends: Indices
    """The same of its end."""
    sort: Indices
    """Sort of each row; rows of one sort share their scatter."""
    target: Floats
    extra: Floats
    """Further information, with a scatter of its own."""
    side: Floats
    level_a: float
    """Mean load, A."""
    lag_ah_per_a: float
    """Expected extra charge in the battery at a start, for each ampere drawn then."""


def by_current(measured_a: Floats, told: Indices) -> Model:
    """Set up the days whose load the battery's current gives."""
    loads = measured_a[told]
    level = float(loads.mean()) if len(told) else 1.0
    exact = np.full(len(told), 1.0 / (0.02 * level) ** 2)
    none, nowhere = np.empty(0), np.empty(0, dtype=np.intp)
    return Model(
        np.empty((0, len(told))), nowhere, nowhere, nowhere, none,
        np.diag(exact), exact * loads, level, 0.0,
    )  # fmt: skip


def by_balance(
    runs: Runs, grid: Grid, efficiency: float, ah_per_v: float, latest: Flags
) -> tuple[Indices, Model] | None:
    """Set up the balance of charge between marks, as :mod:`analysis.load.balance` does."""
    spans = find_spans(runs, grid)
    pieces = find_pieces(runs, grid, spans)
    if len(spans) < 3:
        return None
    days, parts, origin = weights(spans, grid, efficiency)
    more_days, more_parts, _ = weights(pieces, grid, efficiency)
    recent = days[:, latest].sum(axis=1) > 0.99 * days.sum(axis=1)
    more = more_days[:, latest].sum(axis=1) > 0.99 * more_days.sum(axis=1)
    if recent.sum() < 3:
        return None
    touched = np.flatnonzero((days[recent].sum(axis=0) + more_days[more].sum(axis=0)) > 0.0)
    supplied = efficiency * spans.charge_ah[recent]
    level = max(float(supplied.sum() / days[recent].sum()), 1e-3)

    def pattern(of: Floats) -> Floats:
        return of[:, :-1] - of[:, -1:]

    rows, place = int(recent.sum()), len(touched)
    swing = spans.swing[recent]
    design = np.column_stack(
        (days[recent][:, touched], pattern(parts[recent]), np.zeros(rows), swing)
    )
    rough = np.column_stack(
        (
            more_days[more][:, touched],
            pattern(more_parts[more]),
            pieces.rise_v[more],
            np.zeros(int(more.sum())),
        )
    )
    rough2 = (_ROUGH_V * ah_per_v) ** 2
    extra = rough.T @ rough / rough2
    side = rough.T @ (efficiency * pieces.charge_ah[more]) / rough2
    width = design.shape[1]
    inside = range(place, width - 2)
    extra[inside, inside] += 1.0 / (0.5 * level) ** 2
    extra[-2, -2] += 1.0 / (0.5 * ah_per_v) ** 2
    side[-2] += ah_per_v / (0.5 * ah_per_v) ** 2
    extra[-1, -1] += 1.0 / (1000.0 * level) ** 2

    def day_of(cell: Indices) -> Indices:
        day = np.floor(grid.local_s[cell] / DAY_S).astype(np.intp) - origin
        return np.asarray(np.minimum(np.searchsorted(touched, day), place - 1), dtype=np.intp)

    # Between like marks it is start to start far more often than full to full.
    begins = np.where(swing >= 0.0, day_of(spans.first[recent]), -1)
    ends = np.where(swing <= 0.0, day_of(spans.last[recent] - 1), -1)
    sort = (np.sign(swing) + 1.0).astype(np.intp)
    lag = _LAG_OHM_AH * ah_per_v
    return touched, Model(design, begins, ends, sort, supplied, extra, side, level, lag)


@dataclass(frozen=True, slots=True)
class Draws:
    """What the sampler drew after its burn-in."""

    level: Floats
    scatter: Floats
    chance: Floats
    """Probability of each kind on each day of the grid."""


def sample(model: Model, told: Indices, emission: Floats, breaks: Flags, chain: Indices) -> Draws:
    """Draw loads, kinds and levels in turn."""
    rng = np.random.default_rng(_SEED)
    days, base, rows = len(told), model.level_a, len(model.target)
    level = base * EXPECTED / float(EXPECTED[1:].mean())
    scatter, noise2 = _SCATTER, (_NOISE_H * base) ** 2
    trust = np.ones(rows)
    lag = model.lag_ah_per_a
    kind = np.full(len(emission), ANCHOR)
    shares = _SHARE_DAYS / _SHARE_DAYS.sum()
    kept_level, kept_scatter = [], []
    chance = np.zeros((len(emission), 3))
    lever = np.zeros((rows, days))
    lever[np.flatnonzero(model.begins >= 0), model.begins[model.begins >= 0]] -= 1.0
    lever[np.flatnonzero(model.ends >= 0), model.ends[model.ends >= 0]] += 1.0
    for round_ in range(_ROUNDS):
        design = model.design.copy()
        design[:, :days] += lag * lever
        weight = trust / noise2[model.sort] if rows else trust
        spread = np.maximum(scatter * level, 0.05 * base)
        if rows:
            seen = Seen(design, model, weight, days)
            kind = sweep(seen, kind, told, emission, breaks, chain, shares, level, spread, rng)
        of_day = kind[told]
        prior_mean, prior_sd = level[of_day], spread[of_day]
        precision = design.T @ (weight[:, None] * design) + model.extra
        precision[range(days), range(days)] += 1.0 / prior_sd**2
        right = design.T @ (weight * model.target) + model.side
        right[:days] += prior_mean / prior_sd**2
        factor = cho_factor(precision, lower=True)
        drawn = cho_solve(factor, right) + solve_triangular(
            factor[0], rng.standard_normal(len(right)), lower=True, trans="T"
        )
        loads = np.maximum(drawn[:days], 0.01 * base)
        if rows:
            rest = model.target - design @ drawn
            noise2, trust = draw_noise(rest, model.sort, trust, base, rng)
            lag = draw_lag(rest + lag * (lever @ drawn[:days]), lever @ drawn[:days],
                       trust / noise2[model.sort], model.lag_ah_per_a, rng)  # fmt: skip
        likely = emission.copy()
        likely[told] -= 0.5 * ((loads[:, None] - level) / spread) ** 2 + np.log(spread)
        kind[chain], drawn_kind = draw_chain(likely[chain], breaks[chain], shares, rng)
        of_day = kind[told]
        shares = rng.dirichlet(_SHARE_DAYS + 0.4 * np.bincount(of_day, minlength=3))
        level = draw_levels(loads, of_day, level, scatter, base, rng)
        relative = (loads / level[of_day] - 1.0)[of_day != AWAY]
        total = _SCATTER_DAYS * _SCATTER**2 + float(relative @ relative)
        scatter = float(np.sqrt(0.5 * total / rng.gamma(0.5 * (_SCATTER_DAYS + len(relative)))))
        scatter = min(scatter, 0.4)
        if round_ >= _BURN_IN:
            kept_level.append(level)
            kept_scatter.append(scatter)
            chance[chain] += drawn_kind
    return Draws(np.array(kept_level), np.array(kept_scatter), chance / (_ROUNDS - _BURN_IN))


class Seen:
    """The rows with the loads integrated out: their covariance without the days' scatter.

    The unknowns that are no days (pattern, volts, swing) enter by their prior spread; what pieces
    of a day tell by their voltage enters as rows of its own.
    """

    def __init__(self, design: Floats, model: Model, weight: Floats, days: int) -> None:
        self.columns = design[:, :days]
        width = design.shape[1] - days
        prior = np.zeros(width)
        prior[:-2] = (0.5 * model.level_a) ** 2
        prior[-1] = (1000.0 * model.level_a) ** 2
        beside = design[:, days:]
        self.fixed = np.diag(1.0 / weight) + (beside * prior) @ beside.T
        self.target = model.target


def sweep(
    seen: Seen, kind: Indices, told: Indices, emission: Floats, breaks: Flags, chain: Indices,
    shares: Floats, level: Floats, spread: Floats, rng: np.random.Generator,
) -> Indices:  # fmt: skip
    """Draw the kind of each day in turn with the loads integrated out (collapsed Gibbs sampler).

    Another kind of one day moves the mean of the rows along its column and their covariance by a
    matrix of rank one, so that its likelihood needs two products only (Sherman and Morrison 1950).
    """
    kind = kind.copy()
    variance = spread**2
    of_day = kind[told]
    columns = seen.columns
    inverse = np.linalg.inv(seen.fixed + (columns * variance[of_day]) @ columns.T)
    rest = seen.target - columns @ level[of_day]
    move = np.log(_STAYS * np.eye(3) + (1.0 - _STAYS) * shares)
    alone = np.log(shares)
    first, last = int(chain[0]), int(chain[-1])
    for place in rng.permutation(len(told)):
        day = int(told[place])
        column = columns[:, place]
        along = inverse @ column
        bend, pull = float(column @ along), float(rest @ along)
        now = int(kind[day])
        step = level - level[now]
        wider = variance - variance[now]
        stretch = np.maximum(1.0 + wider * bend, 1e-9)
        fit = 2.0 * step * pull - step**2 * bend + wider * (pull - step * bend) ** 2 / stretch
        score = 0.5 * fit - 0.5 * np.log(stretch) + emission[day]
        score += alone if day == first or breaks[day] else move[kind[day - 1]]
        if day < last and not breaks[day + 1]:
            score += move[:, kind[day + 1]]
        chance = np.exp(score - score.max())
        total = np.cumsum(chance)
        new = int(min(np.searchsorted(total, rng.random() * total[-1]), 2))
        if new != now:
            inverse -= wider[new] / stretch[new] * np.outer(along, along)
            rest = rest - step[new] * column
            kind[day] = new
    return kind


def draw_noise(
    rest: Floats, sort: Indices, trust: Floats, base: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw the scatter of the rows of each sort, and the weight of each row (Student's t)."""
    noise2 = np.empty(3)
    for one in range(3):
        mine = sort == one
        expected = (_NOISE_H[one] * base) ** 2
        total = float((trust[mine] * rest[mine] ** 2).sum()) + _NOISE_ROWS * expected
        noise2[one] = 0.5 * total / rng.gamma(0.5 * (int(mine.sum()) + _NOISE_ROWS))
    noise2 = np.maximum(noise2, (0.2 * base) ** 2)
    shape = 0.5 * (_NU + 1.0)
    trust = rng.gamma(shape, size=len(rest)) / (0.5 * (_NU + rest**2 / noise2[sort]))
    return noise2, np.asarray(trust, dtype=np.float64)


def draw_lag(
    rest: Floats, lever_a: Floats, weight: Floats, expected: float, rng: np.random.Generator
) -> float:
    """Draw the extra charge in the battery at a start, for each ampere drawn then, Ah/A."""
    total = float(weight @ lever_a**2) + 1.0 / expected**2
    side = float(weight @ (lever_a * rest)) + 1.0 / expected
    return max(float(side / total + rng.standard_normal() / total**0.5), 0.0)


def draw_levels(
    loads: Floats, kind: Indices, level: Floats, scatter: float, base: float,
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    """Draw the mean load of each kind, in their order."""
    new = level.copy()
    for one in range(3):
        mine = loads[kind == one]
        sd = max(scatter * float(level[one]), 0.05 * base)
        weight = len(mine) / sd**2
        expected, spread = base * EXPECTED[one], base * _EXPECTED_SD[one]
        total = weight + 1.0 / spread**2
        side = float(mine.sum()) / sd**2 + expected / spread**2
        if one == ANCHOR:
            share = ANCHOR_SHARE * new[UNDER_WAY]
            total += 1.0 / (_ANCHOR_SHARE_SD * new[UNDER_WAY]) ** 2
            side += share / (_ANCHOR_SHARE_SD * new[UNDER_WAY]) ** 2
        if one == UNDER_WAY:
            share = new[ANCHOR] / ANCHOR_SHARE
            total += 1.0 / (_ANCHOR_SHARE_SD / ANCHOR_SHARE * share) ** 2
            side += share / (_ANCHOR_SHARE_SD / ANCHOR_SHARE * share) ** 2
        new[one] = side / total + rng.standard_normal() / np.sqrt(total)
    return np.asarray(np.sort(np.maximum(new, 0.02 * base)), dtype=np.float64)


def draw_chain(
    seen: Floats, breaks: Flags, shares: Floats, rng: np.random.Generator
) -> tuple[Indices, Floats]:
    """Draw the kinds of a chain of days: forward filter, backward draw.

    Returns
    -------
    kind, filtered
        Shape (n,), and the drawn kind as flags, shape (n, 3).
    """
    move = _STAYS * np.eye(3) + (1.0 - _STAYS) * shares
    likely = np.exp(seen - seen.max(axis=1, keepdims=True))
    n = len(seen)
    ahead = np.empty((n, 3))
    belief = shares
    for k in range(n):
        now = (shares if breaks[k] else belief @ move) * likely[k]
        belief = now / now.sum()
        ahead[k] = belief
    kind = np.empty(n, dtype=np.intp)
    luck = rng.random(n)
    following = -1
    for k in range(n - 1, -1, -1):
        weight = ahead[k] if following < 0 or breaks[k + 1] else ahead[k] * move[:, following]
        total = np.cumsum(weight)
        following = int(min(np.searchsorted(total, luck[k] * total[-1]), 2))
        kind[k] = following
    return kind, np.eye(3)[kind]
