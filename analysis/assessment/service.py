"""The service calendar: when each job of the unit's own manual is due next, by this boat's use.

A job is due after so many running hours, so many months, or both: what comes first counts. It
counts from its newest tick (``ebbwatt event tick``), else from the day of fitting, at which the
unit's own counter stood at 0 h.
"""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.usage import expected_date
from analysis.figures import iso
from logger.durations import YEAR_D
from logger.errors import UsageError
from logger.event import by_whom, day_begins_s

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.assessment.usage import Usage
    from analysis.history.runs import Runs
    from logger.config import ServiceConfig
    from logger.event import Event

#: The kind of the event that says that a job was done.
KIND = "service"
_DONE = re.compile(r"([A-Za-z0-9][A-Za-z0-9_-]*), ticked by ([^:]+)(?:: (.*))?")


@dataclass(frozen=True, slots=True)
class Due:
    """When one job is due next, as the end of the log shows it."""

    name: str
    last_s: float | None
    """Unix time of its newest tick; None where it was never ticked."""
    left_h: float | None
    """Running hours until it is due, negative where it is overdue; None without hours."""
    by_use_s: float | None
    """Unix time at which those hours will be used; None where the use is not known."""
    by_months_s: float | None
    """Unix time at which its months are over; None without months."""

    def due_s(self) -> float | None:
        """Return the Unix time at which it is due, None where it is not known."""
        known = [when for when in (self.by_use_s, self.by_months_s) if when is not None]
        return min(known) if known else None

    def overdue(self, now_s: float) -> bool:
        """Tell whether it is due at ``now_s`` or was before."""
        used = self.left_h is not None and self.left_h <= 0.0
        return used or (self.by_months_s is not None and self.by_months_s <= now_s)

    def document(self) -> dict[str, object]:
        """Return it under its published keys."""
        return {
            "name": self.name,
            "last": iso(self.last_s),
            "hours_left": None if self.left_h is None else round(self.left_h, 1),
            "due": None if self.due_s() is None else str(iso(self.due_s()))[:10],
        }


def done_text(name: str, known: Sequence[str], who: str, remark: str) -> str:
    """Return the text of the event that ticks a job.

    Raises
    ------
    UsageError
        If there is no such job, or nobody is named.
    """
    if name not in known:
        raise UsageError(f"{name!r} is no job of [service]; accepted: {', '.join(known)}")
    return f"{name}, {by_whom(who, remark)}"


def service_calendar(
    jobs: Iterable[ServiceConfig],
    runs: Runs,
    events: Iterable[Event],
    fitted: date | None,
    pattern: Usage | None,
) -> tuple[Due, ...]:
    """Return when each job is due, what is due first standing first.

    Parameters
    ----------
    jobs
        The jobs of the configuration.
    runs
        The runs of the log, with the unit's own hours.
    events
        All events; ticks from before the day of fitting are another unit's.
    fitted
        The day of fitting, None where it is not known.
    pattern
        The boat's use over the year; None where it is not known.
    """
    log = runs.log
    if len(log) == 0:
        return ()
    begin_s = -np.inf if fitted is None else day_begins_s(fitted.isoformat())
    done: dict[str, float] = {}
    for event in sorted(events, key=lambda e: e.time_s):
        told = _DONE.fullmatch(event.text) if event.kind == KIND and not event.struck else None
        if told is not None and event.time_s >= begin_s:
            done[told[1]] = event.time_s
    end_s, now_h = float(log.end_s.max()), float(runs.hours.at_end_h[-1])
    first_s = float(log.start_s[0])
    if fitted is not None:
        first_s = min(first_s, datetime.combine(fitted, time(), UTC).timestamp())
    found = []
    for job in jobs:
        last_s = done.get(job.name)
        left_h = by_use_s = by_months_s = None
        if job.hours is not None:
            ran = runs.hours.at_end_h
            then_h = 0.0 if last_s is None else float(np.interp(last_s, log.end_s, ran, left=0.0))
            left_h = then_h + job.hours - now_h
            if left_h <= 0.0:
                by_use_s = end_s
            elif pattern is not None:
                by_use_s = expected_date(pattern, end_s, left_h)
        if job.months is not None:
            by_months_s = _months_on(first_s if last_s is None else last_s, job.months)
        found.append(Due(job.name, last_s, left_h, by_use_s, by_months_s))
    return tuple(sorted(found, key=lambda due: (due.due_s() or np.inf, due.name)))


def _months_on(time_s: float, months: float) -> float:
    """Return the Unix time so many months of the calendar later; parts of one are days."""
    whole = int(months)
    start = datetime.fromtimestamp(time_s, UTC)
    number = start.year * 12 + start.month - 1 + whole
    year, month = number // 12, number % 12 + 1
    day = min(start.day, calendar.monthrange(year, month)[1])
    later = start.replace(year=year, month=month, day=day)
    return (later + timedelta(days=(months - whole) * YEAR_D / 12.0)).timestamp()
