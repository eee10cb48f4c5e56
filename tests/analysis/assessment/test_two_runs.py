"""The early run and the recent one that the report puts side by side can be compared."""

from dataclasses import replace

import numpy as np

from analysis.assessment.case import Case
from analysis.assessment.two_runs import two_runs
from tests.support.boats.plain_log import joined, log
from tests.support.configurations import config_for

DAY_S = 86400.0


def pair_of(history):
    case = Case(history, config_for())
    return two_runs(case.runs, case.assessment.run_table, 110.0), case


def short_runs(first_day):
    """Forty runs of four hours from a day on: 160 h."""
    history = log(runs=40, run_h=4.0, counter=False)
    return replace(history, start_s=history.start_s + first_day * DAY_S)


def test_both_begin_with_a_start_and_not_in_the_middle_of_a_long_run():
    # Early, one run of five days, cut into five; its first day was left out of the estimate.
    case = Case(joined(log(runs=1, run_h=120.0, counter=False), short_runs(8)), config_for())
    table = case.assessment.run_table
    assert np.count_nonzero(~table.opens) == 4
    pair = two_runs(case.runs, replace(table, used=table.used & (np.arange(len(table)) > 0)), 110.0)
    starts = set(case.runs.start_s[table.opens].tolist())
    assert {pair.early.start_s, pair.recent.start_s} <= starts


def test_days_of_one_long_run_are_not_put_beside_each_other():
    pair, case = pair_of(log(runs=1, run_h=480.0, counter=False))
    assert len(case.assessment.run_table) == 20
    assert pair is None


def test_a_run_whose_start_fell_into_a_gap_is_no_start():
    history = joined(log(runs=1, run_h=6.0, counter=False), short_runs(3))
    # Without the rest before it the log does not show that the charger had stood still.
    history = history.select(np.arange(len(history)) >= 4)
    pair, case = pair_of(history)
    assert not case.runs.start_seen[0]
    assert pair.early.start_s != case.runs.start_s[0]


def test_the_course_of_a_run_is_its_first_six_hours_as_a_part_of_rated():
    # 120 runs of eight hours that lose 50 % of rated in 1000 h; the first interval is a start.
    pair, _ = pair_of(log(runs=120, run_h=8.0, loss=0.5, noise=0.0))
    for course, hours in ((pair.early, 0.0), (pair.recent, 119 * 8.0)):
        # Intervals of ten minutes, each told by its middle: 1/12 h to 71/12 h.
        assert np.allclose(course.hours, (np.arange(36) + 0.5) / 6.0)
        assert abs(course.runtime_h - hours) <= 100.0 + 8.0
        gives = 1.0 - 0.5 * np.floor(course.runtime_h / 8.0) * 8.0 / 1000.0
        assert np.allclose(course.fraction[1:], gives, atol=0.02)
    assert pair.temperature_known
