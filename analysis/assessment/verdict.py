"""The verdict on a charger, the reasons for it, and advice on how to make it more certain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.document import Reason, Verdict
from analysis.assessment.first_limit import may_last, others_sentence
from analysis.figures import figure, hours_words, rounded
from analysis.inputs.meters import MEASURE
from analysis.text import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.assessment.forecast import Forecast
    from analysis.estimate import Span

#: Code of the reason why nothing is decided on a charger that was weak when new.
UNIT_OR_PLACE = "unit_or_place"
#: The verdict is "plan" when the remaining life (median) is shorter than this many years of use:
#: ordering and fitting a charger takes up to a season (judgement, no source) ...
PLAN_YEARS = 1.0
#: ... or than this, h. It decides on a boat that uses its charger less than that in a year
#: (judgement, no source).
PLAN_AT_LEAST_H = 200.0
#: Least part of the running hours with another source for a note: less changes no figure
#: (judgement, no source).
OTHERS_SHARE = 0.02
#: Use of a year where the log does not show it, h: a season of a sailing boat (common practice, no
#: source).
_USUAL_YEAR_H = 500.0


@dataclass(frozen=True, slots=True)
class Situation:
    """The figures that decide verdict, notes and advice. Fractions are of rated."""

    output: Span
    sensor_decides: bool
    """Whether a clamp meter would show on which side of a limit the output lies."""
    measured: bool
    """Whether both meters were held on it in the last year, and the log has those minutes."""
    slope: Span
    forecast: Forecast | None
    plan_below: float
    replace_below: float
    hours_per_year: float | None
    runs: int
    values: int
    bounds: int
    held: bool
    """Whether a setting, or the end of the sensor's range, held the current."""
    drifts: bool
    """Whether the gain of the current sensor may drift: what it shows may be wear or not."""
    first: float | None
    """Output when the log began, where a new charger was weak by then (``from_new``); else None."""
    heat_known: bool
    """Whether it is known how much of the output heat takes."""
    since_start: Span
    """Present output over that when the log began."""
    steps: int
    renewed: bool
    renewal_found: bool
    """Whether nobody recorded the renewal: a sudden gain showed it."""
    temperature_told: bool
    states_told: bool
    counted: bool
    ceiling_known: bool
    held_current_v: float | None
    """Voltage at which the output of a charger that holds its current is stated; else None."""
    warm_found: bool
    other_source_h: float
    now_h: float
    design_life_h: float | tuple[float, float] | None


def verdict(case: Situation) -> tuple[Verdict, list[Reason]]:
    """Return the verdict and why.

    A charger that was new and weak when its log began was not worn by then. Heat or a wrong sensor
    look the same, so its output calls for a replacement only where both are known, or where what it
    has lost since would do so by itself. Once its design hours are used up another unit is due
    anyway.
    """
    decided, reasons = _by_figures(case)
    if case.first is None or (case.measured and case.heat_known):
        return decided, reasons
    if not _rests_on_output(case, decided, reasons):
        return decided, reasons
    limit = case.replace_below if decided is Verdict.REPLACE else case.plan_below
    kept = case.since_start.median
    if kept is None or kept < limit:
        return decided, reasons
    if case.design_life_h is not None and case.now_h >= np.max(case.design_life_h):
        return decided, reasons
    unknown = {"heat": case.heat_known, "a wrong sensor": case.measured}
    causes = " or ".join(name for name, known in unknown.items() if not known)
    words = (
        f"not known whether the unit is weak or its place: new, it gave {_percent(case.first)} of "
        f"rated, and it still gives {_percent(min(kept, 1.0))} of that. Its "
        f"{_percent(case.output.median or 0.0)} today is not wear alone; {causes} looks the same"
    )
    return Verdict.UNDETERMINED, [Reason(UNIT_OR_PLACE, words)]


def _by_figures(case: Situation) -> tuple[Verdict, list[Reason]]:
    """Return the verdict as the figures alone have it, and why."""
    reasons: list[Reason] = []
    if case.output.median is None:
        reasons.append(_why_unknown(case))
        if case.output.low is not None:
            why = "no more was measured" if case.held else "the battery never took more"
            reasons.append(
                Reason(
                    "lower_bound",
                    f"it gave at least {_percent(case.output.low)} of rated; {why}, so it may be "
                    f"able to give more",
                )
            )
        return Verdict.UNDETERMINED, reasons
    middle, low, high = case.output.median, case.output.low or 0.0, case.output.high or 1.0
    within = f"{_percent(middle)} of rated ({_ends(low, high)})"
    if case.drifts and low < case.replace_below and high >= case.plan_below:
        words = (
            f"the current sensor may drift: available output is anything from {_percent(low)} to "
            f"{_percent(high)} of rated, so it may lie on either side of the limits"
        )
        return Verdict.UNDETERMINED, [Reason("sensor_drifts", words)]
    if middle < case.replace_below:
        reasons.append(
            Reason(
                "below_replace",
                f"available output is {within}, below the replacement limit of "
                f"{_limit(case.replace_below)}",
            )
        )
        return Verdict.REPLACE, reasons
    soon = _soon(case)
    if middle < case.plan_below or low < case.replace_below:
        which, limit = ("plan", case.plan_below)
        if middle >= case.plan_below:
            which, limit = ("replacement", case.replace_below)
        reasons.append(
            Reason(
                "below_plan",
                f"available output is {within}; the {which} limit is {_limit(limit)}",
            )
        )
    if soon is not None:
        reasons.append(soon)
    if reasons:
        return Verdict.PLAN, reasons
    reasons.append(Reason("output_sound", f"available output is {within}"))
    if low < case.plan_below:
        reasons.append(
            Reason(
                "plan_limit_near",
                f"it may already be below the plan limit of {_limit(case.plan_below)}",
            )
        )
    return Verdict.SOUND, reasons


def rests_on_output(case: Situation) -> bool:
    """Tell whether it is the output that asks for a replacement, and not the design hours alone."""
    decided, reasons = verdict(case)
    return _rests_on_output(case, decided, reasons)


def _rests_on_output(case: Situation, decided: Verdict, reasons: Sequence[Reason]) -> bool:
    if decided not in {Verdict.PLAN, Verdict.REPLACE}:
        return False
    by_hours = case.forecast is not None and case.forecast.until == "design_hours"
    return any(reason.code not in {"limit_near", "design_hours_used"} for reason in reasons) or (
        not by_hours
    )


def _soon(case: Situation) -> Reason | None:
    """Return a reason to plan, if the charger will probably reach a limit within a year of use."""
    future = case.forecast
    if future is None or future.hours.median is None:
        return None
    left = future.hours.median
    year = case.hours_per_year if case.hours_per_year is not None else _USUAL_YEAR_H
    if left >= max(PLAN_YEARS * year, PLAN_AT_LEAST_H):
        return None
    until = future.until or "output"
    other = others_sentence(future.until, future.first, future.hours).removesuffix(".")
    further = f". {other}" if other else ""
    what = {
        "output": "the output falls below the replacement limit",
        "design_hours": f"the design hours ({hours_words(case.design_life_h)}) are used up",
        "load": "it can no longer carry this boat's load with its battery",
    }[until]
    if left <= 0.0 and until == "design_hours":
        return Reason(
            "design_hours_used",
            f"the design hours ({hours_words(case.design_life_h)}) are used up; the output alone "
            f"does not call for replacement{further}",
        )
    if left <= 0.0 and may_last(future.hours):
        now = {
            "output": "the output may already be below the replacement limit for good",
            "load": "it may already be too weak to carry this boat's load with its battery",
        }[until]
        high = future.hours.high
        most = "" if high is None else f": 0 to {rounded(high, -1)} running hours may be left"
        return Reason("limit_near", f"{now}{most}{further}")
    if left <= 0.0 and until == "load":
        return Reason("limit_near", what)
    words = f"in about {figure(future.hours, 'running hours')} {what}"
    return Reason("limit_near", f"{words}{further}")


def _why_unknown(case: Situation) -> Reason:
    if case.runs == 0:
        return Reason("no_runs", "the log holds no run yet")
    if case.values == 0 and case.bounds > 0 and case.held:
        return Reason(
            "held_only",
            "a setting, or the end of the sensor's range, held the current in the runs, so the log "
            "does not show how much the charger can give",
        )
    if case.values == 0 and case.bounds > 0:
        return Reason(
            "battery_limited_only",
            "in every run the battery set the current, so the log does not show how much the "
            "charger can give",
        )
    return Reason(
        "too_few_runs",
        f"{case.values or 'none'} of {counted(case.runs, 'run')} "
        f"{'shows' if case.values <= 1 else 'show'} how much the charger can give; at least 4 "
        f"runs, and one in 25, must do so",
    )


def notes(case: Situation) -> list[Reason]:
    """Return the notes: why the figures are wide or limited, and what they leave out."""
    found: list[Reason] = []
    if case.forecast is not None and case.forecast.withheld is not None:
        code = case.forecast.withheld_code or "withheld"
        found.append(Reason(code, case.forecast.withheld))
    if case.steps:
        plural = "" if case.steps == 1 else "s"
        words = f"{case.steps} sudden change{plural} of output found and not counted as decline"
        found.append(Reason("steps", words))
    if case.renewal_found:
        found.append(
            Reason(
                "renewal_found",
                "the output rose suddenly, so a renewal that nobody recorded is assumed: the "
                "estimate starts there, but the design hours still count from the fitting; record "
                "it: ebbwatt event add renewal --at DAY, or, if it was another unit, ebbwatt "
                "exchange --at DAY",
            )
        )
    elif case.renewed:
        found.append(Reason("renewed", "the estimate starts at the last renewal or replacement"))
    if not case.temperature_told and case.values:
        found.append(
            Reason(
                "no_temperature",
                "compartment temperature is not logged: heat looks like wear, so the interval is "
                "wider",
            )
        )
    if case.held_current_v is not None:
        found.append(
            Reason(
                "held_current",
                "the charger holds its current, not its power, so its output is stated at "
                f"{case.held_current_v:.1f} V; at a higher voltage it gives more watts",
            )
        )
    if case.bounds and case.values:
        found.append(
            Reason(
                "lower_bounds",
                f"{counted(case.bounds, 'run')} in which "
                f"{'a setting, the sensor or ' if case.held else ''}the battery held the current "
                f"{'counts' if case.bounds == 1 else 'count'} as "
                f"{'a lower bound' if case.bounds == 1 else 'lower bounds'}",
            )
        )
    if case.other_source_h > max(1.0, OTHERS_SHARE * case.now_h):
        found.append(
            Reason(
                "other_source",
                f"for {case.other_source_h:.0f} h the charger idled while a float voltage or "
                f"another source (shore, alternator) held the battery up; those hours were left "
                f"out",
            )
        )
    return found


NO_TEMPERATURE = "Log the compartment temperature: a hot compartment looks like wear."
NO_STATES = (
    "Check the charger's states in [states]: those in the log are missing or wrong, so runs were "
    "found from the power."
)
NO_COUNTER = (
    "Take the running hours from the unit's own display, if it has one: no hour counter in the log "
    "can be used, so the design hours cannot be checked."
)
NO_CEILING = (
    "Set charge_ceiling_v if the battery gets full at times: the log shows no charge ceiling."
)
#: Advice about wiring and configuration, for the technician; all other advice is for the crew.
FOR_TECHNICIAN = frozenset({NO_TEMPERATURE, NO_STATES, NO_COUNTER, NO_CEILING})


def advice(case: Situation) -> list[str]:
    """Return advice on how to make the verdict more certain, most useful first."""
    told: list[str] = []
    if rests_on_output(case) and not case.measured:
        told.append(MEASURE)
    elif case.sensor_decides:
        told.append(
            "Measure with a clamp meter: it decides on which side of a limit the output lies. "
            "During a run, read current and voltage at the charger's leads, and record them with: "
            "ebbwatt event add reading --current A --voltage V"
        )
    if case.values < 4 and case.runs and not case.held:
        told.append(
            "Let the charger run for an hour or more into a battery that is well below full (or "
            "with loads on): only such a run shows how much it can give."
        )
    elif case.bounds > 3 * case.values and not case.held:
        told.append(
            "Most runs end at the charge ceiling. A few runs from a lower state of charge would "
            "narrow the interval."
        )
    for known, words in (
        (case.temperature_told, NO_TEMPERATURE),
        (case.states_told, NO_STATES),
        (case.counted, NO_COUNTER),
        (case.ceiling_known, NO_CEILING),
    ):
        if not known and case.runs:
            told.append(words)
    return told


def _limit(fraction: float) -> str:
    """Return a limit as the configuration gives it."""
    return f"{100.0 * fraction:g} %"


def _ends(low: float, high: float) -> str:
    """Write both ends of an interval, with the unit behind the second, as everywhere else."""
    return f"{_percent(low).removesuffix(' %')} to {_percent(high)}"


def _percent(fraction: float) -> str:
    return f"{100.0 * fraction:.1f} %"
