"""Builds the assessment of a charger from the evidence, the health estimate and the load."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.account import count_runs, hours_account
from analysis.assessment.document import (
    Assessment,
    Curve,
    HoursAhead,
    Reason,
    Step,
    Verdict,
)
from analysis.assessment.forecast import Forecast, forecast
from analysis.assessment.from_new import WEAK, weak_from_new
from analysis.assessment.step_causes import STEP, step_findings
from analysis.assessment.usage import Pace, date_of, dates, expected_hours
from analysis.assessment.verdict import UNIT_OR_PLACE, Situation, advice, notes, verdict
from analysis.estimate import Z90, Span
from analysis.health import limiter
from analysis.health.evidence import Evidence, design_hours_left
from analysis.health.life import SYSTEMATIC_UNTOLD, Health, StepFound
from analysis.health.run_output import run_table
from analysis.health.run_table import Limit
from analysis.inputs.clamp import CLAMPED, exchanged_s, measured_lately
from analysis.inputs.exchange import with_exchange
from analysis.inputs.finding import Severity, series, worst_first
from analysis.inputs.gain import GAIN_DRIFT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.assessment.usage import Usage
    from analysis.history.runs import Runs
    from analysis.history.use import Use, Year
    from analysis.inputs.exchange import Jump
    from analysis.inputs.finding import Finding
    from analysis.load.required_power import LoadLimit
    from logger.config import Config

#: Seed of the forecast's random generator, so that the same log gives the same assessment.
SEED = 20210418
#: The last running hours whose lower bounds hold for the present output: as long as a limit must be
#: crossed to count (``statistics.passage.SUSTAINED_H``).
_RECENT_H = 100.0
#: Margin by which a lower bound is lowered, fraction of rated. A cold compartment, coarse steps of
#: a meter and run-to-run scatter all lift the highest of many figures (our choice, two standard
#: deviations of what is not known without a temperature).
_BOUND_MARGIN = 2.0 * SYSTEMATIC_UNTOLD
_WEAK_WHY = "first find out whether the unit is weak or its place"
_DRIFTS = "wear cannot be told from a current sensor that drifts; a clamp reading tells"
#: Findings after which what a run gave is no more than a lower bound.
_HOLDS = frozenset({"flat_cap", "current_saturates"})
HELD_BY_OTHERS = limiter.REASONS[limiter.OTHER_SOURCE]


def assess(
    health: Health | None,
    evidence: Evidence,
    needed: LoadLimit | None,
    use: Use,
    pattern: Usage | None,
    config: Config,
    findings: Sequence[Finding] = (),
    jumps: Sequence[Jump] = (),
) -> Assessment:
    """Assess the charger; :class:`analysis.assessment.case.Case` supplies the arguments.

    Parameters
    ----------
    health
        The estimate of the present life; None where the log does not allow one.
    evidence
        Runs, figures and the present life.
    needed
        The power that this boat's load needs; None where it is not known.
    use
        Use by day and in the last year.
    pattern
        Use over the year; None where the log does not tell it.
    config
        Rated output, limits, design hours, charge ceiling.
    findings
        Findings about the data; after one of severity "stop" nothing is concluded.
    jumps
        Jumps back of the hour counter that no event explains.

    Returns
    -------
    Assessment
        A figure that the log does not support is None, with a reason.
    """
    charger = config.charger
    runs, out = evidence.runs, evidence.out
    table = run_table(runs, out, evidence.runtime_h)
    future = forecast_for(health, evidence, needed, config)
    drifts = any(f.code == GAIN_DRIFT for f in findings)
    logged = None if drifts or future is None else mean_logged_output(health, evidence)
    pace = None
    if logged is not None and future is not None:
        pace = Pace.of(future.times_h - future.times_h[0], future.median, logged)
    if drifts and future is not None:
        # Wear and a gain that drifts look alike: neither the pace nor the end is known.
        future = without_hours(future, _DRIFTS)
    held = any(f.code in _HOLDS for f in findings)
    used = out.used & ~out.bound
    course = series("output by run", "% of rated", out.middle_s[used], 100.0 * out.value[used])
    weak = weak_from_new(health, evidence, config, course)
    case = situation_of(health, evidence, future, use.year, config, findings, held=held)
    if health is not None and weak is not None:
        case = replace(case, first=float(health.fitted[0]))
    decided, reasons = verdict(case)
    if future is not None and any(reason.code == UNIT_OR_PLACE for reason in reasons):
        future, logged, pace = without_hours(future, _WEAK_WHY), None, None
        case = replace(case, forecast=future)
    steps = steps_of(health, evidence)
    changes = [(step.runtime_h, step.change) for step in steps]
    made = Assessment(
        label=charger.label,
        rated_w=charger.rated_w,
        fitted=charger.fitted.isoformat() if charger.fitted else None,
        observed_from_s=float(runs.log.start_s[0]) if len(runs.log) else None,
        observed_to_s=float(runs.log.end_s[-1]) if len(runs.log) else None,
        running_hours=evidence.logged_h,
        energy_kwh=float(table.energy_kwh.sum()),
        charge_ah=float(table.charge_ah.sum()),
        runs=runs.starts,
        source_limited_runs=count_runs(runs, out, Limit.SOURCE),
        battery_limited_runs=count_runs(runs, out, Limit.BATTERY),
        output=case.output,
        since_start=Span() if drifts or health is None else health.since_start,
        sensor_sd=evidence.gain_sd,
        at_runtime_h=evidence.now_h,
        decline_per_1000h=Span() if drifts else case.slope,
        sag=out.sag.depth if health is not None else None,
        steps=steps,
        until=future.until if future else None,
        first=future.first if future else {},
        remaining_h=future.hours if future else Span(),
        remaining_date=end_dates(future, pattern, pace, runs),
        withheld=future.withheld if future else "the available output is not known",
        verdict=decided,
        reasons=tuple(reasons + notes(case)),
        plan_below=charger.plan_below,
        replace_below=charger.replace_below,
        design_life_h=charger.design_life_h,
        run_table=table,
        curve=curve_of(health, future, evidence),
        hours_ahead=hours_ahead(pattern, pace, runs),
        logged_output=logged,
        left_out=out.left_out_h,
        account=hours_account(evidence.logged_h, runs, out),
        advice=tuple(advice(case)),
        inputs=worst_first(
            [
                *with_exchange(findings, jumps, changes),
                *step_findings(steps, runs.log.events, config.other_sources, course),
                *([] if weak is None else [weak]),
            ]
        ),
        store=(runs.log.store_id, runs.log.fitting.id) if runs.log.store_id else None,
    )
    return _without_conclusions(made) if _stopped(made) else made


def _stopped(made: Assessment) -> bool:
    return any(f.severity is Severity.STOP for f in made.inputs)


def _without_conclusions(made: Assessment) -> Assessment:
    """Remove all conclusions; what was observed, and why nothing can be concluded, stay."""
    why = [f for f in made.inputs if f.severity is Severity.STOP]
    # What was found by the figures of the runs counts only where they are not stopped by the rest.
    why = [f for f in why if f.code != WEAK] or why
    return replace(
        made,
        output=Span(),
        since_start=Span(),
        decline_per_1000h=Span(),
        sag=None,
        steps=(),
        inputs=tuple(f for f in made.inputs if f in why or f.code not in {STEP, WEAK}),
        until=None,
        first={},
        remaining_h=Span(),
        remaining_date=Span(),
        withheld="no conclusion is drawn from such data",
        verdict=Verdict.UNDETERMINED,
        reasons=tuple(Reason(f.code, f.text) for f in why),
        curve=None,
        logged_output=None,
        advice=(),
    )


def without_hours(future: Forecast, why: str) -> Forecast:
    """Return the forecast without hours and without its course ahead, for the reason told."""
    return replace(
        future,
        hours=Span(),
        until=None,
        first={},
        withheld=why,
        withheld_code=None,
        times_h=future.times_h[:1],
        low=future.low[:1],
        median=future.median[:1],
        high=future.high[:1],
    )


def output_now(health: Health | None, evidence: Evidence) -> Span:
    """Return the present output with its interval, or only a lower bound."""
    if health is not None:
        return Span(*(max(health.output(p), 0.0) for p in (0.05, 0.5, 0.95)))
    out, use, runtime_h, now_h = (
        evidence.out,
        evidence.used,
        evidence.runtime_h,
        evidence.now_h,
    )
    if now_h is None or not use.any():
        return Span()
    recent = use & (runtime_h > now_h - _RECENT_H)
    if not recent.any():
        recent = use & (runtime_h >= np.sort(runtime_h[use])[-min(5, int(use.sum()))])
    sure = np.sort((out.value - 2.0 * out.standard_error)[recent])
    # The second highest, because a single run may be a fault of the meter. The margin stands for
    # heat and for coarse steps of the meter, which are not corrected here.
    return Span(low=max(float(sure[max(len(sure) - 2, 0)]) - _BOUND_MARGIN, 0.0))


def sensor_decides(health: Health | None, config: Config) -> bool:
    """Tell whether only the sensor's uncertainty hides on which side of a limit the output is."""
    if health is None or health.gain_sd == 0.0:
        return False

    def crossed(limit: float, *, as_measured: bool) -> bool:
        low, high = (health.output(p, as_measured=as_measured) for p in (0.05, 0.95))
        return low < limit < high

    charger = config.charger
    return any(
        crossed(limit, as_measured=False) and not crossed(limit, as_measured=True)
        for limit in (charger.plan_below, charger.replace_below)
    )


def forecast_for(
    health: Health | None, evidence: Evidence, needed: LoadLimit | None, config: Config
) -> Forecast | None:
    """Forecast the remaining life of the present unit; None where its output is not known."""
    if health is None or evidence.now_h is None:
        return None
    start_h, runtime_h = evidence.life.start_h, evidence.runtime_h
    used = runtime_h[evidence.out.used & (runtime_h >= start_h)]
    observed = float(evidence.now_h - used.min()) if len(used) else 0.0
    return forecast(
        health.posterior,
        health.systematic,
        max(observed, 1.0),
        config.charger.replace_below,
        design_hours_left(evidence, config),
        None if needed is None else needed.power_w / config.charger.rated_w,
        np.random.default_rng(SEED),
        gain_sd=health.gain_sd,
        load_sd=0.0 if needed is None else needed.relative_sd,
        unseen_h=0.0 if start_h > 0.0 else evidence.runs.hours.unseen_h,
    )


def mean_logged_output(health: Health | None, evidence: Evidence) -> float | None:
    """Return the mean output over the hours in which the pattern of use was logged."""
    if health is None:
        return None
    past_h, fitted = evidence.life.start_h + 1000.0 * health.sites.kh, health.fitted
    span_h = float(past_h[-1] - past_h[0])
    return float(np.trapezoid(fitted, past_h)) / span_h if span_h > 0.0 else float(fitted[-1])


def hours_ahead(pattern: Usage | None, pace: Pace | None, runs: Runs) -> HoursAhead | None:
    """Return the running hours expected by date; None without a pattern of use."""
    if pattern is None or len(runs.log) == 0:
        return None
    time_s, hours = expected_hours(pattern, float(runs.log.end_s[-1]))
    return HoursAhead(time_s, hours if pace is None else pace.real(hours))


def end_dates(
    future: Forecast | None, pattern: Usage | None, pace: Pace | None, runs: Runs
) -> Span:
    """Return when the remaining hours are used up, Unix time; empty where it is not known."""
    if future is None or pattern is None or pace is None:
        return Span()
    last = float(runs.log.end_s[-1])
    drawn = dates(pattern, last, pace.usual(future.draws_h), np.random.default_rng(SEED + 1))
    return date_of(drawn, future.hours)


def steps_of(health: Health | None, evidence: Evidence) -> tuple[Step, ...]:
    """Return the steps of the output in hours of the fitting, a renewal that was found first."""
    if health is None:
        return ()

    def step(found: StepFound, runtime_h: float) -> Step:
        return Step(runtime_h, evidence.time_s(runtime_h), found.change, found.low, found.high)

    start_h, gain = evidence.life.start_h, evidence.life.gain
    steps = [step(s, start_h + 1000.0 * s.kh) for s in health.steps]
    return tuple(([step(gain, start_h)] if gain is not None else []) + steps)


def curve_of(health: Health | None, future: Forecast | None, evidence: Evidence) -> Curve | None:
    """Return the output by running hours, logged and ahead, each with its 90 % interval."""
    now_h = evidence.now_h
    if health is None or future is None or now_h is None:
        return None
    past = evidence.life.start_h + 1000.0 * health.sites.kh
    half = Z90 * np.hypot(
        np.hypot(health.fitted_sd, health.systematic), health.gain_sd * health.fitted
    )
    ahead = now_h + future.times_h
    return Curve(
        np.concatenate((past, ahead)),
        np.concatenate((health.fitted, future.median)),
        np.concatenate((health.fitted - half, future.low)),
        np.concatenate((health.fitted + half, future.high)),
        now_h,
    )


def situation_of(
    health: Health | None,
    evidence: Evidence,
    future: Forecast | None,
    year: Year | None,
    config: Config,
    findings: Sequence[Finding],
    *,
    held: bool,
) -> Situation:
    """Return the facts on which the verdict is decided; ``held``: the figures are lower bounds."""
    runs, out = evidence.runs, evidence.out
    measured = any(f.code == CLAMPED for f in findings) and measured_lately(
        runs.log.events, float(runs.log.end_s[-1]), exchanged_s(runs.log)
    )
    slope = Span()
    if health is not None:
        slope = Span(health.slope(0.05), health.slope(0.5), health.slope(0.95))
    return Situation(
        output=output_now(health, evidence),
        sensor_decides=sensor_decides(health, config),
        measured=measured,
        slope=slope,
        forecast=future,
        plan_below=config.charger.plan_below,
        replace_below=config.charger.replace_below,
        hours_per_year=year.hours_per_year() if year else None,
        runs=len(runs),
        values=int((out.used & ~out.bound).sum()),
        bounds=int((out.used & out.bound).sum()),
        held=held,
        drifts=any(f.code == GAIN_DRIFT for f in findings),
        first=None,
        # Below that, a logged temperature or a whole year has shown how little heat does.
        heat_known=health is not None and health.systematic < SYSTEMATIC_UNTOLD,
        since_start=Span() if health is None else health.since_start,
        steps=len(health.steps) if health else 0,
        renewed=evidence.life.renewed,
        renewal_found=evidence.life.gain is not None,
        temperature_told=bool(len(out.temperature_c) and np.isfinite(out.temperature_c).any()),
        states_told=runs.states_told,
        counted=runs.hours.counted,
        ceiling_known=evidence.ceiling.known,
        held_current_v=evidence.ceiling.held_current_v,
        warm_found=out.warm_found,
        other_source_h=out.left_out_h.get(HELD_BY_OTHERS, 0.0),
        now_h=evidence.now_h or 0.0,
        design_life_h=config.charger.design_life_h,
    )
