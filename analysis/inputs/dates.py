"""Dates that cannot be true: of intervals, which are left out, and of the fitting."""

from __future__ import annotations

from datetime import datetime, time
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, by_day
from analysis.text import counted
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.history.history import History
    from logger.config import Config

#: A date of fitting is late from so many days on, with so many hours in the log before it: fewer
#: are the days of a first trial (our choice).
LATE_D, BEFORE_H = 3, 24.0


def impossible_dates(history: History) -> Iterator[Finding]:
    """Yield the finding if intervals have dates or values that no logger writes."""
    if not history.impossible:
        return
    some = counted(history.impossible, "interval")
    yield Finding(
        "dates",
        Severity.DOUBT,
        None,
        f"{some} lie before the year 2000 or in the future, or hold numbers that no logger writes. "
        f"They are left out.",
        "Look at the imports with 'ebbwatt import --undo', take back the one with wrong dates, "
        "correct its file and import it again. If none has, another program has changed the log: "
        "go back to a backup.",
        "dates from 2000 to now, and numbers that a charger can have",
        some,
        by_day("hours in the log by day, without them", "h", history, history.duration_s, None),
    )


def begun_before_fitted(log: History, config: Config) -> Iterator[Finding]:
    """Yield the finding if the log is of a time in which the charger was not fitted yet."""
    fitted = config.charger.fitted
    if fitted is None or not len(log):
        return
    fitted_s = datetime.combine(fitted, time(), config.boat.zone).timestamp()
    begun_s = float(log.start_s[0])
    early_h = float(log.duration_s[log.start_s < fitted_s].sum()) / 3600.0
    days = int((fitted_s - begun_s) // DAY_S)
    if days < LATE_D or early_h < BEFORE_H:
        return
    yield Finding(
        "fitted_late",
        Severity.NOTE,
        begun_s,
        f"The log begins on {day(begun_s)}, {days} days before the charger was fitted ([charger] "
        f"fitted = {fitted}). The date is wrong, or the first part is of another charger.",
        "Write the day on which this charger was fitted. If another one stood there before, take "
        "its recordings back (ebbwatt import --undo) and import them under its own label and date.",
        "a log that begins when the charger was fitted, or later",
        f"{early_h:.0f} h logged in the {days} days before",
        by_day(
            "hours in the log by day, before the date of fitting",
            "h",
            log,
            np.where(log.start_s < fitted_s, log.duration_s, 0.0),
            None,
        ),
        asks=True,
    )
