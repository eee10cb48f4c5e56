"""The latest part of a log is cut out of its runs as if they had been found in it alone."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history.runs import find_runs, runs_since
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log

HISTORY = log(runs=12)
RUNS = find_runs(HISTORY, RATED_W)


@settings(deadline=None)
@given(share=st.floats(-0.1, 1.1))
def test_a_cut_agrees_with_runs_found_anew(share):
    length_s = HISTORY.end_s[-1] - BEGIN_S
    begin_s = BEGIN_S + share * length_s
    cut = runs_since(RUNS, begin_s)
    anew = find_runs(HISTORY.select(HISTORY.start_s >= begin_s), RATED_W)
    assert np.array_equal(cut.log.start_s, anew.log.start_s)
    for name in ("run", "first", "last", "running", "power_w"):
        assert np.array_equal(getattr(cut, name), getattr(anew, name)), name
    assert (len(cut), cut.starts) == (len(anew), anew.starts)
    seen = anew.start_seen.copy()
    if len(cut) and cut.begun_s[0] == anew.begun_s[0]:
        # The log before the cut knows whether the charger had stood still.
        seen[0] = cut.start_seen[0]
    assert np.array_equal(cut.start_seen, seen)


def test_a_run_that_goes_on_at_the_cut_has_no_seen_start_and_hours_go_on():
    middle = int(RUNS.first[5] + RUNS.last[5]) // 2
    cut = runs_since(RUNS, RUNS.log.start_s[middle])
    assert not cut.start_seen[0]
    assert cut.start_seen[1:].all()
    assert cut.begun_s[0] == RUNS.begun_s[5]
    assert cut.start_s[0] == RUNS.log.start_s[middle]
    assert cut.hours.at_end_h[0] == RUNS.hours.at_end_h[middle]
    assert cut.hours.at_end_h[0] > 0.0


def test_the_whole_log_is_not_copied():
    assert runs_since(RUNS, -np.inf) is RUNS


def test_nothing_is_left_after_the_end():
    cut = runs_since(RUNS, np.inf)
    assert len(cut) == len(cut.log) == cut.starts == 0


def test_a_counter_that_was_reset_keeps_its_place():
    runtime = RUNS.log.runtime_h.copy()
    at = int(RUNS.first[8])
    runtime[at:] -= runtime[at] - 0.1
    runs = find_runs(replace(RUNS.log, runtime_h=runtime), RATED_W)
    (broken,) = runs.hours.breaks
    cut = runs_since(runs, RUNS.log.start_s[at - 10])
    assert cut.hours.breaks == pytest.approx([broken - (at - 10)])
    assert len(runs_since(runs, RUNS.log.start_s[at + 10]).hours.breaks) == 0
