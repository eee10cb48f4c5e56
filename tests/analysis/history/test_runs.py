"""Runs: which intervals belong together, and which states are believed."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.history.runs import find_runs, tidy
from tests.support.boats.plain_log import RATED_W, STANDBY, joined, log


def test_runs_are_those_of_the_log():
    found = find_runs(log(runs=12), RATED_W)
    assert len(found) == 12
    assert found.end_s - found.start_s == pytest.approx(np.full(12, 6 * 3600.0))
    assert found.states_told


def test_states_that_lie_are_not_believed():
    plain = log(runs=12)
    stuck = replace(plain, state=np.full(len(plain), STANDBY, np.int8))
    found = find_runs(stuck, RATED_W)
    assert not found.states_told
    assert len(found) == 12


def test_tidy_drops_what_overlaps():
    plain = log(runs=2)
    mad = replace(
        plain.select(np.array([5])), duration_s=np.array([-3.0]), start_s=np.array([np.nan])
    )
    assert len(tidy(joined(plain, plain, mad))) == len(plain)
