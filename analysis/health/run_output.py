"""Reduces each run to one figure: its available output, or a lower bound of it.

The figure is stated at one reference: warm, compartment at 25 degC, early in the run. It is
corrected for the sag, the loss inside a run that a rest brings back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import MAD_TO_SD
from analysis.health import limiter
from analysis.health.limiter import BATTERY, HEAT, SOURCE, WARMING
from analysis.health.run_table import Limit, RunTable
from analysis.health.sag import Rests, Sag, sag
from analysis.health.warm_up import cells, warm_up_h
from analysis.history.sums import sums_by
from analysis.physics import J_PER_KWH
from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.health.limiter import Stretches
    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Length of the part of a run that gives its figure, h after the warm-up: later, sag and heat blur
#: it (judgement, no source).
EARLY_H = 3.0
#: Least source-limited time for a value, s: ten intervals of a minute (judgement, no source).
LEAST_VALUE_S = 600.0
#: Least time for a lower bound, s: shorter peaks are surges after a start (judgement, no source).
LEAST_BOUND_S = 300.0
#: An interval of fewer readings than this is as noisy as a reading: a recording every few minutes.
FEW_READINGS = 10
#: A value is left out if two runs within this many running hours after it surpass it by this
#: fraction of rated. Scatter, sag and slow fluctuations are smaller (one standard deviation of the
#: usual fluctuation over 100 h is 0.3 %: ``trend.wander_prior``).
SURPASSED_WITHIN_H, SURPASSED_BY = 100.0, 0.04
#: A run whose figure has a larger standard error than this held no level. Only what it held for
#: minutes counts, as a lower bound. Fraction of rated (judgement, no source).
_MOST_SE = 0.03
#: A figure below this part of the same run's output at the charge ceiling is discarded
#: (judgement: twice the usual sag and a little; no source).
_LEAST_OF_CEILING = 0.95
#: Least standard error of one run's figure: the usual repeatability of a current sensor (common
#: practice, no source).
_FLOOR_SE = 0.001
#: Standard error, as a part of the sag's depth, where the log missed the start of the run: the sag
#: reached may be anything from none to all of it.
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
    """Mean compartment temperature of the stretch that gave the figure."""
    middle_s: Floats
    """Unix time of the middle of the stretch that gave the figure."""
    warm_h: float
    warm_found: bool
    sag: Sag
    sagged: Floats
    """Share of the sag reached in the stretch that gave the figure."""
    left_out_h: dict[str, float]
    """Running hours that were not used, by reason."""
    kept_h: Floats
    """Hours of each run without those left out, shape (runs,)."""


def outputs(runs: Runs, found: Stretches, rated_w: float) -> Outputs:
    """Reduce each run to its figure.

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
    # Each daily piece of a long run has its own first hours; only the first piece has a warm-up.
    begins_h = (runs.start_s - runs.begun_s) / 3600.0
    in_figure = (code == SOURCE) & (found.since_start_h - begins_h[found.run] < warm_h + EARLY_H)
    late = (code == SOURCE) & ~in_figure
    seconds = _add(found.run, found.duration_s, in_figure, count)
    # If the early part was battery-limited, the later part gives the figure, less precisely.
    use_late = seconds[found.run] < LEAST_VALUE_S
    in_figure = in_figure | (late & use_late)
    seconds = _add(found.run, found.duration_s, in_figure, count)
    expected = _add(found.run, found.duration_s * sagged, in_figure, count)
    energy = _add(found.run, found.duration_s * found.power_w, in_figure, count)
    has_value = seconds >= LEAST_VALUE_S
    with np.errstate(invalid="ignore", divide="ignore"):
        value = energy / expected / rated_w
    error = _standard_error(found, in_figure, value * rated_w, sagged, seconds, count)
    error = error / rated_w
    del sagged
    has_value &= ~(error > _MOST_SE)
    # If the run delivered more at the charge ceiling, its source-limited figure is not the
    # charger's limit: a float voltage, or a ceiling that was not recognised, held it down.
    few = runs.log.readings[found.inside] < FEW_READINGS
    measured = np.isfinite(found.power_w)
    at_ceiling = bounds_held(found, (code == BATTERY) & measured, count, few) / rated_w
    has_value &= ~(value < _LEAST_OF_CEILING * at_ceiling)
    error = np.where(runs.start_seen, error, np.hypot(error, inside.depth * _UNSEEN_SE))
    bounding = np.isin(code, (SOURCE, BATTERY, HEAT, WARMING)) & measured
    low = bounds_held(found, bounding, count, few) / rated_w
    bound = ~has_value & np.isfinite(low)
    figure = np.where(has_value, value, low)
    basis = np.where(bound[found.run], code == BATTERY, in_figure)
    left_h, kept_h = _left_out(code, found, in_figure, bound)
    limit, reason, used = _limit_and_use(code, found, has_value, bound, count)
    return Outputs(
        figure,
        np.where(has_value, np.maximum(error, _FLOOR_SE), np.where(bound, _FLOOR_SE, np.nan)),
        bound,
        used,
        limit,
        reason,
        _mean(found, found.temperature_c, basis, count),
        _mean(found, runs.log.start_s[found.inside] + 0.5 * found.duration_s, basis, count),
        warm_h,
        warm_found,
        inside,
        _mean(found, reached, basis, count),
        left_h,
        kept_h,
    )


def without_surpassed(out: Outputs, runtime_h: Floats) -> Outputs:
    """Leave out values that the charger clearly surpassed soon before and soon afterwards.

    Wear does not come back, so the charger did not limit such a run: fuel was running out, another
    source held the voltage, or the battery tapered early. A step down stays, since no run after it
    gives more. A renewal stays, since no run before it gave more. The first runs of a log are
    compared with later ones only.

    Parameters
    ----------
    out
        Figures of the runs, corrected for heat as far as it is known.
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
        # Two runs, because a single one may be a fault of the meter.
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
    return sums_by(run, np.where(use, values, 0.0), count)


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

    Neighbouring intervals share slow disturbances, so only each ten minutes count as one
    independent sample.
    """
    with np.errstate(invalid="ignore"):
        left = found.power_w - level_w[found.run] * shape
    square = _add(found.run, found.duration_s * left**2, use, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        error: Floats = np.sqrt(square / seconds / np.maximum(seconds / 600.0, 1.0))
    return error


def bounds_held(found: Stretches, use: Flags, count: int, few: Flags | None = None) -> Floats:
    """Return the highest power that each run held for ``LEAST_BOUND_S``, W; NaN if never.

    Each candidate is a mean over about five minutes less two standard errors of its scatter.
    Without that, the highest of many noisy means would lie above the truth. A single interval shows
    no scatter of its own: where it is made of ``few`` readings, that from one to the next in the
    run stands for it.
    """
    best = np.full(count, np.nan)
    if not use.any():
        return best
    run, power, seconds = found.run[use], found.power_w[use], found.duration_s[use]
    opens = _opens(run, found.since_start_h[use])
    total = np.add.reduceat(seconds, opens)
    mean = np.add.reduceat(seconds * power, opens) / total
    seconds *= power**2
    square = np.add.reduceat(seconds, opens) / total - mean**2
    number = np.diff(np.append(opens, len(run)))
    if few is not None and few[use].any():
        alone = (number == 1) & few[use][opens]
        square[alone] = _between_square(run, power, run[opens][alone])
    sure = mean - 2.0 * np.sqrt(np.maximum(square, 0.0) / number)
    full = total >= 0.6 * LEAST_BOUND_S
    of_run = run[opens][full]
    np.fmax.at(best, of_run, sure[full])
    return best


def _opens(run: NDArray[np.intp], block: Floats) -> NDArray[np.intp]:
    """Return where each block of ``LEAST_BOUND_S`` begins; a run begins a block of its own.

    ``block`` comes as hours since the start and is written over, to save a copy of years.
    """
    block *= 3600.0
    block /= LEAST_BOUND_S
    np.floor(block, out=block)
    opens = block[1:] != block[:-1]
    opens |= run[1:] != run[:-1]
    return np.flatnonzero(np.concatenate(([True], opens)))


def _between_square(run: NDArray[np.intp], power: Floats, wanted: NDArray[np.intp]) -> Floats:
    """Return the variance of single intervals in the wanted runs, W2, by the steps between them.

    ``run`` rises, and so does ``wanted``. The median of the steps: a power that rises or falls
    slowly, or jumps once, adds nothing.
    """
    those, again = np.unique(wanted, return_inverse=True)
    square = np.zeros(len(those))
    begins, ends = (np.searchsorted(run, those, side=side) for side in ("left", "right"))
    for k, (begin, end) in enumerate(zip(begins, ends, strict=True)):
        if end - begin > 1:
            steps = np.abs(power[begin + 1 : end] - power[begin : end - 1])
            square[k] = 0.5 * (MAD_TO_SD * quantile_of(steps, 0.5)) ** 2
    return square[again]


def _limit_and_use(
    code: NDArray[np.int8], found: Stretches, has_value: Flags, bound: Flags, count: int
) -> tuple[tuple[Limit, ...], tuple[str, ...], Flags]:
    """Return for each run what limited it, why it is used or left out, and whether it is used."""
    codes = len(limiter.REASONS)
    key = code * np.intp(count) + found.run
    time = np.bincount(key, weights=found.duration_s, minlength=codes * count)
    time = time.astype(float, copy=False).reshape(codes, count)
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
    code: NDArray[np.int8], found: Stretches, in_figure: Flags, bound: Flags
) -> tuple[dict[str, float], Floats]:
    """Return the running hours that were not used, by reason, and the used hours of each run."""
    left: dict[str, float] = {}
    used = np.ones(len(code), dtype=bool)
    for c, reason in enumerate(limiter.REASONS):
        unused = (code == c) & ~in_figure
        if c == BATTERY:
            unused &= ~bound[found.run]
        hours = float(found.duration_s[unused].sum()) / 3600.0
        if hours > 0.0:
            name = "later in the run" if c == SOURCE else reason
            left[name] = left.get(name, 0.0) + hours
            used &= ~unused
    return left, _add(found.run, found.duration_s, used, len(bound)) / 3600.0


def run_table(runs: Runs, out: Outputs, runtime_h: Floats) -> RunTable:
    """Return the table of runs for the assessment."""
    return RunTable(
        start_s=runs.start_s,
        hours=(runs.end_s - runs.start_s) / 3600.0,
        runtime_h=runtime_h,
        fraction=out.value,
        standard_error=out.standard_error,
        limit=out.limit,
        used=out.used,
        reason=out.reason,
        energy_kwh=runs.total(runs.delivered_j) / J_PER_KWH,
        charge_ah=runs.total(runs.log.charge_c) / 3600.0,
        temperature_c=out.temperature_c,
        opens=np.concatenate(([True], runs.begun_s[1:] != runs.begun_s[:-1]))[: len(runs)],
    )
