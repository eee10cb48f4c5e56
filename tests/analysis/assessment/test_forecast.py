"""Remaining life of a straight decline that is known well, against the line drawn by hand."""

import numpy as np
import pytest

from analysis.assessment.forecast import _quantiles, _shares, forecast
from tests.support.posteriors import posterior_of

#: 0.9 of rated after 1000 h, 0.1 lost per 1000 h: 0.6 is reached 3000 h later, 0.7 after 2000 h.
KH = np.linspace(0.0, 1.0, 50)
LINE = 1.0 - 0.1 * KH


def told(observed_h=1000.0, design_left_h=None, load_below=None, line=LINE, **more):
    posterior = posterior_of(KH, line, 1e-4, 1.0)
    rng = np.random.default_rng(4)
    return forecast(posterior, 0.0, observed_h, 0.6, design_left_h, load_below, rng, **more)


def test_the_replacement_limit_is_met_where_the_line_meets_it():
    found = told()
    assert found.until == "output"
    assert found.hours.median == pytest.approx(3000.0, rel=0.02)
    assert found.hours.low < found.hours.median < found.hours.high
    assert found.hours.high - found.hours.low < 200.0
    at_h = np.interp(1000.0, found.times_h, found.median)
    assert at_h == pytest.approx(0.8, abs=1e-3)


def test_whichever_comes_first_counts():
    load = told(load_below=0.7)
    assert (load.until, load.hours.median) == ("load", pytest.approx(2000.0, rel=0.02))
    design = told(design_left_h=(1500.0, 1500.0), load_below=0.7)
    assert (design.until, design.hours.median) == ("design_hours", 1500.0)
    later = told(design_left_h=(5000.0, 5000.0))
    assert (later.until, later.hours.median) == ("output", pytest.approx(3000.0, rel=0.02))


def test_hours_that_nobody_saw_shorten_the_design_hours_evenly():
    found = told(design_left_h=(1500.0, 1500.0), unseen_h=300.0)
    # Uniform from 1200 to 1500 h: its 5, 50 and 95 %.
    ends = found.hours.low, found.hours.median, found.hours.high
    assert ends == pytest.approx((1215.0, 1350.0, 1485.0), abs=5.0)


def test_an_uncertain_load_widens_the_forecast_on_both_sides():
    sure, unsure = told(load_below=0.7), told(load_below=0.7, load_sd=0.05)
    assert unsure.hours.low < sure.hours.low - 200.0
    assert unsure.hours.high > sure.hours.high + 200.0


def test_what_lies_further_than_six_times_the_observed_hours_is_not_named():
    found = told(observed_h=400.0)
    assert found.withheld_code == "too_far_ahead"
    assert found.hours.median is None
    assert found.hours.high is None
    assert found.hours.low == pytest.approx(2400.0, rel=0.3)


def test_below_the_limit_nothing_is_left_and_no_decline_names_no_end():
    assert told(line=LINE - 0.4).hours.median == 0.0
    rng = np.random.default_rng(1)
    level = posterior_of(KH, 0.9 + rng.normal(0.0, 0.02, len(KH)), 0.02, 1.0)
    found = forecast(level, 0.0, 1000.0, 0.6, None, None, rng)
    assert found.hours.median is None
    assert found.withheld_code in {"too_far_ahead", "decline_not_distinguishable"}


def test_draws_are_shared_out_by_largest_remainders():
    # 3.5, 2.1 and 1.4 of seven: the one that is left goes to the largest remainder.
    assert _shares(np.array([0.5, 0.3, 0.2]), 7).tolist() == [4, 2, 1]
    assert _shares(np.array([1.0]), 5).tolist() == [5]


def test_quantiles_are_order_statistics_and_infinity_is_one():
    values = np.array([3.0, 1.0, np.inf, 2.0])
    assert _quantiles(values, (0.0, 0.25, 0.5, 0.95)) == [1.0, 2.0, 3.0, np.inf]
