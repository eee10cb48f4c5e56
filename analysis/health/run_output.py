"""Brings each run to one figure: its available output, or a lower bound of it.

Reference: warm, compartment at 25 degC, early in the run (the sag that a rest brings back is
taken out).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.health import limiter
from analysis.health.limiter import BATTERY, HEAT, SOURCE, WARMING
from analysis.health.run_table import Limit, RunTable
from analysis.health.sag import Rests, Sag, sag
from analysis.health.warm_up import cells, warm_up_h

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.limiter import Stretches
    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Only so much of a run speaks for it, h after the warm-up: later, sag and heat blur the figure.
EARLY_H = 3.0
#: Least source-limited time that makes a value, s.
LEAST_VALUE_S = 600.0
#: Least time that makes a lower bound, s.
LEAST_BOUND_S = 300.0
#: A value is left out if two runs within so many running hours after it surpass it by so much,
#: fraction of rated: more than scatter, sag or a dip of the wander between them.
SURPASSED_WITHIN_H, SURPASSED_BY = 100.0, 0.04
#: A figure that is less sure than this is no level but a course: only what was held for minutes
#: speaks, as a lower bound. Fraction of rated.
_MOST_SE = 0.03
#: A figure below this part of what the same run gave at the charge ceiling is none.
_CONTRADICTED = 0.95
#: Least standard error of one run's figure: what sensors of this kind repeat.
_FLOOR_SE = 0.001
#: Standard error where the start of the run was not seen (the sag reached is unknown).
_UNSEEN_SE = 0.5


@dataclass(frozen=True, slots=True)
class Outputs:
    """Figures of the runs, arrays of shape (runs,), NaN where a run gives none."""

    value: Floats
    """Available output, fraction of rated, or the bound."""
    standard_error: Floats
    bound: Flags
    """True where the figure is only a lower bound."""
    used: Flags
    limit: tuple[Limit, ...]
    reason: tuple[str, ...]
    temperature_c: Floats
    """Mean compartment temperature of the stretch that the figure is of."""
    middle_s: Floats
    """Unix time of the middle of the stretch that the figure is of."""
    warm_h: float
    warm_found: bool
    sag: Sag
    sagged: Floats
    """Share of the sag reached in the stretch that the figure is of."""
    left_out_h: dict[str, float]
    """Running hours that were not used, by reason."""
    spoke_h: Floats
    """Hours of each run that are not among those, shape (runs,)."""


def outputs(runs: Runs, found: Stretches, rated_w: float) -> Outputs:
    """Bring each run to its figure.

    Parameters
    ----------
    runs, found
        The runs and their stretches.
    rated_w
        Rated output, W.
    """
    count = len(runs)
    warm_h, warm_found = warm_up_h(found, count)
    code = found.code.copy()
    code[(found.since_start_h < warm_h) & np.isin(code, (SOURCE, HEAT, limiter.OTHER_SOURCE))] = (
        WARMING
    )
    pool = cells(found, code == SOURCE)
    rests = Rests.between(runs)
    inside = sag(pool, warm_h, rests)
    reached = inside.reached(rests, found.run, found.since_start_h)
    sagged = 1.0 - inside.depth * reached
    # The first hours of each piece of a long run: those of the first after its warm-up.
    into_h = found.since_start_h - (runs.start_s - runs.begun_s)[found.run] / 3600.0
    speaking = (code == SOURCE) & (into_h < warm_h + EARLY_H)
    late = (code == SOURCE) & ~speaking
    seconds = _add(found.run, found.duration_s, speaking, count)
    # A run whose early part was battery-limited may speak later on, less precisely.
    use_late = seconds[found.run] < LEAST_VALUE_S
    speaking = speaking | (late & use_late)
    seconds = _add(found.run, found.duration_s, speaking, count)
    expected = _add(found.run, found.duration_s * sagged, speaking, count)
    energy = _add(found.run, found.duration_s * found.power_w, speaking, count)
    has_value = seconds >= LEAST_VALUE_S
    with np.errstate(invalid="ignore", divide="ignore"):
        value = energy / expected / rated_w
    error = _standard_error(found, speaking, value * rated_w, sagged, seconds, count)
    error = error / rated_w
    has_value &= ~(error > _MOST_SE)
    # Who gave clearly more while the battery set the current was not at his limit when he gave
    # less: a float voltage, or a ceiling that was not recognised, held him down.
    at_ceiling = _bounds(found, (code == BATTERY) & np.isfinite(found.power_w), count) / rated_w
    has_value &= ~(value < _CONTRADICTED * at_ceiling)
    error = np.where(runs.start_seen, error, np.hypot(error, inside.depth * _UNSEEN_SE))
    bounding = np.isin(code, (SOURCE, BATTERY, HEAT, WARMING)) & np.isfinite(found.power_w)
    low = _bounds(found, bounding, count) / rated_w
    bound = ~has_value & np.isfinite(low)
    figure = np.where(has_value, value, low)
    speaks = np.where(bound[found.run], code == BATTERY, speaking)
    left_h, spoke_h = _left_out(code, found, speaking, bound)
    limit, reason, used = _say(code, found, has_value, bound, count)
    return Outputs(
        figure,
        np.where(has_value, np.maximum(error, _FLOOR_SE), np.where(bound, _FLOOR_SE, np.nan)),
        bound,
        used,
        limit,
        reason,
        _mean(found, found.temperature_c, speaks, count),
        _mean(found, runs.log.start_s[found.index] + 0.5 * found.duration_s, speaks, count),
        warm_h,
        warm_found,
        inside,
        _mean(found, reached, speaks, count),
        left_h,
        spoke_h,
    )


def without_surpassed(out: Outputs, runtime_h: Floats) -> Outputs:
    """Leave out values that the charger clearly surpassed soon before and soon afterwards.

    Wear does not come back: whatever held such a run down (fuel running out, another source, a
    battery that tapers early), it was not the charger. A step down is not touched, since no run
    after it gives more, nor a renewal, since no run before it did. The first runs of a log have
    only later ones to be held against.

    Parameters
    ----------
    out
        Figures of the runs, heat taken out as far as it is known.
    runtime_h
        Running hours of the fitting at each, shape (runs,).
    """
    told = np.flatnonzero(out.used & np.isfinite(out.value) & np.isfinite(runtime_h))
    told = told[np.argsort(runtime_h[told], kind="stable")]
    hours = runtime_h[told]
    sure = out.value[told] - 2.0 * np.where(out.bound[told], 0.0, out.standard_error[told])
    surpassed = np.zeros(len(out.value), dtype=bool)
    for place, run in enumerate(told):
        if out.bound[run]:
            continue
        near = np.searchsorted(hours, hours[place] + SURPASSED_WITHIN_H * np.array([-0.5, 1.0]))
        most = out.value[run] + SURPASSED_BY + 2.0 * out.standard_error[run]
        # Two runs: one alone may be a slip of the meter.
        before, later = sure[near[0] : place], sure[place + 1 : near[1]]
        surpassed[run] = (later > most).sum() >= 2 and (
            len(before) < 2 or (before > most).sum() >= 2
        )
    if not surpassed.any():
        return out
    reason = "left out: soon afterwards it gave clearly more"
    return replace(
        out,
        used=out.used & ~surpassed,
        limit=tuple(
            Limit.UNUSABLE if gone else limit
            for gone, limit in zip(surpassed, out.limit, strict=True)
        ),
        reason=tuple(
            reason if gone else said for gone, said in zip(surpassed, out.reason, strict=True)
        ),
    )


def _add(run: NDArray[np.intp], values: Floats, use: Flags, count: int) -> Floats:
    return np.bincount(run[use], weights=values[use], minlength=count).astype(float, copy=False)


def _mean(found: Stretches, values: Floats, use: Flags, count: int) -> Floats:
    told = use & np.isfinite(values)
    seconds = _add(found.run, found.duration_s, told, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean: Floats = _add(found.run, found.duration_s * values, told, count) / seconds
    return mean


def _standard_error(
    found: Stretches, use: Flags, level_w: Floats, shape: Floats, seconds: Floats, count: int
) -> Floats:
    """Return the standard error of each run's level from the scatter inside it, W.

    Neighbouring intervals share slow disturbances, so independent stretches of ten minutes are
    counted rather than intervals.
    """
    with np.errstate(invalid="ignore"):
        left = found.power_w - level_w[found.run] * shape
    square = _add(found.run, found.duration_s * left**2, use, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        error: Floats = np.sqrt(square / seconds / np.maximum(seconds / 600.0, 1.0))
    return error


def _bounds(found: Stretches, use: Flags, count: int) -> Floats:
    """Return the highest power that each run held for ``LEAST_BOUND_S``, W; NaN if never.

    The mean over about five minutes, less two standard errors of its scatter: the highest of many
    noisy means would otherwise lie above the truth.
    """
    best = np.full(count, np.nan)
    if not use.any():
        return best
    run, power, seconds = found.run[use], found.power_w[use], found.duration_s[use]
    since = found.since_start_h[use] * 3600.0
    block = (since // LEAST_BOUND_S).astype(np.int64)
    change = np.concatenate(([True], (run[1:] != run[:-1]) | (block[1:] != block[:-1])))
    opens = np.flatnonzero(change)
    total = np.add.reduceat(seconds, opens)
    mean = np.add.reduceat(seconds * power, opens) / total
    square = np.add.reduceat(seconds * power**2, opens) / total - mean**2
    number = np.diff(np.append(opens, len(run)))
    sure = mean - 2.0 * np.sqrt(np.maximum(square, 0.0) / number)
    full = total >= 0.6 * LEAST_BOUND_S
    of_run = run[opens][full]
    np.fmax.at(best, of_run, sure[full])
    return best


def _say(
    code: NDArray[np.int8], found: Stretches, has_value: Flags, bound: Flags, count: int
) -> tuple[tuple[Limit, ...], tuple[str, ...], Flags]:
    """Say for each run what limited it, whether it is used, and why."""
    time = np.stack(
        [_add(found.run, found.duration_s, code == c, count) for c in range(len(limiter.REASONS))]
    )
    most = np.argmax(time, axis=0) if count else np.empty(0, dtype=np.intp)
    limit: list[Limit] = []
    reason: list[str] = []
    used = np.zeros(count, dtype=bool)
    for k in range(count):
        battery, heat = time[BATTERY, k] > 0.0, time[HEAT, k] > time[BATTERY, k]
        if has_value[k]:
            limit.append(Limit.SOURCE)
            reason.append("used as a value: the charger set the current")
            used[k] = True
        elif bound[k] and (heat or battery):
            limit.append(Limit.HEAT if heat else Limit.BATTERY)
            who = "heat" if heat else "the battery"
            reason.append(f"used as a lower bound: {who} limited the current")
            used[k] = True
        else:
            limit.append(Limit.UNUSABLE)
            reason.append(f"left out: {limiter.REASONS[most[k]]}")
            if most[k] in (SOURCE, BATTERY, HEAT):
                reason[-1] = "left out: too short"
    return tuple(limit), tuple(reason), used


def _left_out(
    code: NDArray[np.int8], found: Stretches, speaking: Flags, bound: Flags
) -> tuple[dict[str, float], Floats]:
    """Return the running hours that were not used, by reason, and the other hours of each run."""
    left: dict[str, float] = {}
    spoke = np.ones(len(code), dtype=bool)
    for c, reason in enumerate(limiter.REASONS):
        quiet = (code == c) & ~speaking
        if c == BATTERY:
            quiet &= ~bound[found.run]
        hours = float(found.duration_s[quiet].sum()) / 3600.0
        if hours > 0.0:
            name = "later in the run" if c == SOURCE else reason
            left[name] = left.get(name, 0.0) + hours
            spoke &= ~quiet
    return left, _add(found.run, found.duration_s, spoke, len(bound)) / 3600.0


def run_table(runs: Runs, out: Outputs, runtime_h: Floats) -> RunTable:
    """Put the figures of the runs into the table of the assessment."""
    return RunTable(
        start_s=runs.start_s,
        hours=(runs.end_s - runs.start_s) / 3600.0,
        runtime_h=runtime_h,
        fraction=out.value,
        standard_error=out.standard_error,
        limit=out.limit,
        used=out.used,
        reason=out.reason,
        energy_kwh=runs.total(runs.log.energy_j) / 3.6e6,
        charge_ah=runs.total(runs.log.charge_c) / 3600.0,
        temperature_c=out.temperature_c,
        opens=np.concatenate(([True], runs.begun_s[1:] != runs.begun_s[:-1]))[: len(runs)],
    )
