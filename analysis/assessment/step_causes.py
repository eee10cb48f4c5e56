"""A sudden change of the output is not wear: find its cause before anything is replaced."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.inputs.finding import Finding, Severity
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.assessment.document import Step
    from analysis.inputs.finding import Series
    from logger.event import Event
    from logger.other_sources import OtherSource

STEP = "output_step"
#: What was noted within so many days of a change may be its cause (our choice, such days are
#: noted from memory).
NEAR_D = 14.0
#: Kinds of event that a person notes and that may change an output.
_MAY_CAUSE = ("fuel", "service", "renewal", "replacement", "note")
_CLAMP = "(hold a clamp meter against it: ebbwatt event add reading --current A)."
LOSS = (
    "Find the cause before anything is replaced. Look at, in this order: the fuel, its filter and "
    "connections; air intake and exhaust; a place that is hotter or higher; a changed charge "
    f"setting; another source (declare it in [[other_sources]]); the current sensor {_CLAMP}"
)
GAIN = (
    "Find the cause: a renewal (record it: ebbwatt event add renewal --at DAY), another unit "
    "(record it: ebbwatt exchange --at DAY), a repair, another place or another charge setting, "
    f"the current sensor {_CLAMP}"
)


def step_findings(
    steps: Sequence[Step],
    events: Sequence[Event],
    sources: Sequence[OtherSource],
    course: Series | None = None,
) -> list[Finding]:
    """Return a finding for each sudden change, with what was noted near it and the course."""
    return [
        Finding(
            STEP,
            Severity.NOTE,
            step.time_s,
            f"The output {'fell' if step.change < 0.0 else 'rose'} suddenly by "
            f"{100.0 * abs(step.change):.0f} % of rated at {step.runtime_h:.0f} h, about "
            f"{day(step.time_s)}: find the cause, this is not wear. It is kept out of the decline."
            f"{_near(step.time_s, events, sources)}",
            LOSS if step.change < 0.0 else GAIN,
            "an output that changes slowly",
            f"{100.0 * step.change:+.0f} % of rated ({100.0 * step.low:+.0f} to "
            f"{100.0 * step.high:+.0f})",
            course,
            # What was noted near it is its likely cause: nobody needs to look for another.
            asks=not _near(step.time_s, events, sources),
        )
        for step in steps
    ]


def _near(time_s: float, events: Sequence[Event], sources: Sequence[OtherSource]) -> str:
    """Return what was noted near a time, as a sentence; empty where nothing was."""
    near_s = NEAR_D * DAY_S
    noted = [
        f"{event.kind} on {day(event.time_s)}"
        for event in events
        if event.kind in _MAY_CAUSE and not event.struck and abs(event.time_s - time_s) <= near_s
    ]
    noted += [
        f"{source} ([[other_sources]])"
        for source in sources
        if min(abs(source.begin_s - time_s), abs(source.end_s - time_s)) <= near_s
    ]
    return f" Noted near it: {'; '.join(noted[:3])}." if noted else ""
