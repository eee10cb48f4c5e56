"""Stretches in which a value does not move, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from analysis.inputs.channels.still import still_stretches

VALUES = np.array([5.0, 5.0, np.nan, 5.004, 6.0, 6.0, 6.0])
LOG = SimpleNamespace(duration_s=np.array([3600.0, 1800.0, 9e9, 1800.0, 3600.0, 3600.0, 900.0]))


def test_a_value_stands_still_across_what_is_not_known():
    found = still_stretches(LOG, VALUES, np.isfinite(VALUES), step=0.005)
    assert found.told.tolist() == [0, 1, 3, 4, 5, 6]
    assert found.opens.tolist() == [0, 3]
    assert found.hours == pytest.approx([2.0, 2.25])
    assert np.flatnonzero(found.intervals(np.array([True, False]), 7)).tolist() == [0, 1, 3]
    assert still_stretches(LOG, VALUES, np.isfinite(VALUES), step=0.003).opens.tolist() == [0, 2, 3]


def test_a_value_that_is_known_once_has_no_stretch():
    assert still_stretches(LOG, VALUES, np.arange(7) == 4, step=0.1) is None
