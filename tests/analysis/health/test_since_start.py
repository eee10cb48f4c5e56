"""Present output over that when the log began, held against a line drawn by hand."""

import math

import numpy as np
import pytest

from analysis.health.forms import Cell, Form, Posterior
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


def test_the_error_of_the_quotient_by_hand():
    # Level, loss, a further column and the wander at the last node.
    mean = np.array([0.90, 0.05, 0.02, -0.01])
    root = np.array([[3.0, 0, 0, 0], [0.5, 1.0, 0, 0], [0.2, -0.3, 1.0, 0], [-1.0, 0.4, 0.1, 2.0]])
    covariance = 1e-5 * root @ root.T
    cell = Cell(Form("", 1.0, power=2.0), 0.02, 1.0, mean, covariance)
    found = relative_output(
        Posterior((cell,), 2.5, 2.0, 0.0), 1.0, np.array([0.5]), systematic=0.004
    )
    # At 1000 of 2500 h the square of the hours has used 0.16 of what is lost now: 2.1 of 2.5.
    now, start = 0.90 - 0.01, 0.90 + 2.1 * 0.05 + 0.5 * 0.02
    assert found.median == pytest.approx(now / start)
    # First order in each of the four, and 500 h of wander that nobody saw.
    ratio = now / start
    slope = np.array([1.0 - ratio, -2.1 * ratio, -0.5 * ratio, 1.0]) / start
    variance = slope @ covariance @ slope + 0.02**2 * 0.5 / start**2 + (0.004 / start) ** 2
    assert found.high - found.low == pytest.approx(2 * 1.6448536 * math.sqrt(variance))
    # A posterior that ends at the last node has nothing unseen.
    seen = relative_output(Posterior((cell,), 2.0, 2.0, 0.0), 1.0, np.array([0.5]), 0.0)
    start = 0.90 + 1.5 * 0.05 + 0.5 * 0.02
    slope = np.array([1.0 - now / start, -1.5 * now / start, -0.5 * now / start, 1.0]) / start
    assert seen.high - seen.low == pytest.approx(
        2 * 1.6448536 * math.sqrt(slope @ covariance @ slope)
    )


def test_an_output_of_next_to_nothing_at_first_counts_as_a_thousandth():
    # Both levels are 0.0005: half of a thousandth, with its error and the common one over that.
    cell = Cell(Form("", 1.0), 0.0, 1.0, np.array([5e-4, 0.0, 0.0]), np.diag([1e-10, 0.0, 0.0]))
    found = relative_output(Posterior((cell,), 2.0, 2.0, 0.0), 0.0, np.empty(0), 1e-4)
    assert found.median == pytest.approx(0.5)
    # The quotient takes half of the error of the level away, and all of the common error stays.
    sd = math.hypot(0.5 * 1e-5 / 1e-3, 1e-4 / 1e-3)
    assert found.high - found.low == pytest.approx(2 * 1.6448536 * sd)


def test_a_quotient_is_never_below_nothing():
    cell = Cell(Form("", 1.0), 0.0, 1.0, np.array([0.02, 0.5, 0.0]), np.diag([0.01, 0.01, 0.0]))
    found = relative_output(Posterior((cell,), 2.0, 2.0, 0.0), 0.0, np.empty(0), 0.0)
    assert found.low == 0.0
    assert found.median == pytest.approx(0.02 / 1.02)
