"""Verdict, remaining life and low fuel: the same on every screen and page. Loads nothing heavy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.assessment.document import Verdict
from analysis.assessment.first_limit import may_last
from analysis.figures import date_figure, figure_with_ends, rounded

if TYPE_CHECKING:
    from analysis.estimate import Span

#: The verdict in two or three words, and the sign that stands for it where colour cannot.
VERDICT_WORDS = {
    Verdict.SOUND: "Sound",
    Verdict.PLAN: "Plan the replacement",
    Verdict.REPLACE: "Replacement limit reached",
    Verdict.UNDETERMINED: "Cannot say yet",
}
VERDICT_SIGNS = {
    Verdict.SOUND: "ok",
    Verdict.PLAN: "! ",
    Verdict.REPLACE: "!!",
    Verdict.UNDETERMINED: "??",
}


def remaining_words(hours: Span, date: Span) -> str:
    """Return remaining hours, and their date (Unix time), in a few words."""
    if hours.median is not None and hours.median <= 0:
        if may_last(hours):
            return (
                "a limit may be reached already"
                if hours.high is None
                else f"remaining 0 to {rounded(hours.high, -1)} h"
            )
        return "no hours remain"
    if hours.median is not None:
        text = f"remaining {figure_with_ends(hours, 'h')}"
        return f"{text}, about {date_figure(date)}" if date.median is not None else text
    if hours.low is not None:
        return f"remaining at least {least_hours(hours.low)} h"
    return "remaining life not known"


def least_hours(low_h: float) -> str:
    """Return a lower end without the digits that it cannot have."""
    return f"{round(low_h, -1 if low_h < 1000 else -2):.0f}"


#: Fuel that may last for fewer days than this is called low (our choice, no source).
LOW_FUEL_D = 3.0


def fuel_low(days_left: Span) -> bool:
    """Tell whether fuel is low: its lower end counts, as fuel may end before the median."""
    return days_left.low is not None and days_left.low < LOW_FUEL_D
