"""Sets the date of replacement, as it was said, beside the day on which it really came.

The boat lives on after the end of her log, by the same plan of days, until her true remaining
hours are used up.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.assessment.case import Case
from analysis.study.boats import simulate, with_load_limit
from analysis.study.outcome import SLACK_H
from analysis.study.scores import Said
from logger.durations import DAY_S
from logger.sources.boat.run import Voyage

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.assessment.document import Assessment
    from analysis.study.boats import Boat, Truth

#: Longest time for which a boat is simulated beyond its log, days.
FURTHEST_D = 3000.0


@dataclass(frozen=True, slots=True)
class DateOutcome:
    """The assessed and the true date of one boat, days from the end of the log."""

    name: str
    hours: Said | None
    date: Said | None
    """None where no date was stated, or the true one lies beyond ``FURTHEST_D``."""


def judge_date(boat: Boat, cache: Path | None) -> DateOutcome:
    """Simulate a boat, assess its date of replacement, and simulate on until that comes."""
    history, truth = simulate(boat, cache)
    if len(history) == 0 or boat.unknown_clock > 0.0:
        return DateOutcome(boat.name, None, None)
    truth = with_load_limit(boat, truth, cache)
    if not 0.0 < truth.remaining_h < math.inf:
        return DateOutcome(boat.name, None, None)
    return date_outcome(boat, truth, Case(history, boat.config()).assessment, cache)


def date_outcome(boat: Boat, truth: Truth, a: Assessment, cache: Path | None) -> DateOutcome:
    """Compare the assessed date with the true one."""
    said, hours, last_s = a.remaining_date, a.remaining_h, a.observed_to_s
    if said.median is None or said.low is None or last_s is None or hours.median is None:
        return DateOutcome(boat.name, None, None)
    came_s = _came_s(boat, truth, cache)
    low_d, middle_d = (said.low - last_s) / DAY_S, (said.median - last_s) / DAY_S
    high_d = math.inf if said.high is None else (said.high - last_s) / DAY_S
    high_h = math.inf if hours.high is None else hours.high
    # The same slack as in the main table: an end of design hours that is exact has no width.
    low_h = max((hours.low or 0.0) - SLACK_H, 0.0)
    in_hours = Said(low_h, hours.median, high_h + SLACK_H, truth.remaining_h)
    if came_s is None:
        return DateOutcome(boat.name, in_hours, None)
    return DateOutcome(
        boat.name, in_hours, Said(low_d, middle_d, high_d, (came_s - last_s) / DAY_S)
    )


def _came_s(boat: Boat, truth: Truth, cache: Path | None) -> float | None:
    """Return the Unix time at which the true remaining hours were used up."""
    kept = None if cache is None else cache / f"{boat.digest()}-{truth.remaining_h:.0f}h-date.json"
    if kept is not None and kept.is_file():
        found: float | None = json.loads(kept.read_text(encoding="utf-8"))
        return found
    voyage = Voyage(boat.model)
    until_h = truth.at_h + truth.remaining_h
    for _ in voyage.readings(until_h=until_h, days=boat.most_days + FURTHEST_D):
        pass
    came = voyage.time_s if voyage.hours >= until_h - 1.5 else None
    if kept is not None:
        kept.write_text(json.dumps(came), encoding="utf-8")
    return came
