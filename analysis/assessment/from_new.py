"""A charger that was weak from its first day: a wrong figure is more likely than wear."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90
from analysis.figures import day
from analysis.health.evidence import NEW_WITHIN_D
from analysis.inputs.finding import Finding, Severity

if TYPE_CHECKING:
    from analysis.health.evidence import Evidence
    from analysis.health.life import Health
    from analysis.inputs.finding import Series
    from logger.config import Config

WEAK = "weak_from_new"
#: A new charger gives at least this part of its nameplate (common practice, no source: a nameplate
#: is honest to a few per cent; a tenth more for heat and a poor sensor).
NEW_GIVES = 0.85
#: Below this part of its nameplate a charger does not run for long, new or old: a figure is wrong,
#: or the unit has failed (our choice, half of the usual replacement limit).
RUNS_AT_ALL = 0.3
#: With more hours on its counter when the log began it was not new (our choice).
NEW_H = 300.0


def weak_from_new(
    health: Health | None, evidence: Evidence, config: Config, course: Series
) -> Finding | None:
    """Return a finding where a charger gave too little from its first day on.

    Parameters
    ----------
    health, evidence
        The estimate of the present life, and the runs that it is of.
    config
        When the charger was fitted, and its rated output.
    course
        Output by run, for the plot.
    """
    runs, fitted = evidence.runs, config.charger.fitted
    if health is None or not len(runs.log):
        return None
    impossible = _far_below(health, evidence, config, course)
    if impossible is not None or fitted is None or evidence.life.renewed:
        return impossible
    begun_s = float(runs.log.start_s[0])
    counter = runs.log.runtime_h[np.isfinite(runs.log.runtime_h)]
    if (datetime.fromtimestamp(begun_s, config.boat.zone).date() - fitted).days > NEW_WITHIN_D:
        return None
    if len(counter) and counter[0] > NEW_H:
        return None
    told = bool(np.isfinite(evidence.out.temperature_c).any())
    # Where no temperature is told, most of the common error stands for heat. A hot compartment is
    # one of the causes named below, so it speaks for the doubt and not against it.
    first, high = _at_first(health, health.systematic if told else 0.0)
    if high >= NEW_GIVES:
        return None
    rated_w = config.charger.rated_w
    hot, cool = "", ""
    if not told:
        hot = "the compartment is hot, "
        cool = "the heat of the compartment (compare a run on a cold day, or log temperature_c); "
    return Finding(
        WEAK,
        Severity.DOUBT,
        begun_s,
        f"The charger gave {100.0 * first:.0f} % of rated ({first * rated_w:.0f} W) from its first "
        f"day in the log, {day(begun_s)}, though it was new by then. That is not wear: a figure is "
        f"wrong, {hot}or the unit was faulty or used when it was fitted.",
        f"Before you replace it, check, in this order: [charger] rated_w = {rated_w:g} against the "
        "nameplate; the scale of the current sensor (hold a clamp meter against it: ebbwatt event "
        f"add reading --current A); {cool}a limit that is set on the charger; the date in fitted. "
        "Then claim on the guarantee.",
        f"at least {100.0 * NEW_GIVES:.0f} % of rated from a new charger",
        f"{100.0 * first:.0f} % (at most {100.0 * high:.0f} %)",
        replace(course, expected=100.0 * NEW_GIVES),
    )


def _at_first(health: Health, common: float) -> tuple[float, float]:
    """Return the output when the log began, and the upper end of its interval of 90 %.

    ``common`` is the common error of all figures (one sd), fraction of rated.
    """
    first, sd = float(health.fitted[0]), float(np.hypot(health.fitted_sd[0], common))
    return first, first + Z90 * float(np.hypot(sd, health.gain_sd * first))


def _far_below(
    health: Health, evidence: Evidence, config: Config, course: Series
) -> Finding | None:
    """Return a finding where the output was far too low from the first run in the log on."""
    first, high = _at_first(health, health.systematic)
    if high >= RUNS_AT_ALL:
        return None
    rated_w, begun_s = config.charger.rated_w, float(evidence.runs.log.start_s[0])
    return Finding(
        WEAK,
        Severity.STOP,
        begun_s,
        f"From its first run in the log, {day(begun_s)}, the charger shows {100.0 * first:.0f} % "
        f"of rated ({first * rated_w:.0f} W). No charger runs for long at so little: a figure is "
        "wrong, or the unit has failed.",
        f"Check, in this order: the unit and the divisor of current_a (hold a clamp meter against "
        f"it); [charger] rated_w = {rated_w:g} against the nameplate; whether voltage and current "
        "are exchanged. If all are right, the unit has failed: find out why it gives so little.",
        f"at least {100.0 * RUNS_AT_ALL:.0f} % of rated from a charger that runs",
        f"{100.0 * first:.0f} % (at most {100.0 * high:.0f} %)",
        replace(course, expected=100.0),
    )
