"""Says when the jobs of the service calendar are due."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.text import harmless
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.assessment.service import Due

#: A date by this boat's use that lies further ahead is named by its month, days (our choice,
#: such a date is not sure to the day).
_NEAR_D = 60.0


def when_due(due: Due, now_s: float) -> str:
    """Say when a job is due: 'overdue by 120 h', 'due about 2027-03, in 320 h of running'."""
    about = "about " if due.estimated else ""
    if due.left_h is not None and due.left_h <= 0.0:
        return f"overdue by {about}{-due.left_h:.0f} h" if due.left_h < -0.5 else "due now"
    if due.by_months_s is not None and due.by_months_s <= now_s:
        return f"overdue since {day(due.by_months_s)}"
    when_s = due.due_s()
    left = "" if due.left_h is None else f"in {about}{due.left_h:.0f} h of running"
    if due.unknown:
        unknown = "hours since it was last done are not known: tick it when it is done"
        return unknown if when_s is None else f"due {day(when_s)}; {unknown}"
    if when_s is None:
        return f"due {left}"
    if due.due_by() != "hours":
        other = f", or {left}" if left else ""
        return f"due {day(when_s)}{other}"
    date = day(when_s) if when_s - now_s < _NEAR_D * DAY_S else day(when_s)[:7]
    return f"due about {date}, {left}"


def last_done(due: Due) -> str:
    """Say when a job was done last."""
    return "never ticked" if due.last_s is None else f"last done {day(due.last_s)}"


def overdue(calendar: Sequence[Due], now_s: float) -> list[str]:
    """Return 'NAME (overdue by 120 h)' for each job that is due now."""
    return [
        f"{harmless(due.name, 40)} ({when_due(due, now_s)})"
        for due in calendar
        if due.overdue(now_s)
    ]
