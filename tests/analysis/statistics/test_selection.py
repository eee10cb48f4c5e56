"""Quantiles of single runs against those of numpy, and by hand."""

import numpy as np
import pytest

from analysis.statistics.selection import quantile_of


def test_a_quantile_lies_between_two_values():
    values = np.array([4.0, 1.0, 3.0, 2.0])
    assert quantile_of(values, 0.5) == 2.5
    assert quantile_of(values, 0.9) == pytest.approx(3.7)
    assert (quantile_of(values, 0.0), quantile_of(values, 1.0)) == (1.0, 4.0)
    assert values.tolist() == [4.0, 1.0, 3.0, 2.0]  # left as they were
    assert quantile_of(np.array([7.0]), 0.5) == 7.0


@pytest.mark.parametrize("count", [1, 2, 3, 10, 501, 1200])
def test_it_is_that_of_numpy(count):
    values = np.random.default_rng(count).normal(13.0, 0.5, count)
    for part in (0.1, 0.5, 0.9, 0.95):
        assert quantile_of(values, part) == pytest.approx(np.quantile(values, part), rel=1e-14)
    assert quantile_of(values, 0.5) == pytest.approx(np.median(values), rel=1e-15)
