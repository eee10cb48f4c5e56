"""Present output over that when the log began, held against a line drawn by hand."""

import numpy as np
import pytest

from analysis.health.since_start import relative_output
from tests.support.posteriors import posterior_of

#: From 1.0 to 0.9 of rated in 1000 h.
KH = np.linspace(0.0, 1.0, 50)
LINE = 1.0 - 0.1 * KH


def told(line, sd=1e-4, systematic=0.0):
    posterior = posterior_of(KH, line, sd, 1.0)
    extra = np.zeros(len(posterior.cells[0].mean) - 3)
    return relative_output(posterior, 0.0, extra, systematic)


def test_it_is_the_quotient_of_both_ends_of_the_line():
    found = told(LINE)
    assert found.median == pytest.approx(0.9, abs=2e-3)
    assert found.low < found.median < found.high
    assert found.high - found.low < 0.01


def test_a_wrong_gain_of_the_sensor_cancels():
    assert told(0.8 * LINE).median == pytest.approx(told(LINE).median, abs=1e-3)


def test_a_common_error_widens_it_by_as_much():
    wide = told(LINE, systematic=0.02)
    # 90 % of a normal error: 1.645 standard deviations to either side.
    assert wide.high - wide.low == pytest.approx(2 * 1.645 * 0.02, rel=0.1)
    # Over half the output the same error is twice as large.
    half = told(0.5 * LINE, systematic=0.02)
    assert half.high - half.low == pytest.approx(2 * 1.645 * 0.04, rel=0.1)
