"""Puts the assessment together: log in, everything that can be said about the charger out."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis import limits
from analysis.advice import Situation, advice, notes, verdict
from analysis.assessment import Assessment, Curve, Limit, Span, Step
from analysis.health import SYSTEMATIC_UNTOLD, Health, estimate, heat_effect
from analysis.health_output import Outputs, outputs, run_table, without_surpassed
from analysis.health_trend import Observations
from analysis.load_limit import load_limit
from analysis.prognosis import Forecast, forecast
from analysis.runs import Runs, find_runs
from analysis.usage import Usage, dates, usage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history import History
    from logger.config import Config

    Floats = NDArray[np.float64]

#: Chance in the forecast comes from this seed: the same log gives the same assessment.
SEED = 20210418
#: Battery-limited running of so many last hours bounds the present output.
_RECENT_H = 100.0
#: What a lower bound is lowered by, fraction of rated: a cold compartment, a meter's coarse steps
#: and the run-to-run scatter all lift the highest of many figures.
_BOUND_MARGIN = 2.0 * SYSTEMATIC_UNTOLD
#: A log that begins within so many days of the fitting has seen the charger from new.
_NEW_WITHIN_D = 14
#: Where fewer of the runs show what the charger can give, those few are more likely mistaken for
#: such than true: then all that is said is a lower bound.
LEAST_SHARE = 0.04
_HELD_BY_OTHERS = limits.REASONS[limits.OTHER_SOURCE]


def assess(history: History, config: Config) -> Assessment:
    """Assess the charger from its log.

    Parameters
    ----------
    history
        The log of one fitting.
    config
        Rated output, limits, design hours, charge ceiling.

    Returns
    -------
    Assessment
        Whatever the log supports; what it does not is None, with a reason.
    """
    charger = config.charger
    runs = find_runs(history, charger.rated_w)
    found, ceiling = limits.stretches(runs, charger.rated_w, config.battery.charge_ceiling_v)
    out = outputs(runs, found, charger.rated_w)
    runtime = _hours_at(runs, out.middle_s)
    heat = _effect_of_heat(out, runtime)
    if heat is not None:
        # A run warms its own compartment: without this the loss by heat would pass for sag or for
        # a battery that takes no more, and be taken out a second time by the run's temperature.
        found, ceiling = limits.stretches(
            runs, charger.rated_w, config.battery.charge_ceiling_v, heat
        )
        out = outputs(runs, found, charger.rated_w)
    out = without_surpassed(out, runtime)
    table = run_table(runs, out, runtime)
    now_h = float(runs.hours.at_end_h[-1]) if len(runs.log) else None
    life_start_s, life_start_h = _life_start(history, runs)
    health = None
    if now_h is not None:
        health = _estimate(out, runtime, runs, life_start_s, life_start_h, now_h, config)
    pattern = _usage(runs)
    future = _forecast(health, history, config, runs, life_start_h, now_h, runtime, out)
    output = _output(health, out, runtime, now_h, life_start_s, runs)
    slope = Span()
    if health is not None:
        slope = Span(health.slope(0.05), health.slope(0.5), health.slope(0.95))
    case = _situation(
        config, runs, out, output, slope, health, future, pattern, ceiling, life_start_s, now_h
    )
    decided, reasons = verdict(case)
    return Assessment(
        label=charger.label,
        rated_w=charger.rated_w,
        fitted=charger.fitted.isoformat() if charger.fitted else None,
        observed_from_s=float(runs.log.start_s[0]) if len(runs.log) else None,
        observed_to_s=float(runs.log.end_s[-1]) if len(runs.log) else None,
        running_hours=_observed_h(runs),
        energy_kwh=float(table.energy_kwh.sum()),
        charge_ah=float(table.charge_ah.sum()),
        runs=runs.starts,
        source_limited_runs=sum(limit is Limit.SOURCE for limit in out.limit),
        battery_limited_runs=sum(limit is Limit.BATTERY for limit in out.limit),
        output=output,
        at_runtime_h=now_h,
        decline_per_1000h=slope,
        sag=out.sag.depth if health is not None else None,
        steps=_steps(health, runs, life_start_h),
        until=future.until if future else None,
        remaining_h=future.hours if future else Span(),
        remaining_date=_dates(future, pattern, runs),
        withheld=future.withheld if future else "the available output is not known",
        verdict=decided,
        reasons=tuple(reasons + notes(case)),
        plan_below=charger.plan_below,
        replace_below=charger.replace_below,
        design_life_h=charger.design_life_h,
        run_table=table,
        curve=_curve(health, future, life_start_h, now_h),
        left_out=out.left_out_h,
        advice=tuple(advice(case)),
    )


def _observed_h(runs: Runs) -> float:
    """Return the running hours seen in the log."""
    return float(runs.log.duration_s[runs.running].sum()) / 3600.0


def _hours_at(runs: Runs, time_s: Floats) -> Floats:
    """Return the running hours of the fitting at each run's speaking stretch."""
    if len(runs) == 0:
        return np.empty(0)
    middle = np.where(np.isfinite(time_s), time_s, 0.5 * (runs.start_s + runs.end_s))
    return np.interp(middle, runs.log.end_s, runs.hours.at_end_h)


def _effect_of_heat(out: Outputs, runtime_h: Floats) -> Floats | None:
    """Return the effect of heat between runs, None where it is not known."""
    use = out.used & np.isfinite(out.value)
    if not use.any():
        return None
    kh = runtime_h[use] / 1000.0
    order = np.argsort(kh, kind="stable")
    data = Observations(
        kh[order], out.value[use][order], out.standard_error[use][order], out.bound[use][order]
    )
    return heat_effect(data, out.temperature_c[use][order])


def _life_start(history: History, runs: Runs) -> tuple[float, float]:
    """Return when the present life began: Unix time and running hours of the fitting."""
    if len(runs.log) == 0:
        return -np.inf, 0.0
    end = float(runs.log.end_s[-1])
    times = [
        e.time_s
        for e in history.events
        if e.kind in {"renewal", "replacement"} and not e.struck and e.time_s <= end
    ]
    if not times:
        return -np.inf, 0.0
    start = max(times)
    return start, float(np.interp(start, runs.log.end_s, runs.hours.at_end_h))


def _estimate(
    out: Outputs,
    runtime_h: Floats,
    runs: Runs,
    life_start_s: float,
    life_start_h: float,
    now_h: float,
    config: Config,
) -> Health | None:
    use = out.used & np.isfinite(out.value) & (runs.start_s >= life_start_s)
    values = int((~out.bound[use]).sum())
    if values < LEAST_SHARE * int(use.sum()) or values == 0:
        return None
    kh = (runtime_h[use] - life_start_h) / 1000.0
    order = np.argsort(kh, kind="stable")
    data = Observations(
        kh[order],
        out.value[use][order],
        out.standard_error[use][order],
        out.bound[use][order],
    )
    charger = config.charger
    usual = (1.0 - charger.replace_below) / (charger.design_life_h / 1000.0)
    now_kh = (now_h - life_start_h) / 1000.0
    return estimate(
        data,
        out.temperature_c[use][order],
        np.nan_to_num(out.middle_s, nan=float(np.nanmean(out.middle_s)))[use][order],
        max(now_kh, float(kh.max())),
        usual,
        out.sag.depth_se * float(np.nanmedian(out.sagged[use & ~out.bound])),
    )


def _output(
    health: Health | None,
    out: Outputs,
    runtime_h: Floats,
    now_h: float | None,
    life_start_s: float,
    runs: Runs,
) -> Span:
    """Return the present output with its interval, or only a lower bound."""
    if health is not None:
        return Span(health.output(0.05), health.output(0.5), health.output(0.95))
    use = out.used & np.isfinite(out.value) & (runs.start_s >= life_start_s)
    if now_h is None or not use.any():
        return Span()
    recent = use & (runtime_h > now_h - _RECENT_H)
    if not recent.any():
        recent = use & (runtime_h >= np.sort(runtime_h[use])[-min(5, int(use.sum()))])
    sure = np.sort((out.value - 2.0 * out.standard_error)[recent])
    # One run alone may be a slip of the meter; heat and its coarse steps are not taken out.
    return Span(low=max(float(sure[max(len(sure) - 2, 0)]) - _BOUND_MARGIN, 0.0))


def _usage(runs: Runs) -> Usage | None:
    if len(runs) == 0:
        return None
    begin = np.array([float(runs.log.start_s[0])])
    end = np.array([float(runs.log.end_s[-1])])
    return usage(runs.start_s, (runs.end_s - runs.start_s) / 3600.0, begin, end)


def _forecast(
    health: Health | None,
    history: History,
    config: Config,
    runs: Runs,
    life_start_h: float,
    now_h: float | None,
    runtime_h: Floats,
    out: Outputs,
) -> Forecast | None:
    if health is None or now_h is None:
        return None
    used = runtime_h[out.used & (runtime_h >= life_start_h)]
    observed = float(now_h - used.min()) if len(used) else 0.0
    design_left = None
    if runs.hours.counted or life_start_h > 0.0 or _seen_from_new(runs, config):
        design_left = config.charger.design_life_h - (now_h - life_start_h)
    needed = load_limit(history, config)
    return forecast(
        health.posterior,
        health.systematic,
        max(observed, 1.0),
        config.charger.replace_below,
        design_left,
        None if needed is None else needed.power_w / config.charger.rated_w,
        np.random.default_rng(SEED),
        load_sd=0.0 if needed is None else needed.relative_sd,
        unseen_h=0.0 if life_start_h > 0.0 else runs.hours.unseen_h,
    )


def _seen_from_new(runs: Runs, config: Config) -> bool:
    """Tell whether the log begins with the fitting, so that its hours are all there are."""
    fitted = config.charger.fitted
    if fitted is None:
        return False
    begun = datetime.fromtimestamp(float(runs.log.start_s[0]), UTC).date()
    return abs((begun - fitted).days) <= _NEW_WITHIN_D


def _dates(future: Forecast | None, pattern: Usage | None, runs: Runs) -> Span:
    if future is None or pattern is None:
        return Span()
    last = float(runs.log.end_s[-1])
    rng = np.random.default_rng(SEED + 1)
    drawn = np.sort(dates(pattern, last, future.draws_h, rng))

    def at(probability: float, hours: float | None) -> float | None:
        value = float(drawn[min(int(probability * len(drawn)), len(drawn) - 1)])
        latest = datetime(2200, 1, 1, tzinfo=UTC).timestamp()
        return None if hours is None or not np.isfinite(value) or value > latest else value

    hours = future.hours
    return Span(at(0.05, hours.low), at(0.5, hours.median), at(0.95, hours.high))


def _steps(health: Health | None, runs: Runs, life_start_h: float) -> tuple[Step, ...]:
    if health is None:
        return ()
    return tuple(
        Step(
            life_start_h + 1000.0 * s.kh,
            float(np.interp(life_start_h + 1000.0 * s.kh, runs.hours.at_end_h, runs.log.end_s)),
            s.change,
            s.low,
            s.high,
        )
        for s in health.steps
    )


def _curve(
    health: Health | None, future: Forecast | None, life_start_h: float, now_h: float | None
) -> Curve | None:
    if health is None or future is None or now_h is None:
        return None
    past = life_start_h + 1000.0 * health.sites.kh
    half = 1.645 * np.hypot(health.fitted_sd, health.systematic)
    ahead = now_h + future.times_h
    return Curve(
        np.concatenate((past, ahead)),
        np.concatenate((health.fitted, future.median)),
        np.concatenate((health.fitted - half, future.low)),
        np.concatenate((health.fitted + half, future.high)),
        now_h,
    )


def _situation(
    config: Config,
    runs: Runs,
    out: Outputs,
    output: Span,
    slope: Span,
    health: Health | None,
    future: Forecast | None,
    pattern: Usage | None,
    ceiling: limits.Ceiling,
    life_start_s: float,
    now_h: float | None,
) -> Situation:
    bounds = int((out.used & out.bound).sum())
    return Situation(
        output=output,
        slope=slope,
        forecast=future,
        plan_below=config.charger.plan_below,
        replace_below=config.charger.replace_below,
        hours_per_year=pattern.per_year() if pattern else None,
        runs=len(runs),
        values=int((out.used & ~out.bound).sum()),
        bounds=bounds,
        steps=len(health.steps) if health else 0,
        renewed=bool(np.isfinite(life_start_s)),
        temperature_told=bool(len(out.temperature_c) and np.isfinite(out.temperature_c).any()),
        states_told=runs.states_told,
        counted=runs.hours.counted,
        ceiling_known=ceiling.known,
        warm_found=out.warm_found,
        other_source_h=out.left_out_h.get(_HELD_BY_OTHERS, 0.0),
        now_h=now_h or 0.0,
        design_life_h=config.charger.design_life_h,
    )
