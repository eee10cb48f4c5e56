"""The early run and the recent one that the report puts side by side can be compared."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.assessment.two_runs import thinned, two_runs
from analysis.health.run_table import Limit, RunTable
from analysis.history.runs import find_runs
from tests.support.boats.plain_log import RATED_W, joined, log
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


def test_the_course_of_a_short_run_ends_with_it():
    # Three hours of running and three of rest in turn, without a gap.
    pair, _ = pair_of(log(runs=120, run_h=3.0, rest=18, apart_d=0.25, loss=0.5, noise=0.0))
    for course in (pair.early, pair.recent):
        assert np.allclose(course.hours, (np.arange(18) + 0.5) / 6.0)
        assert course.fraction[1:].min() > 0.5


RUNS = find_runs(log(runs=8), RATED_W)


def chosen(hours, runtime_h, limit=Limit.SOURCE, *, used=True, runs=RUNS, opens=None):
    """Return which of eight runs are put side by side, by their figures."""
    limits = [limit] * 8 if isinstance(limit, Limit) else limit
    nan = np.full(8, np.nan)
    table = RunTable(
        runs.start_s, np.asarray(hours, dtype=float), np.asarray(runtime_h, dtype=float), nan, nan,
        tuple(limits), np.broadcast_to(used, 8), ("",) * 8, nan, nan, nan, opens,
    )  # fmt: skip
    pair = two_runs(runs, table, RATED_W)
    if pair is None:
        return None
    at = runs.start_s.tolist()
    return at.index(pair.early.start_s), at.index(pair.recent.start_s)


LONG = [2.0, 3.0, 4.0, 2.0, 2.0, 2.0, 5.0, 3.0]
HOURS = [0.0, 50.0, 100.1, 150.0, 200.0, 300.0, 399.9, 500.0]


def test_the_longest_of_the_first_and_of_the_last_hundred_hours():
    # The third lies beyond the first hundred hours, the last but one before the last.
    assert chosen(LONG, HOURS) == (1, 7)
    assert chosen(LONG, [*HOURS[:2], 100.0, *HOURS[3:]]) == (2, 7)
    assert chosen(LONG, [*HOURS[:6], 400.0, 500.0]) == (1, 6)
    # Beyond six hours all are as long.
    assert chosen([6.0, 9.0, *LONG[2:]], HOURS) == (0, 7)
    assert chosen([5.9, 9.0, *LONG[2:]], HOURS) == (1, 7)
    # An hour at least; the limit must be the charger's; the run must be used and its hours known.
    assert chosen([2.0, 0.99, *LONG[2:]], HOURS) == (0, 7)
    assert chosen([0.5, 1.0, 0.5, 0.5, *LONG[4:]], HOURS) == (1, 7)
    limits = [Limit.SOURCE] * 8
    limits[1] = Limit.BATTERY
    assert chosen(LONG, HOURS, limits) == (0, 7)
    assert chosen(LONG, HOURS, used=np.arange(8) != 1) == (0, 7)
    assert chosen(LONG, [0.0, np.nan, *HOURS[2:]]) == (0, 7)
    opens = np.arange(8) != 7
    assert chosen(LONG, HOURS, opens=opens) == (1, 6)
    unseen = replace(RUNS, start_seen=np.arange(8) != 1)
    assert chosen(LONG, HOURS, runs=unseen, opens=np.ones(8, dtype=bool)) == (0, 7)


def test_two_runs_need_a_hundred_hours_between_them():
    near = np.linspace(0.0, 99.9, 8)
    assert chosen(LONG, near) is None
    assert chosen([5.0, *LONG[1:6], 4.0, 2.0], np.linspace(0.0, 100.0, 8)) is None, "one run twice"
    assert chosen([5.0, *[2.0] * 6, 5.0], np.linspace(0.0, 100.1, 8)) == (0, 7)
    assert chosen(LONG, HOURS, used=np.arange(8) == 1) is None
    assert chosen(LONG, HOURS, used=np.isin(np.arange(8), (0, 5))) == (0, 5), "two are enough"
    assert two_runs(RUNS, None, RATED_W) is None


def test_a_course_has_no_more_points_than_can_be_seen():
    assert thinned(np.array([1.0, 3.0, 5.0, 9.0, 100.0]), 2).tolist() == [2.0, 7.0]
    plain = log(runs=40)
    # Each interval of ten minutes in ten of one minute: six hours are 360.
    cut = {
        name: np.repeat(getattr(plain, name), 10)
        for name in ("start_s", "duration_s", "energy_j", "charge_c", "state", "temperature_c")
    }
    start_s = cut["start_s"] + np.tile(60.0 * np.arange(10), len(plain))
    many = plain.select(np.repeat(np.arange(len(plain)), 10))
    history = replace(
        many, start_s=start_s, duration_s=cut["duration_s"] / 10.0,
        energy_j=cut["energy_j"] / 10.0, charge_c=cut["charge_c"] / 10.0,
    )  # fmt: skip
    runs = find_runs(history, RATED_W)
    nan = np.full(40, np.nan)
    table = RunTable(
        runs.start_s, np.full(40, 6.0), 6.0 * np.arange(40.0), nan, nan, (Limit.SOURCE,) * 40,
        np.ones(40, dtype=bool), ("",) * 40, nan, nan, nan,
    )  # fmt: skip
    pair = two_runs(runs, table, 2.0 * RATED_W)
    # Two minutes each: 180 points; a charger of twice the size gives half of its rating.
    assert len(pair.early.hours) == 180
    assert pair.early.hours[:2] == pytest.approx([1 / 60, 3 / 60])
    assert np.median(pair.early.fraction) == pytest.approx(0.5, abs=0.01)
