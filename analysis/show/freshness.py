"""How old a figure may be: a forecast is left out once the log is too old for it.

The assessment and the fuel outlook speak of the end of the log. A person reads them later, and
nobody knows whether the charger has run since. Output, decline and verdict stay true of their
date, which stands beside them. Days of fuel and the date of a limit do not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.estimate import Span
from analysis.figures import age, day
from logger.durations import DAY_S

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.assessment.service import Due
    from analysis.fuel.result import FuelOutlook

#: A forecast holds while the log is no older than this part of the time that it named, ...
BEARS_SHARE = 0.1
#: ... and in any case for so many days: a boat may lie still for a month. Both are our
#: choice, no source.
BEARS_AT_LEAST_D = 30.0
#: From this age on a screen says how long ago the log ended, days (our choice).
TOLD_FROM_D = 1.0
#: Reasons that name hours still to come, and age with them.
_FORECASTS = ("limit_near",)


def ended(end_s: float, now_s: float) -> str:
    """Say when the log ended.

    >>> ended(0.0, 5 * DAY_S)
    'the log ended 5 d ago, on 1970-01-01'
    """
    return f"the log ended {age(now_s - end_s)} ago, on {day(end_s)}"


def as_of(end_s: float | None) -> str:
    """Return the date for which a figure is true, as 'as of DATE'; empty if there is no log."""
    return "" if end_s is None else f"as of {day(end_s)}"


def forecast_too_old(end_s: float, named_s: float | None, now_s: float) -> bool:
    """Tell whether a forecast date of a log is too old to be shown at ``now_s``.

    A log may be as old as a tenth of the time that was left at its end, and always 30 days.
    """
    left_d = 0.0 if named_s is None else max(0.0, (named_s - end_s) / DAY_S)
    return now_s - end_s > DAY_S * max(BEARS_AT_LEAST_D, BEARS_SHARE * left_d)


def with_forecast_suspended(a: Assessment, now_s: float) -> Assessment:
    """Return the assessment as a person may read it at ``now_s`` (Unix time).

    Remaining hours and date are taken away, with the reason, once the log is older than a tenth of
    the time that was left, and than 30 days.
    """
    end_s, span = a.observed_to_s, a.remaining_date
    if end_s is None:
        return a
    a = replace(a, service=tuple(_without_old_date(due, end_s, now_s) for due in a.service))
    if a.remaining_h == Span():
        return a
    named_s = span.median if span.median is not None else span.low
    if not forecast_too_old(end_s, named_s, now_s):
        return a
    return replace(
        a,
        remaining_h=Span(),
        remaining_date=Span(),
        withheld=f"{ended(end_s, now_s)}: bring it up to date",
        reasons=tuple(reason for reason in a.reasons if reason.code not in _FORECASTS),
    )


def _without_old_date(due: Due, end_s: float, now_s: float) -> Due:
    """Take the date by use away from a job once the log is too old for it."""
    if due.by_use_s is None or due.overdue(end_s):
        return due
    return replace(due, by_use_s=None) if forecast_too_old(end_s, due.by_use_s, now_s) else due


def dated(end_s: float | None, now_s: float) -> str:
    """Return ', as of DATE' for a figure that is older than a day, else nothing."""
    old = end_s is not None and now_s - end_s > TOLD_FROM_D * DAY_S
    return f", {as_of(end_s)}" if old else ""


def fuel_too_old(days_left: Span, end_s: float | None, now_s: float) -> str | None:
    """Return why days of fuel counted from ``end_s`` are too old at ``now_s``, else None."""
    lasts_d = days_left.median if days_left.median is not None else days_left.low
    if end_s is None or lasts_d is None or now_s - end_s <= DAY_S * lasts_d:
        return None
    return f"{ended(end_s, now_s)}, longer than this fuel lasts"


def with_fuel_suspended(found: FuelOutlook, now_s: float) -> FuelOutlook:
    """Return the outlook as a person may read it at ``now_s`` (Unix time).

    What is left, and for how long, is taken away once the log is older than the fuel lasts.
    """
    why = fuel_too_old(found.days_left, found.last_s, now_s)
    if why is None:
        return found
    return replace(
        found,
        litres_left=Span(),
        days_left=Span(),
        withheld=found.withheld | {"litres_left": why, "days_left": why},
    )
