"""Running hours: the counter where it can be believed, else the log."""

import numpy as np
import pytest

from analysis.history.hours import running_hours
from tests.support.boats.plain_log import BEGIN_S


def hours(counter, gap_h=1.0, *, ran=True):
    counter = np.asarray(counter, dtype=float)
    n = len(counter)
    end = BEGIN_S + 3600.0 * gap_h * np.arange(1, n + 1)
    length = np.full(n, 3600.0 * gap_h)
    return running_hours(end, length, np.full(n, ran), counter, np.ones(n, bool))


def test_a_counter_is_followed():
    found = hours(100.0 + np.arange(10))
    assert found.counted
    assert found.at_end_h == pytest.approx(100.0 + np.arange(10))
    assert len(found.breaks) == 0


def test_a_reset_goes_on_with_the_hours_of_the_log():
    found = hours([500, 501, 502, 0, 1, 2])
    assert found.at_end_h == pytest.approx([500, 501, 502, 503, 504, 505])
    assert list(found.breaks) == [3]
    assert len(found.wraps) == 0


def test_a_roll_over_is_told_from_a_reset():
    found = hours([9998, 9999, 0, 1, 2])
    assert found.at_end_h == pytest.approx([9998, 9999, 10000, 10001, 10002])
    assert list(found.wraps) == [2]
    short = hours([998, 999, 0, 1, 2])
    assert (list(short.wraps), short.at_end_h[-1]) == ([2], pytest.approx(1002))
    # A reset before the counter was full is none.
    assert len(hours([984, 985, 0, 1, 2]).wraps) == 0


def test_one_mad_reading_is_overlooked():
    found = hours([10, 11, 60000, 13, 14, 15])
    assert found.at_end_h[-1] == pytest.approx(15.0)
    assert np.all(np.diff(found.at_end_h) >= 0.0)


def test_no_counter_and_a_dead_counter_leave_the_log():
    assert hours(np.full(5, np.nan)).at_end_h == pytest.approx(np.arange(1.0, 6.0))
    dead = hours(np.full(8, 77.0))
    assert not dead.counted
    assert dead.at_end_h[-1] == pytest.approx(8.0)


def test_silences_of_an_uncounted_log_may_hide_hours():
    end_s = np.array([1.0, 2.0, 4.0, 7.0]) * 3600.0
    hour = np.full(4, 3600.0)
    nan, known = np.full(4, np.nan), np.ones(4, bool)
    running = np.array([True, True, True, False])
    found = running_hours(end_s, hour, running, nan, known)
    # One hour between two running intervals; two beside a rest, in which it may have run too.
    assert found.unseen_h == pytest.approx(1.0 + 2.0 + 0.01 * 3.0)
    assert running_hours(end_s, hour, running, np.arange(4.0), known).unseen_h == 0.0
    later = end_s + np.array([0.0, 0.0, 0.0, 200 * 3600.0])
    assert running_hours(later, hour, running, nan, known).unseen_h == pytest.approx(1.03)
