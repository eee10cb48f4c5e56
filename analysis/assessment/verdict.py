"""From figures to what they mean: the verdict, its reasons, and what would make it firmer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.assessment.document import Reason, Verdict
from analysis.figures import figure, hours_words, rounded

if TYPE_CHECKING:
    from analysis.assessment.forecast import Forecast
    from analysis.estimate import Span

#: Plan when the remaining life (median) is shorter than this part of a year's use ...
PLAN_YEARS = 1.0
#: ... but a charger used little needs no plan while more than this is left, h.
PLAN_AT_LEAST_H = 200.0
#: Part of the running hours with another source from which on it is told: less decides nothing.
OTHERS_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Situation:
    """What the advice is drawn from. Fractions are of rated."""

    output: Span
    sensor_decides: bool
    """Whether a clamp meter would tell on which side of a limit the output lies."""
    slope: Span
    forecast: Forecast | None
    plan_below: float
    replace_below: float
    hours_per_year: float | None
    runs: int
    values: int
    bounds: int
    steps: int
    renewed: bool
    renewal_found: bool
    """Whether nobody recorded the renewal: a sudden gain showed it."""
    temperature_told: bool
    states_told: bool
    counted: bool
    ceiling_known: bool
    warm_found: bool
    other_source_h: float
    now_h: float
    design_life_h: float | tuple[float, float] | None


def verdict(case: Situation) -> tuple[Verdict, list[Reason]]:
    """Return the verdict and why."""
    reasons: list[Reason] = []
    if case.output.median is None:
        reasons.append(_why_unknown(case))
        if case.output.low is not None:
            reasons.append(
                Reason(
                    "lower_bound",
                    f"it was seen to give at least {_percent(case.output.low)} of rated; how much "
                    f"more it could give was never asked of it",
                )
            )
        return Verdict.UNDETERMINED, reasons
    middle, low, high = case.output.median, case.output.low or 0.0, case.output.high or 1.0
    within = f"{_percent(middle)} of rated ({_percent(low)} to {_percent(high)})"
    if middle < case.replace_below:
        reasons.append(
            Reason(
                "below_replace",
                f"available output is {within}, below the replacement limit of "
                f"{_percent(case.replace_below)}",
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
                f"available output is {within}; the {which} limit is {_percent(limit)}",
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
                f"it may already be below the plan limit of {_percent(case.plan_below)}",
            )
        )
    return Verdict.SOUND, reasons


def _soon(case: Situation) -> Reason | None:
    """Return a reason to plan where a limit is likely to be met within a year's use."""
    if case.forecast is None or case.forecast.hours.median is None:
        return None
    left = case.forecast.hours.median
    year = case.hours_per_year if case.hours_per_year is not None else 500.0
    if left >= max(PLAN_YEARS * year, PLAN_AT_LEAST_H):
        return None
    what = {
        "output": "the output falls below the replacement limit",
        "design_hours": f"the design hours ({hours_words(case.design_life_h)}) are used up",
        "load": "it can no longer carry this boat's load with her bank",
    }[case.forecast.until or "output"]
    if left <= 0.0 and case.forecast.until == "design_hours":
        return Reason(
            "design_hours_used",
            f"the design hours ({hours_words(case.design_life_h)}) are used up; the output alone "
            f"does not call for replacement",
        )
    if left <= 0.0 and (case.forecast.hours.high is None or case.forecast.hours.high >= 1.0):
        now = {
            "output": "the output may already be below the replacement limit for good",
            "design_hours": what,
            "load": "it may already be too weak to carry this boat's load with her bank",
        }[case.forecast.until or "output"]
        high = case.forecast.hours.high
        most = "" if high is None else f": 0 to {rounded(high, -1)} running hours may be left"
        return Reason("limit_near", now + most)
    if left <= 0.0 and case.forecast.until == "load":
        return Reason("limit_near", "it can no longer carry this boat's load with her bank")
    return Reason("limit_near", f"in about {figure(case.forecast.hours, 'running hours')} {what}")


def _why_unknown(case: Situation) -> Reason:
    if case.runs == 0:
        return Reason("no_runs", "no run is in the log yet")
    if case.values == 0 and case.bounds > 0:
        return Reason(
            "battery_limited_only",
            "in every run the battery set the current, so the charger never showed what it can "
            "give",
        )
    return Reason(
        "too_few_runs",
        f"only {case.values} of {case.runs} runs show what the charger can give; at least 4, and "
        f"one in 25, are needed",
    )


def notes(case: Situation) -> list[Reason]:
    """Return further reasons: what widened, withheld or shaped the figures."""
    found: list[Reason] = []
    if case.forecast is not None and case.forecast.withheld is not None:
        code = case.forecast.withheld_code or "withheld"
        found.append(Reason(code, case.forecast.withheld))
    if case.steps:
        plural = "" if case.steps == 1 else "s"
        found.append(Reason("steps", f"{case.steps} sudden change{plural} kept out of the decline"))
    if case.renewal_found:
        found.append(
            Reason(
                "renewal_found",
                "a sudden gain was taken for a renewal that nobody recorded: the estimate starts "
                "there, the design hours do not; record it with: ebbwatt event add renewal",
            )
        )
    elif case.renewed:
        found.append(Reason("renewed", "the estimate starts at the last renewal or replacement"))
    if not case.temperature_told and case.values:
        found.append(
            Reason(
                "no_temperature",
                "compartment temperature is not logged: heat cannot be told from wear, and the "
                "interval is wider for it",
            )
        )
    if case.bounds and case.values:
        found.append(
            Reason(
                "lower_bounds",
                f"{case.bounds} battery-limited {_runs(case.bounds)} as lower bounds",
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


def _runs(number: int) -> str:
    return "run counts" if number == 1 else "runs count"


NO_TEMPERATURE = "Log the compartment temperature: a hot compartment looks like wear."
NO_STATES = (
    "See to the charger's states in [states]: the source tells none that can be believed, so runs "
    "were found from the power."
)
NO_COUNTER = (
    "Take the running hours from the unit's own display, if it has one: the log has no hour "
    "counter, so the design hours cannot be checked."
)
NO_CEILING = "Set charge_ceiling_v if the battery ever gets full: no charge ceiling was seen."
#: Advice about the fitting and the logger, which is a technician's work; the rest is the crew's.
FOR_TECHNICIAN = frozenset({NO_TEMPERATURE, NO_STATES, NO_COUNTER, NO_CEILING})


def advice(case: Situation) -> list[str]:
    """Return what would make the verdict firmer, most useful first."""
    told: list[str] = []
    if case.sensor_decides:
        told.append(
            "A clamp meter would decide on which side of a limit the output lies: in a run, read "
            "current and voltage at the charger's leads, and record them with: ebbwatt event add "
            "reading --current A --voltage V"
        )
    if case.values < 4 and case.runs:
        told.append(
            "Let the charger run for an hour or more into a battery that is well below full (or "
            "with loads on): only then does it show what it can give."
        )
    elif case.bounds > 3 * case.values:
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


def _percent(fraction: float) -> str:
    return f"{100.0 * fraction:.1f} %"
