"""One boat of the study: its assessment, the truth, and what plain methods give."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.study.boats import simulate
from analysis.study.plain import mean_while_running, straight_line, upper_percentile
from logger.durations import YEAR_S

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.assessment.document import Assessment
    from analysis.history.runs import Runs
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
    case = Case(history, boat.config())
    begun = time.perf_counter()
    a = case.assessment
    seconds = time.perf_counter() - begun
    return outcome(boat, case.runs, truth, a, seconds)


def outcome(boat: Boat, runs: Runs, truth: Truth, a: Assessment, seconds: float) -> Outcome:
    """Compare an assessment with the truth."""
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


def _near(at: float, others: list[float]) -> bool:
    return any(abs(at - other) <= STEP_WITHIN_H for other in others)


def holds(low: float | None, high: float | None, truth: float, slack: float = 0.0) -> bool:
    """Tell whether an interval holds the truth; an open end holds everything on its side."""
    above = low is None or low - slack <= truth
    return above and (high is None or math.isinf(high) or truth <= high + slack)
