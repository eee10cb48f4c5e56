"""Remaining life of a straight decline that is known well, against the line drawn by hand."""

import math

import numpy as np
import pytest

from analysis.assessment.forecast import (
    FURTHEST,
    chances,
    draw_paths,
    forecast,
    quantiles,
    shares,
    why_withheld,
)
from analysis.health.forms import Cell, Form, Posterior
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


def test_the_chance_of_each_limit_to_come_first():
    # The load ends the line at 2000 h, give or take what is not known; the design hours at any
    # time from 1000 to 2000 h, or from 1500 to 2500 h: first in all, and in half, of the futures.
    sure = told(design_left_h=(1000.0, 1900.0), load_below=0.7)
    assert sure.first == pytest.approx({"output": 0.0, "load": 0.0, "design_hours": 1.0}, abs=0.01)
    even = told(design_left_h=(1500.0, 2500.0), load_below=0.7)
    assert even.first["design_hours"] == pytest.approx(0.5, abs=0.04)
    assert even.first["load"] == pytest.approx(0.5, abs=0.04)
    assert sum(even.first.values()) == pytest.approx(1.0)
    # The same limit for both: an error of the load puts it before or after, as often.
    both = told(load_below=0.6, load_sd=0.2)
    assert both.first["load"] == pytest.approx(0.5, abs=0.03)
    assert both.until == max(both.first, key=both.first.__getitem__)
    # Where no hours are told, no chance is.
    assert told(observed_h=400.0).first == {}


def test_futures_that_meet_no_limit_speak_for_none():
    # Output and design hours are never met; one future in three meets the load.
    never = np.full(3, np.inf)
    load_h = np.array([500.0, np.inf, np.inf])
    assert chances(never, load_h, never) == {"output": 0.0, "load": 1.0, "design_hours": 0.0}
    assert chances(never, never, never) == {"output": 0.0, "load": 0.0, "design_hours": 0.0}


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
    assert shares(np.array([0.5, 0.3, 0.2]), 7).tolist() == [4, 2, 1]
    assert shares(np.array([1.0]), 5).tolist() == [5]


def test_quantiles_are_order_statistics_and_infinity_is_one():
    values = np.array([3.0, 1.0, np.inf, 2.0])
    assert quantiles(values, (0.0, 0.25, 0.5, 0.95)) == [1.0, 2.0, 3.0, np.inf]


#: Level 0.9 and 0.05 lost per 1000 h in the mean since new, with errors and a wander.
COVARIANCE = np.array([[4.0, 1.0, -0.5], [1.0, 9.0, 0.2], [-0.5, 0.2, 1.0]]) * 1e-6
BENT = Cell(Form("", 1.0, power=2.0), 0.02, 1.0, np.array([0.91, 0.05, -0.01]), COVARIANCE)


def test_paths_spread_by_what_is_not_known():
    posterior = Posterior((BENT,), 2.0, 1.5, 0.0)
    ahead_h = np.array([0.0, 500.0, 1000.0])
    rng = np.random.default_rng(11)
    paths, slopes = draw_paths(posterior, 0.003, ahead_h, 20000, rng)
    assert paths.shape == (20000, 3)
    # The square of the hours loses 2000 h * 0.05 until now, and (3/2)^2 of that in 1000 h more.
    lost = 0.1 * (np.array([4.0, 6.25, 9.0]) / 4.0 - 1.0)
    assert paths.mean(axis=0) == pytest.approx(0.9 - lost, abs=4e-4)
    # Now: level and wander (4 + 1 - 2 * 0.5), half a thousand hours unseen, the common error.
    now = 4e-6 + 0.02**2 * 0.5 + 0.003**2
    assert paths[:, 0].std() == pytest.approx(math.sqrt(now), rel=0.02)
    # In 1000 h: the loss of 2.5 times its mean, which is bound to the level, and the wander.
    loss = 9e-6 * 2.5**2 - 2.0 * 2.5 * (1e-6 + 0.2e-6)
    assert paths[:, 2].std() == pytest.approx(math.sqrt(now + loss + 0.02**2), rel=0.02)
    # The present slope is twice the mean.
    assert slopes.mean() == pytest.approx(0.1, rel=0.01)
    assert slopes.std() == pytest.approx(2.0 * 0.003, rel=0.03)


def test_cells_share_the_paths_and_no_path_gains_by_use():
    rising = Cell(Form("", 1.0), 0.0, 0.5, np.array([0.7, -0.05, 0.0]), np.zeros((3, 3)))
    low = Cell(Form("", 1.0), 0.0, 0.125, np.array([0.5, 0.01, 0.0]), np.zeros((3, 3)))
    high = Cell(Form("", 1.0), 0.0, 0.375, np.array([0.9, 0.1, 0.0]), np.zeros((3, 3)))
    none = Cell(Form("", 1.0), 0.0, 0.0, np.array([9.0, 9.0, 0.0]), np.zeros((3, 3)))
    posterior = Posterior((low, none, rising, high), 1.0, 1.0, 0.0)
    rng = np.random.default_rng(1)
    paths, slopes = draw_paths(posterior, 0.0, np.array([0.0, 1000.0]), 7, rng)
    # What surely rises is not possible; of a loss of 0.01 one half is kept, of 0.1 ten elevenths:
    # 1/16 to 15/44.
    assert np.sort(paths[:, 0]) == pytest.approx([0.5] + [0.9] * 6)
    assert np.sort(paths[:, 1]) == pytest.approx([0.49] + [0.8] * 6)
    assert np.sort(slopes) == pytest.approx([0.01] + [0.1] * 6)
    # Where nothing else is known, it does not rise.
    alone = Posterior((rising,), 1.0, 1.0, 0.0)
    paths, _ = draw_paths(alone, 0.0, np.array([0.0, 1000.0]), 7, rng)
    assert paths == pytest.approx(np.full((7, 2), 0.7))


def test_a_loss_that_is_hardly_known_is_drawn_above_zero_by_bayes_theorem():
    # A log that hardly shows wear: 0.01 +- 0.02 per 1000 h, bound to the level by -0.6; a second
    # form sees 0.03 +- 0.02. By quadrature over what is possible; far below 0.01 a loss is rare.
    covariance = np.zeros((3, 3))
    covariance[:2, :2] = [[0.01**2, -0.6 * 0.01 * 0.02], [-0.6 * 0.01 * 0.02, 0.02**2]]
    cells = tuple(
        Cell(Form("", 1.0), 0.0, weight, np.array([0.9, mean, 0.0]), covariance)
        for weight, mean in ((0.7, 0.01), (0.3, 0.03))
    )
    rng = np.random.default_rng(4)
    _, slopes = draw_paths(Posterior(cells, 1.0, 1.0, 0.0), 0.0, np.zeros(1), 200_000, rng)
    loss = np.linspace(0.0, 0.2, 20_001)
    density = sum(
        weight * np.exp(-0.5 * ((loss - mean) / 0.02) ** 2)
        for weight, mean in ((0.7, 0.01), (0.3, 0.03))
    )
    density *= loss / (loss + 0.01)
    density /= density.sum()
    mean = density @ loss
    assert slopes.min() > 0.0
    assert slopes.mean() == pytest.approx(mean, abs=2e-4)
    assert slopes.std() == pytest.approx(np.sqrt(density @ (loss - mean) ** 2), abs=2e-4)
    for probability in (0.05, 0.5, 0.95):
        end = loss[np.searchsorted(np.cumsum(density), probability)]
        assert np.quantile(slopes, probability) == pytest.approx(end, abs=4e-4)
    # Of the first form alone, the level that belongs to a loss.
    first, slopes = draw_paths(Posterior(cells[:1], 1.0, 1.0, 0.0), 0.0, np.zeros(1), 200_000, rng)
    line = np.polynomial.Polynomial.fit(slopes, first[:, 0], 1).convert().coef
    assert line == pytest.approx([0.9 + 0.3 * 0.01, -0.3], abs=0.003)
    assert np.std(first[:, 0] - line[0] - line[1] * slopes) == pytest.approx(0.008, rel=0.01)


def test_the_gain_moves_the_limit_of_the_output_and_not_the_load():
    sure, unsure = told(), told(gain_sd=0.05)
    # The measured output of 0.6 times a gain within 5 % is met 3000 h ahead, give or take 300 h;
    # the wear from then on is seen by the same sensor.
    assert unsure.hours.median == pytest.approx(3000.0, rel=0.02)
    half = 0.5 * (unsure.hours.high - unsure.hours.low)
    assert half == pytest.approx(1.645 * 0.05 * 0.6 / 0.1 * 1000.0, rel=0.05)
    assert sure.hours.high - sure.hours.low < 0.3 * half
    load = told(load_below=0.7, gain_sd=0.05)
    assert load.hours.median == pytest.approx(2000.0, rel=0.03)
    # The bands are of the true output: 0.9 within 1.645 * 5 %.
    assert unsure.high[0] - unsure.low[0] == pytest.approx(2 * 1.645 * 0.05 * 0.9, rel=0.05)
    assert sure.high[0] - sure.low[0] < 0.001


def test_the_true_output_is_the_measured_one_over_the_gain():
    # 0.9 over a gain within 20 %: more above than below. 5 and 95 % of a normal gain.
    wide = told(gain_sd=0.2)
    half = 1.6448536 * 0.2
    assert wide.low[0] == pytest.approx(0.9 / (1.0 + half), rel=0.02)
    assert wide.high[0] == pytest.approx(0.9 / (1.0 - half), rel=0.04)


def test_how_far_the_paths_are_followed():
    assert FURTHEST == 6.0
    # Six times the observed hours and a little; the design hours end it earlier.
    assert told().times_h[[0, -1]] == pytest.approx([0.0, 6000.0 * 1.05 + 200.0])
    assert told(design_left_h=(1000.0, 1500.0)).times_h[-1] == pytest.approx(1530.0 + 120.0)
    assert told(design_left_h=(-50.0, -10.0)).times_h[-1] == pytest.approx(121.02)
    # Closer at first.
    assert (np.diff(told().times_h, 2) > 0.0).all()


def test_design_hours_are_evenly_likely_between_their_ends():
    found = told(design_left_h=(1000.0, 2000.0))
    ends = found.hours.low, found.hours.median, found.hours.high
    assert ends == pytest.approx((1050.0, 1500.0, 1950.0), abs=25.0)
    assert found.until == "design_hours"
    used = told(design_left_h=(-100.0, -50.0), unseen_h=100.0)
    assert (used.hours.low, used.hours.median, used.hours.high) == (0.0, 0.0, 0.0)
    assert (used.draws_h >= 0.0).all()


def test_a_low_end_is_told_where_no_end_is():
    # Nothing falls within reach: six times the hours, or the design hours that most would leave.
    flat = np.full(len(KH), 0.9)
    assert told(observed_h=100.0, line=flat).hours.low == pytest.approx(600.0)
    assert told(observed_h=100.0, line=flat).until is None
    soon = told(observed_h=100.0, line=flat, design_left_h=(2000.0, 3000.0))
    assert soon.withheld_code == "too_far_ahead"
    # Nor is said which comes first.
    assert (soon.until, soon.first) == (None, {})
    assert soon.hours.low == pytest.approx(2050.0, abs=30.0)


def sloping(mean, sd):
    cell = Cell(Form("", 1.0), 0.0, 1.0, np.array([0.9, mean, 0.0]), np.diag([0.0, sd**2, 0.0]))
    return Posterior((cell,), 1.0, 1.0, 0.0)


def why(median=500.0, high=900.0, until="output", design_h=np.inf, slope=(0.1, 0.01)):
    return why_withheld(sloping(*slope), median, high, 6000.0, until, design_h)[1]


def test_when_no_end_is_named():
    assert why() is None
    assert why(median=6000.0, high=7000.0) is None
    assert why(median=6001.0) == "too_far_ahead"
    assert why(median=0.0, high=1e9, slope=(-1.0, 0.01)) is None, "it is below the limit now"
    # Falling with a chance of 95 %: 1.645 standard deviations.
    assert why(high=6001.0, slope=(1.65, 1.0)) is None
    assert why(high=6001.0, slope=(1.64, 1.0)) == "decline_not_distinguishable"
    assert why(high=6000.0, slope=(1.64, 1.0)) is None, "the high end is within reach"
    # Design hours that decide need no decline.
    settled = {"high": 6001.0, "slope": (0.0, 1.0), "until": "design_hours"}
    assert why(**settled, design_h=6001.0) is None
    assert why(**settled, design_h=6002.0) == "decline_not_distinguishable"
    assert why(**settled | {"until": "load"}, design_h=6001.0) == "decline_not_distinguishable"
    text = why_withheld(sloping(0.1, 0.01), 7000.0, 9000.0, 6000.0, "output", np.inf)[0]
    assert text == (
        "the limit is likely over 6000 h away, six times what the log has seen: no figure"
    )
