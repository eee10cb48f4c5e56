"""Sums of rows that follow one another by group."""

import numpy as np
import pytest

from analysis.history.sums import sums_by


def test_each_group_gets_the_sum_of_its_rows():
    group, values = np.array([0, 0, 2, 2, 2, 5]), np.array([1.0, 2.5, 4.0, -1.0, 0.5, 8.0])
    assert sums_by(group, values, 6) == pytest.approx([3.5, 0.0, 3.5, 0.0, 0.0, 8.0])
    # Groups behind the last row are empty as well.
    assert sums_by(group, values, 8)[6:].tolist() == [0.0, 0.0]


def test_without_rows_every_group_is_empty():
    assert sums_by(np.empty(0, dtype=np.intp), np.empty(0), 3).tolist() == [0.0, 0.0, 0.0]
    assert len(sums_by(np.empty(0, dtype=np.intp), np.empty(0), 0)) == 0


def test_they_are_those_of_bincount():
    rng = np.random.default_rng(7)
    group, values = np.sort(rng.integers(0, 50, 4000)), rng.normal(size=4000)
    assert sums_by(group, values, 60) == pytest.approx(
        np.bincount(group, weights=values, minlength=60)
    )
