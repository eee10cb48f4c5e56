"""The assessment: everything that is said about one charger, as frozen data and as a document.

``Assessment.document()`` gives the JSON document ``ebbwatt/assessment/1``; dashboard and report
draw from the same object. What cannot be known is None, with a reason beside it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from analysis.estimate import Span
from analysis.figures import iso
from logger.durations import DAY_S
from logger.system.output import Kind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analysis.assessment.account import HoursRow
    from analysis.assessment.service import Due
    from analysis.health.run_table import RunTable
    from analysis.inputs.finding import Finding

SCHEMA = "ebbwatt/assessment/1"
#: The course of the output in the document has about this many points: enough for a small plot.
_COURSE_POINTS = 40


class Verdict(StrEnum):
    """What to do about the charger."""

    SOUND = "sound"
    PLAN = "plan"
    REPLACE = "replace"
    UNDETERMINED = "undetermined"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why something is said or withheld: a stable code, and a sentence for a person."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Step:
    """A sudden change of available output, as fractions of rated, negative for a loss."""

    runtime_h: float
    time_s: float
    change: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Curve:
    """The fitted course of available output over running hours, past and forecast, shape (m,)."""

    runtime_h: NDArray[np.float64]
    median: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    forecast_from_h: float
    """Running hours at which observation ends and forecast begins."""

    def document(self) -> dict[str, Any]:
        """Return the observed part for the JSON document, thinned to a few dozen points."""
        seen = [k for k, h in enumerate(self.runtime_h.tolist()) if h <= self.forecast_from_h]
        kept = seen[:: max(1, len(seen) // _COURSE_POINTS)]
        if seen and kept[-1] != seen[-1]:
            kept.append(seen[-1])
        return {
            name: [round(float(values[k]), digits) for k in kept]
            for name, values, digits in (
                ("runtime_h", self.runtime_h, 1),
                ("median", self.median, 4),
                ("low", self.low, 4),
                ("high", self.high, 4),
            )
        }


@dataclass(frozen=True, slots=True)
class HoursAhead:
    """Running hours to come by the boat's own seasons, shape (n,)."""

    time_s: NDArray[np.float64]
    hours: NDArray[np.float64]
    """From the end of the log on; flat in winter."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """What is known about one fitting. Fractions are of rated output; intervals are 90 %."""

    label: str
    rated_w: float
    fitted: str | None
    observed_from_s: float | None
    observed_to_s: float | None
    running_hours: float
    """Running hours observed in the log."""
    energy_kwh: float
    charge_ah: float
    runs: int
    source_limited_runs: int
    battery_limited_runs: int
    output: Span
    at_runtime_h: float | None
    """Running hours of the fitting at the end of the log (its own counter where it has one)."""
    decline_per_1000h: Span
    sag: float | None
    steps: tuple[Step, ...]
    until: str | None
    """Which limit comes first: output, design_hours or load; None where hours are withheld."""
    remaining_h: Span
    remaining_date: Span
    """Unix times."""
    withheld: str | None
    verdict: Verdict
    reasons: tuple[Reason, ...]
    plan_below: float
    replace_below: float
    design_life_h: float | tuple[float, float] | None
    run_table: RunTable | None = None
    curve: Curve | None = None
    hours_ahead: HoursAhead | None = None
    """None where the log does not tell how the boat is used over the year."""
    logged_output: float | None = None
    """Mean output over the hours of the log, by which dates go; None where no end may be told."""
    left_out: dict[str, float] = field(default_factory=dict)
    """Running hours left out of the estimate, by reason."""
    first: dict[str, float] = field(default_factory=dict)
    """Chance of each limit to come first; empty where it is not known."""
    account: tuple[HoursRow, ...] = ()
    """All running hours, each once, by their use or by why they were left out."""
    since_start: Span = field(default_factory=Span)
    """Present output over that when the log of this life began: no gain of a sensor touches it."""
    sensor_sd: float = 0.0
    """What the gain of the current sensor may be wrong by (standard); part of ``output``."""
    advice: tuple[str, ...] = ()
    """What would make the verdict firmer, and what to do next; sentences."""
    inputs: tuple[Finding, ...] = ()
    """What the data say about themselves, the worst first."""
    store: tuple[str, int] | None = None
    """Random id of the database, and the fitting in it; None where there is no database."""
    service: tuple[Due, ...] = ()
    """When each job of [service] is due, what is due first standing first."""

    def document(self) -> dict[str, Any]:
        """Return the JSON document, under its published keys."""
        output, slope, left = self.output, self.decline_per_1000h, self.remaining_h
        return {
            "schema": SCHEMA,
            "store": None
            if self.store is None
            else {"id": self.store[0], "fitting": self.store[1]},
            "charger": {"label": self.label, "rated_w": self.rated_w, "fitted": self.fitted},
            "observed": {
                "from": iso(self.observed_from_s),
                "to": iso(self.observed_to_s),
                "running_hours": _round(self.running_hours, 2),
                "energy_kwh": _round(self.energy_kwh, 4),
                "charge_ah": _round(self.charge_ah, 2),
                "runs": self.runs,
                "source_limited_runs": self.source_limited_runs,
                "battery_limited_runs": self.battery_limited_runs,
            },
            "output": {
                "fraction": _round(output.median, 5),
                "low": _round(output.low, 5),
                "high": _round(output.high, 5),
                "confidence": 0.9,
                "at_runtime_h": _round(self.at_runtime_h, 2),
                "since_start": {
                    "fraction": _round(self.since_start.median, 5),
                    "low": _round(self.since_start.low, 5),
                    "high": _round(self.since_start.high, 5),
                },
                "sensor_uncertainty": _round(self.sensor_sd, 5),
                "watts": None if output.median is None else _round(output.median * self.rated_w, 2),
            },
            "decline": {
                "per_1000h": _round(slope.median, 5),
                "low": _round(slope.low, 5),
                "high": _round(slope.high, 5),
                "sag": _round(self.sag, 5),
            },
            "steps": [
                {
                    "runtime_h": _round(step.runtime_h, 1),
                    "date": iso(step.time_s),
                    "change": _round(step.change, 4),
                    "low": _round(step.low, 4),
                    "high": _round(step.high, 4),
                }
                for step in self.steps
            ],
            "remaining": {
                "until": self.until,
                "first": {name: _round(p, 3) for name, p in self.first.items()} or None,
                "hours": {
                    "low": _round(left.low, 1),
                    "median": _round(left.median, 1),
                    "high": _round(left.high, 1),
                },
                "date": {
                    "low": _whole_day(self.remaining_date.low),
                    "median": _whole_day(self.remaining_date.median),
                    "high": _whole_day(self.remaining_date.high),
                },
                "withheld": self.withheld,
            },
            "verdict": str(self.verdict),
            "reasons": [{"code": r.code, "text": r.text} for r in self.reasons],
            "course": None if self.curve is None else self.curve.document(),
            "left_out_hours": {k: _round(v, 2) for k, v in sorted(self.left_out.items())},
            "hours_account": {
                "all": _round(self.running_hours, 2),
                "rows": [
                    {"what": r.what, "hours": _round(r.hours, 2), "used": r.used, "runs": r.runs}
                    for r in self.account
                ],
            },
            "advice": list(self.advice),
            "inputs": [
                {
                    "code": f.code,
                    "severity": str(f.severity),
                    "since": iso(f.since_s),
                    "text": f.text,
                    "what_to_do": f.what_to_do,
                    "expected": f.expected,
                    "seen": f.seen,
                }
                for f in self.inputs
            ],
            "as_of": iso(self.observed_to_s),
            "service": [due.document() for due in self.service],
        }


DOCUMENT = Kind(
    "assessment document",
    lambda head, _: head.startswith(b"{") and b'"schema": "ebbwatt/assessment/' in head[:200],
)


def json_text(assessment: Assessment) -> str:
    """Return the assessment document as JSON in ASCII, so that no terminal acts on it."""
    return json.dumps(assessment.document(), indent=1, ensure_ascii=True)


def _whole_day(time_s: float | None) -> str | None:
    """Return a forecast date: no forecast is true to the hour, so it is the midnight (UTC)."""
    return None if time_s is None else iso(round(time_s / DAY_S) * DAY_S)


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)
