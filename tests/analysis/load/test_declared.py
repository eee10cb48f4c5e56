"""What the configuration says of other sources, day by day."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.load.sources.declared import ENOUGH_DAYS, along, held_days, since_change
from logger.other_sources import OtherSource
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log

#: A run a day from 2019-04-11 16:26 UTC on, sixty days.
RUNS = find_runs(log(runs=60), RATED_W)
EMPTY = find_runs(log(runs=0), RATED_W)
FIRST = date(2019, 4, 11)


def solar(day, last=None):
    end = None if last is None else FIRST + timedelta(days=last)
    return OtherSource("solar", FIRST + timedelta(days=day), end, watts=100.0)


def begins_on(runs):
    return (datetime.fromtimestamp(float(runs.log.start_s[0]), UTC).date() - FIRST).days


def test_the_log_since_a_source_changed():
    # Its day begins up to a day earlier in another time zone: the run of that day is the first.
    assert begins_on(since_change(RUNS, [solar(20)])) == 19
    assert since_change(RUNS, [OtherSource("shore", FIRST + timedelta(days=20))]) is RUNS
    assert since_change(RUNS, []) is RUNS
    # The last change counts, be it a beginning or an end.
    assert begins_on(since_change(RUNS, [solar(5), solar(20), solar(10)])) == 19
    assert begins_on(since_change(RUNS, [solar(-100, 20)])) == 22
    assert since_change(EMPTY, [solar(5)]) is EMPTY


def test_a_change_within_the_last_four_weeks_is_too_fresh():
    assert ENOUGH_DAYS == 28.0
    # The log ends sixty days on, less a few hours: 32 days before that a change still counts.
    assert begins_on(since_change(RUNS, [solar(32)])) == 31
    assert since_change(RUNS, [solar(33)]) is RUNS
    assert begins_on(since_change(RUNS, [solar(20), solar(40)])) == 19


def test_days_on_which_a_source_held_the_battery():
    first = int(BEGIN_S // 86400)

    def days(*sources):
        return np.flatnonzero(held_days(first, 10, sources)).tolist()

    shore = OtherSource("shore", FIRST + timedelta(days=3), FIRST + timedelta(days=4))
    # A day of grace on either side, for any time zone.
    assert days(shore) == [2, 3, 4, 5]
    assert days(OtherSource("shore", FIRST + timedelta(days=8))) == [7, 8, 9]
    assert days(solar(3, 4)) == []
    assert days(OtherSource("shore", FIRST - timedelta(days=30), FIRST - timedelta(days=20))) == []
    assert days(shore, OtherSource("shore", FIRST + timedelta(days=9))) == [2, 3, 4, 5, 8, 9]


@pytest.mark.parametrize(
    ("source", "said"),
    [(solar(20), True), (solar(20, 70), True), (solar(20, 40), False), (solar(70), False)],
)
def test_a_source_that_charges_along_at_the_end_is_spoken_of(source, said):
    told = along(RUNS, [source])
    assert len(told) == said
    if said:
        assert told[0].startswith("Charges along, by [[other_sources]]: solar of 100 W ")
    assert along(EMPTY, [source]) == ()
    assert along(RUNS, [OtherSource("shore", FIRST)]) == ()
