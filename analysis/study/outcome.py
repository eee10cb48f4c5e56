"""One boat of the study: its assessment, the truth, and what plain methods give."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.estimate import Z90
from analysis.study.boats import simulate, with_load_limit
from analysis.study.plain import mean_while_running, straight_line, upper_percentile
from analysis.study.scores import Said
from logger.durations import YEAR_S

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.assessment.document import Assessment
    from analysis.history.runs import Runs
    from analysis.load.required_power import LoadLimit
    from analysis.study.boats import Boat, Truth

#: A step counts as found within so many running hours, and as one from this size on.
STEP_WITHIN_H = 50.0
STEP_SIZE = 0.05
#: With fewer hours than this with the charger limiting, its output cannot be known.
FREE_H = 2.0
#: Hours may be off by this, from the rounding of the hour counter.
SLACK_H = 2.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """Assessed and true values; hours are running hours, outputs fractions of rated."""

    name: str
    category: str
    free_h: float
    observed_h: float
    truth: float
    low: float | None
    output: float | None
    high: float | None
    truth_left_h: float
    left_low_h: float | None
    left_h: float | None
    left_high_h: float | None
    until: str | None
    until_right: bool | None
    """Whether the first limit was named rightly; None where none was, or none ever comes."""
    until_truth: str
    needed: Said | None
    """What the load asks for, where it was stated."""
    short_said: float | None
    """Share of days on which the bank was said to be short at the present output."""
    short_truth: float
    verdict: str
    decline: float | None
    healthy: bool
    past: bool
    steps: int
    steps_found: int
    false_steps: int
    hot: bool
    temperature: bool
    mean_power: float
    percentile: float
    line: float
    line_left_h: float
    seconds: float


def judge(boat: Boat, cache: Path | None) -> Outcome:
    """Simulate a boat, assess it, and compare the assessment with the truth."""
    history, truth = simulate(boat, cache)
    truth = with_load_limit(boat, truth, cache)
    case = Case(history, boat.config())
    begun = time.perf_counter()
    a = case.assessment
    seconds = time.perf_counter() - begun
    compared = outcome(boat, case.runs, truth, a, seconds)
    if case.carried is None or case.needed is None or truth.asked is None:
        return compared
    short = None
    if a.output.median is not None:
        short = 1.0 - case.carried.days_carried(a.output.median * boat.model.charger.rated_w)
    return replace(compared, needed=_needed(boat, case.needed, truth), short_said=short)


def _needed(boat: Boat, limit: LoadLimit, truth: Truth) -> Said | None:
    if truth.asked is None or not math.isfinite(truth.asked.output):
        return None
    middle, apart = limit.power_w / boat.model.charger.rated_w, math.exp(Z90 * limit.relative_sd)
    return Said(middle / apart, middle, middle * apart, truth.asked.output)


def outcome(boat: Boat, runs: Runs, truth: Truth, a: Assessment, seconds: float) -> Outcome:
    """Compare an assessment with the truth, but for the limit of the load itself."""
    history = runs.log
    rated = boat.model.charger.rated_w
    left_h = truth.remaining_h
    steps = [(at, change) for at, change in truth.steps if abs(change) >= STEP_SIZE]
    offset_h = truth.at_h - (a.at_runtime_h if a.at_runtime_h is not None else truth.at_h)
    said = [step.runtime_h + offset_h for step in a.steps]
    changes = [at for at, _ in truth.steps] + list(truth.renewals)
    years = float(history.end_s[-1] - history.start_s[0]) / YEAR_S if len(history) else 0.0
    per_year = truth.observed_h / max(years, 0.1)
    line, line_left_h = straight_line(runs, rated, boat.replace_below)
    return Outcome(
        name=boat.name,
        category=boat.category,
        free_h=truth.free_h,
        observed_h=truth.observed_h,
        truth=truth.output,
        low=a.output.low,
        output=a.output.median,
        high=a.output.high,
        truth_left_h=left_h,
        left_low_h=a.remaining_h.low,
        left_h=a.remaining_h.median,
        left_high_h=a.remaining_h.high,
        until=a.until,
        until_right=_first_named(a, truth),
        until_truth=truth.until,
        needed=None,
        short_said=None,
        short_truth=truth.asked.short_days if truth.asked is not None else math.nan,
        verdict=str(a.verdict),
        decline=a.decline_per_1000h.median,
        healthy=truth.output > boat.plan_below + 0.03 and left_h > max(1.5 * per_year, 400.0),
        past=truth.output < boat.replace_below and truth.remaining_output_h <= 0.0,
        steps=len(steps),
        steps_found=sum(_near(at, said) for at, _ in steps),
        false_steps=sum(not _near(at, changes) for at in said),
        hot=truth.heat_k_above_knee > 0.0,
        temperature=bool(np.isfinite(history.temperature_c).mean() > 0.5)
        if len(history)
        else False,
        mean_power=mean_while_running(runs, rated),
        percentile=upper_percentile(runs, rated),
        line=line,
        line_left_h=line_left_h,
        seconds=seconds,
    )


def _first_named(a: Assessment, truth: Truth) -> bool | None:
    """Tell whether the limit that was named comes first; of two that come together each does."""
    if a.until is None or math.isinf(truth.remaining_h):
        return None
    left = {
        "output": truth.remaining_output_h,
        "design_hours": truth.remaining_design_h,
        "load": truth.remaining_load_h,
    }
    return bool(left[a.until] <= truth.remaining_h + SLACK_H)


def _near(at: float, others: list[float]) -> bool:
    return any(abs(at - other) <= STEP_WITHIN_H for other in others)


def holds(low: float | None, high: float | None, truth: float, slack: float = 0.0) -> bool:
    """Tell whether an interval holds the truth; an open end holds everything on its side."""
    above = low is None or low - slack <= truth
    return above and (high is None or math.isinf(high) or truth <= high + slack)
