"""Lengths of time, against the calendar of the standard library."""

import datetime as dt

from logger.durations import DAY_S, YEAR_D, YEAR_S


def test_four_hundred_years_of_the_calendar():
    days = (dt.date(2400, 3, 1) - dt.date(2000, 3, 1)).days
    assert days == 400 * YEAR_D
    assert dt.timedelta(days=1).total_seconds() == DAY_S
    assert YEAR_S == YEAR_D * DAY_S
