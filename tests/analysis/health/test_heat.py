"""The columns that correct outputs for heat, by hand."""

import numpy as np
import pytest

from analysis.health.heat import HEAT_SIZE, heat_columns


def test_each_column_counts_from_its_own_temperature_up():
    columns = heat_columns(np.array([5.0, 25.0, 32.0, 45.0]))
    assert columns == pytest.approx(
        np.array(
            [
                [-2.0, 0.0, 0.0, 0.0, 0.0],
                [0.0, 0.0, 0.0, 0.0, 0.0],
                [0.7, 0.7, 0.2, 0.0, 0.0],
                [2.0, 2.0, 1.5, 1.0, 0.5],
            ]
        )
    )
    assert columns.shape[1] == len(HEAT_SIZE)


def test_a_missing_temperature_counts_as_the_usual_one():
    columns = heat_columns(np.array([30.0, np.nan, 34.0, 50.0]))
    assert columns[1] == pytest.approx(heat_columns(np.array([34.0]))[0]), "the median of three"
    assert heat_columns(np.array([np.nan, np.nan])) == pytest.approx(np.zeros((2, 5)))


def test_the_prior_expects_little_over_the_whole_range_and_more_beyond_a_knee():
    assert HEAT_SIZE[0] == 0.02
    assert set(HEAT_SIZE[1:]) == {0.1}
