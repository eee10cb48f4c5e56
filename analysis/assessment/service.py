"""The service calendar: when each job of the unit's own manual is due next, by this boat's use.

A job is due after so many running hours, so many months, or both: what comes first counts. It
counts from its newest tick (``ebbwatt event tick``), else from the day of fitting.

The hours come from the log. What the charger ran before the log began is known only if its counter
stood at 0 h when it was fitted. Otherwise that is estimated from the boat's use over the year;
where the day of fitting is not known either, the hours stay unknown until the job is ticked.
"""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.usage import expected_date
from analysis.figures import day, iso
from analysis.health.evidence import NEW_WITHIN_D
from logger.durations import DAY_S, YEAR_D, YEAR_S
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
    """Running hours until it is due, negative where it is overdue; None where the job has no hours
    or they are not known."""
    by_use_s: float | None
    """Unix time at which those hours will be used; None where the use is not known."""
    by_months_s: float | None
    """Unix time at which its months are over; None without months."""
    estimated: bool = False
    """Whether hours before the log began are in ``left_h``, by the boat's use over the year."""
    unknown: bool = False
    """Whether the job has hours, but nothing tells how many of them are used."""
    zone: tzinfo = UTC
    """Zone of the owner's days."""

    def due_s(self) -> float | None:
        """Return the Unix time at which it is due, None where it is not known."""
        known = [when for when in (self.by_use_s, self.by_months_s) if when is not None]
        return min(known) if known else None

    def due_by(self) -> str | None:
        """Return what makes it due then, ``hours`` or ``months``; None where it is not known."""
        when_s = self.due_s()
        if when_s is None:
            return None
        return "hours" if when_s == self.by_use_s else "months"

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
            "hours_estimated": self.estimated,
            "due": None if (when_s := self.due_s()) is None else day(when_s, self.zone),
            "due_by": self.due_by(),
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
    zone: tzinfo = UTC,
) -> tuple[Due, ...]:
    """Return when each job is due, the first one first.

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
    zone
        Zone of the days.
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
    found = [_due(job, done.get(job.name), runs, fitted, pattern, zone) for job in jobs]
    return tuple(sorted(found, key=lambda due: (due.due_s() or np.inf, due.name)))


def _due(
    job: ServiceConfig,
    last_s: float | None,
    runs: Runs,
    fitted: date | None,
    pattern: Usage | None,
    zone: tzinfo,
) -> Due:
    """Return when one job is due that was ticked last at ``last_s`` (Unix time; None: never)."""
    end_s = float(runs.log.end_s.max())
    then = left_h = by_use_s = by_months_s = None
    if job.hours is not None:
        then = _hours_then(runs, last_s, fitted, pattern, zone)
        if then is not None:
            left_h = then.at_h + job.hours - float(runs.hours.at_end_h[-1])
            if left_h <= 0.0:
                by_use_s = end_s
            elif pattern is not None:
                by_use_s = expected_date(pattern, end_s, left_h)
    if job.months is not None:
        first_s = float(runs.log.start_s[0])
        if fitted is not None:
            first_s = min(first_s, _midnight_s(fitted, zone))
        by_months_s = months_on(first_s if last_s is None else last_s, job.months, zone)
    return Due(
        job.name,
        last_s,
        left_h,
        by_use_s,
        by_months_s,
        estimated=then is not None and then.estimated,
        unknown=job.hours is not None and then is None,
        zone=zone,
    )


@dataclass(frozen=True, slots=True)
class _Then:
    """The running hours of the log at which a job begins to count."""

    at_h: float
    estimated: bool = False


def _hours_then(
    runs: Runs, last_s: float | None, fitted: date | None, pattern: Usage | None, zone: tzinfo
) -> _Then | None:
    """Return the running hours at a tick (Unix time), else at the fitting; None where not known."""
    log, hours = runs.log, runs.hours
    begin_s = float(log.start_s[0])
    first_run_h = float(log.duration_s[0]) / 3600.0 if runs.running[0] else 0.0
    begin_h = float(hours.at_end_h[0]) - first_run_h
    if last_s is not None and last_s >= begin_s:
        ends_s = np.concatenate(([begin_s], log.end_s))
        at_h = np.concatenate(([begin_h], hours.at_end_h))
        return _Then(float(np.interp(last_s, ends_s, at_h)))
    if last_s is None and hours.counted:
        passed_s = NEW_WITHIN_D * DAY_S
        if fitted is not None:
            passed_s = begin_s - _midnight_s(fitted, zone) + DAY_S
        if begin_h <= passed_s / 3600.0:
            return _Then(0.0)  # the counter may have begun with the fitting: the unit was new
    if last_s is None and fitted is None:
        return None
    since_s = _midnight_s(fitted, zone) if last_s is None and fitted is not None else last_s
    before_s = max(begin_s - (begin_s if since_s is None else since_s), 0.0)
    if last_s is None and before_s <= NEW_WITHIN_D * DAY_S:
        return _Then(begin_h)
    if pattern is None:
        return None
    ran_h = pattern.per_year() * before_s / YEAR_S
    # No counter, or one that this unit brought along: the hours may begin anywhere.
    then_h = begin_h - ran_h
    return _Then(max(then_h, 0.0) if hours.counted else then_h, estimated=True)


def _midnight_s(date_: date, zone: tzinfo) -> float:
    return datetime.combine(date_, time(), zone).timestamp()


def months_on(time_s: float, months: float, zone: tzinfo) -> float:
    """Return the Unix time so many months of the calendar later; parts of one are days."""
    whole = int(months)
    start = datetime.fromtimestamp(time_s, zone)
    number = start.year * 12 + start.month - 1 + whole
    year, month = number // 12, number % 12 + 1
    last = calendar.monthrange(year, month)[1]
    later = start.replace(year=year, month=month, day=min(start.day, last))
    return (later + timedelta(days=(months - whole) * YEAR_D / 12.0)).timestamp()
