"""The estimate of level, decline and steps from outputs of runs that are given."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.health.forms import Cell, Form, Posterior
from analysis.health.life import (
    Health,
    common_error,
    convincing,
    describe_steps,
    estimate,
    extra_columns,
    fitted_output,
    fitted_output_sd,
    heat_effect,
    jump_column,
)
from analysis.health.steps import Found
from analysis.health.trend import Mode, Observations, Sites, make_nodes
from tests.support.boats.plain_log import BEGIN_S
from tests.support.oracles import dense_normal


def test_bounds_below_the_values_move_nothing_and_bounds_above_lift():
    rng = np.random.default_rng(2)
    kh = np.linspace(0.01, 1.0, 80)
    y = 0.95 - 0.05 * kh + rng.normal(0, 0.005, 80)
    se, free = np.full(80, 0.003), np.zeros(80, bool)
    warm, when = np.full(80, 25.0), BEGIN_S + kh * 1e7

    def level(values, bound):
        return estimate(Observations(kh, values, se, bound), warm, when, 1.0, 0.05).output(0.5)

    plain = level(y, free)
    assert plain == pytest.approx(0.90, abs=0.006)
    some = np.arange(80) % 4 == 1
    assert level(np.where(some, 0.3, y), some) == pytest.approx(plain, abs=0.004)
    # Taken for values, the same figures would drag the level down: a wrong answer to differ from.
    assert np.mean(np.where(some, 0.3, y)[-20:]) < plain - 0.1


def test_too_few_values_give_no_estimate():
    data = Observations(np.array([0.1, 0.2]), np.ones(2), np.full(2, 0.01), np.zeros(2, bool))
    assert estimate(data, np.full(2, 25.0), np.full(2, BEGIN_S), 0.2, 0.05) is None


# One boat of the study, without temperature and with a winter before the step of -9.2 % at 1105 h:
# running hours, thousandths of rated, days since the first.
HIDDEN_H = """
2 16 30 45 58 73 87 149 166 179 193 209 223 236 251 266 282 296 310 324 330 344 358 373 393
409 423 440 459 481 494 510 527 543 557 572 587 604 617 627 644 658 671 686 701 716 732 748
764 781 797 813 821 839 858 880 896 912 929 945 962 1000 1014 1034 1051 1068 1085 1105 1125
1143 1163 1183 1201 1217 1237 1261 1283 1302 1326 1351 1387 1416 1437 1450
"""
HIDDEN_Y = """
1032 1014 1018 1013 1013 1005 1006 996 994 983 982 988 978 974 980 972 969 973 969 971 966
957 960 956 955 944 946 936 942 934 935 930 923 922 924 919 914 919 916 918 913 912 908 910
909 909 893 891 890 882 882 883 881 880 877 880 873 873 870 870 868 857 855 857 853 841 851
773 746 745 737 739 733 730 724 721 718 709 713 708 701 695 693 690
"""
HIDDEN_DAY = """
0 2 4 6 9 11 14 22 26 29 31 33 36 38 40 42 45 47 49 51 52 55 57 60 61 64 66 70 72 74 77 79
81 84 87 89 95 97 102 105 108 110 117 119 122 124 127 129 132 134 137 140 140 143 144 147
149 151 153 156 158 164 166 168 171 173 365 368 370 373 375 378 380 382 384 384 386 389 399
401 403 406 410 414
"""


def test_a_step_that_a_robust_fit_takes_for_a_stretch_of_outliers_is_found():
    kh, y, day = (np.array(t.split(), dtype=float) for t in (HIDDEN_H, HIDDEN_Y, HIDDEN_DAY))
    n = len(kh)
    data = Observations(kh / 1e3, y / 1e3, np.full(n, 0.001), np.zeros(n, dtype=bool))
    health = estimate(data, np.full(n, np.nan), day * 86400.0, kh[-1] / 1e3 + 0.01, 0.05, 0.002)
    (step,) = health.steps
    assert step.kh == pytest.approx(1.105, abs=0.03)
    assert step.low <= -0.092 <= step.high


def free(kh, y, bound=None):
    """Return values with an error of a thousandth."""
    bound = np.zeros(len(kh), dtype=bool) if bound is None else bound
    return Observations(np.asarray(kh), np.asarray(y), np.full(len(kh), 1e-3), bound)


def test_the_effect_of_heat_between_runs():
    rng = np.random.default_rng(6)
    kh = np.linspace(0.01, 0.5, 60)
    # Below 25 degC only the first column counts: 3 % of the level for each 10 K.
    warm = rng.uniform(10.0, 24.0, 60)
    y = 0.8 * (1.0 - 0.03 * (warm - 25.0) / 10.0) + 0.0005 * rng.standard_normal(60)
    effect = heat_effect(free(kh, y), warm)
    assert effect == pytest.approx([-0.03, 0.0, 0.0, 0.0, 0.0], abs=0.002)
    some = np.arange(60) % 2 == 0
    told = heat_effect(free(kh, y), np.where(some | (np.arange(60) == 1), warm, 20.0))
    assert told is not None
    # Half of the temperatures, a span below 3 K, or three values tell nothing.
    assert heat_effect(free(kh, y), np.where(some, warm, np.nan)) is None
    assert heat_effect(free(kh, y), 20.0 + 2.9 * np.linspace(0.0, 1.0, 60)) is None
    assert heat_effect(free(kh, y), 20.0 + 3.0 * np.linspace(0.0, 1.0, 60)) is not None
    assert heat_effect(free(kh, y, np.arange(60) >= 3), warm) is None
    assert heat_effect(free(kh, y, np.arange(60) >= 4), warm) is not None


def test_a_sudden_loss_while_it_warms_is_no_heat():
    kh = np.linspace(0.01, 0.5, 60)
    warm = np.linspace(12.0, 24.0, 60)
    y = np.where(np.arange(60) < 30, 1.0, 0.8)
    assert abs(heat_effect(free(kh, y), warm)[0]) < 0.02
    # Taken for heat, 0.2 in 12 K would be 0.17 for 10 K.


def test_a_jump_is_found_where_the_medians_of_eight_differ():
    kh = np.linspace(0.0, 1.0, 20)
    fall = np.where(np.arange(20) < 9, 1.0, 0.89)
    for y in (fall, 2.0 - fall):
        column = jump_column(free(kh, y))[:, 0]
        # Of several places that fit as well the first is taken: a median of eight bears three odd.
        assert 6 <= np.flatnonzero(column)[0] <= 9
        assert set(np.diff(column)) == {0.0, 1.0}
    assert jump_column(free(kh, np.where(np.arange(20) < 9, 1.0, 0.91))).shape == (20, 0)
    # Bounds are passed over, but have a row; fifteen values are too few.
    bound = np.arange(20) < 4
    column = jump_column(free(kh, np.where(np.arange(20) < 12, 1.0, 0.8), bound))[:, 0]
    assert column.tolist() == [0.0] * 12 + [1.0] * 8
    assert jump_column(free(kh, fall, bound)).shape == (20, 1)
    assert jump_column(free(kh, fall, np.arange(20) < 5)).shape == (20, 0)


#: A year of the calendar in the mean.
YEAR_S = 365.2425 * 86400.0


def test_columns_of_heat_season_and_the_first_hours():
    # From the third week of July on: 0.555 of a year.
    kh, time_s = np.array([0.1, 0.4, 0.9]), (np.array([0.0, 0.25, 0.5]) + 0.555) * YEAR_S
    untold = np.full(3, np.nan)
    columns, sizes, heat = extra_columns(kh, np.array([20.0, np.nan, 30.0]), time_s)
    assert columns[:, :5].tolist()[0] == pytest.approx([-0.5, 0.0, 0.0, 0.0, 0.0])
    assert columns[:, 5] == pytest.approx(np.exp(-kh / 0.15))
    assert sizes == pytest.approx([0.02, 0.1, 0.1, 0.1, 0.1, 0.02])
    assert heat == 5
    columns, sizes, heat = extra_columns(kh + 0.4, untold, time_s)
    # A quarter of a year is a quarter of the wave. It began after 450 h: no first hours.
    assert columns == pytest.approx(np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]]), abs=1e-9)
    assert sizes == pytest.approx([0.04, 0.04])
    assert heat == 2
    assert extra_columns(kh, untold, 2.1 * time_s)[1] == pytest.approx([0.02, 0.02, 0.02])
    assert extra_columns(kh + 0.349, untold, time_s)[0].shape == (3, 3)
    # Half of the temperatures are not enough.
    half = np.array([20.0, np.nan, 30.0, np.nan])
    assert extra_columns(np.ones(4), half, np.arange(4.0))[2] == 2


def test_the_common_error_by_hand():
    told, untold = np.array([20.0, 30.0]), np.full(2, np.nan)
    wave = np.array([0.03, -0.04])
    assert common_error(wave, told, np.array([0.0, YEAR_S])) == 0.002
    assert common_error(wave, untold, np.array([0.0, YEAR_S])) == 0.015
    # A wave of 0.05: 1.2 times that, beside three tenths of 0.015.
    assert common_error(wave, untold, np.array([0.0, 1.01 * YEAR_S])) == pytest.approx(
        math.hypot(0.06, 0.0045)
    )
    half = np.array([20.0, np.nan])
    assert common_error(wave, half, np.array([0.0, YEAR_S])) == 0.015


KH5 = np.array([0.2, 0.3, 0.7, 1.1, 1.6])


def test_the_fitted_line_without_heat_and_its_error():
    rng = np.random.default_rng(9)
    warm = rng.normal(0.0, 1.0, (6, 2))
    design = np.column_stack((np.ones(5), 1.6 - KH5, warm[:5], KH5 >= 0.7))
    y = np.array([0.99, 1.0, 0.96, 0.92, 0.90])
    sd = np.array([0.01, 0.02, 0.015, 0.01, 0.02])
    prior = (np.array([0.9, 0.05, 0.0, 0.0, 0.0]), np.array([0.3, 0.1, 0.02, 0.02, 0.15]) ** -2.0)
    dense = dense_normal(design, y, sd, prior, 0.03, KH5, np.arange(5))
    cool = np.hstack((design, np.eye(5)))
    cool[:, 2:4] = 0.0
    expected = np.sqrt(np.diag(cool @ dense.covariance @ cool.T))
    found = fitted_output_sd(Sites(KH5, y, sd**-2.0, design), prior, 0.03, 2)
    assert found == pytest.approx(expected, rel=1e-5)
    # One node alone: no wander.
    alone = dense_normal(design[:1], y[:1], sd[:1], prior)
    expected = math.sqrt(cool[0, :5] @ alone.covariance[:5, :5] @ cool[0, :5])
    one = fitted_output_sd(Sites(KH5[:1], y[:1], sd[:1] ** -2.0, design[:1]), prior, 0.03, 2)
    assert one == pytest.approx([expected])
    # The line itself: two runs share the first node.
    nodes = make_nodes(np.array([0.2, 0.2, 0.3, 0.7, 1.1, 1.6]))
    rows = np.column_stack((np.ones(6), 1.6 - nodes.kh[nodes.of_run], warm, nodes.of_run >= 2))
    rows[0, 1] = 1.2
    mode = Mode(np.array([0.9, 0.05, 7.0, -7.0, -0.1]), 0.01 * np.arange(5), 0.0)
    assert fitted_output(rows, mode, nodes, 2) == pytest.approx(
        [0.9 + 0.05 * 1.3, 0.9 + 0.065 + 0.01, 0.8 + 0.045 + 0.02, 0.8 + 0.025 + 0.03, 0.8 + 0.04]
    )


def test_quantiles_of_output_and_slope_hold_the_gain():
    covariance = np.diag([0.01**2, 0.02**2, 0.0])
    cell = Cell(Form("", 1.0), 0.0, 1.0, np.array([0.8, 0.05, 0.0]), covariance)
    none = np.empty(0)
    health = Health(
        Posterior((cell,), 1.0, 1.0, 0.0), (), 0.0, 0.0, 0.003, Sites(none, none, none, none),
        none, none, Span(0.0, 0.0, 0.0), gain_sd=0.05,
    )  # fmt: skip
    high = 1.6448536
    assert health.output(0.5) == pytest.approx(0.8)
    assert health.output(0.95, as_measured=True) == pytest.approx(
        0.8 + high * math.hypot(0.01, 0.003)
    )
    assert health.output(0.95) == pytest.approx(
        0.8 + high * math.sqrt(0.01**2 + 0.003**2 + (0.05 * 0.8) ** 2)
    )
    assert health.slope(0.05) == pytest.approx(0.05 - high * math.hypot(0.02, 0.05 * 0.05))


def test_a_step_lies_between_the_runs_on_both_sides():
    rng = np.random.default_rng(12)
    kh = np.linspace(0.5, 0.9, 30)
    y = 0.97 - 0.03 * kh - 0.09 * (np.arange(30) >= 12) + rng.normal(0.0, 0.003, 30)
    health = estimate(free(kh, y), np.full(30, 25.0), BEGIN_S + kh * 1e7, 0.9, 0.05, alike=0.003)
    (step,) = health.steps
    assert step.kh == pytest.approx(0.5 * (kh[11] + kh[12]))
    assert step.change == pytest.approx(-0.09, abs=0.01)
    assert step.low < step.change < step.high < 0.0
    assert health.systematic == pytest.approx(math.hypot(0.002, 0.003))
    assert health.fitted[[11, 12]] == pytest.approx(
        0.97 - 0.03 * kh[[11, 12]] - [0.0, 0.09], abs=0.006
    )
    # Scatter and wander are found anew once the step is known: the line is known as well as that of
    # the same runs without a step.
    whole = y + 0.09 * (np.arange(30) >= 12)
    plain = estimate(free(kh, whole), np.full(30, 25.0), BEGIN_S + kh * 1e7, 0.9, 0.05, alike=0.003)
    assert health.fitted_sd.mean() < 1.5 * plain.fitted_sd.mean()
    # The output when this log began, before the step.
    assert health.since_start.median == pytest.approx((0.97 - 0.027 - 0.09) / 0.955, abs=0.01)


def test_a_step_is_told_with_its_interval_and_left_out_where_that_holds_zero():
    kh = np.array([0.1, 0.3, 0.5, 0.9])
    found = [Found(3, 9.0, -0.1), Found(2, 9.0, 0.02), Found(1, 9.0, 0.06)]
    # Level, loss, three steps and the wander at the last node.
    mean = np.array([0.9, 0.05, -0.1, 0.02, 0.06, 0.0])
    covariance = np.diag([0.0, 0.0, 0.01, 0.02, 0.03, 0.0]) ** 2
    cell = Cell(Form("", 1.0), 0.0, 1.0, mean, covariance)
    posterior = Posterior((cell,), 1.0, 0.9, 0.0)
    steps = describe_steps(found, posterior, make_nodes(kh), free(kh, np.ones(4)), 2)
    # In order of time, each between the runs on both sides; the second may be none.
    assert [s.kh for s in steps] == pytest.approx([0.2, 0.7])
    half = 1.6448536 * np.array([0.03, 0.01])
    assert [s.change for s in steps] == pytest.approx([0.06, -0.1])
    assert [s.low for s in steps] == pytest.approx(np.array([0.06, -0.1]) - half)
    assert [s.high for s in steps] == pytest.approx(np.array([0.06, -0.1]) + half)
    # A weight for each form: half of it a step, half of it none.
    none = replace(cell, weight=0.5, mean=np.array([0.9, 0.05, -0.1, 0.02, -0.06, 0.0]))
    two = Posterior((replace(cell, weight=0.5), none), 1.0, 0.9, 0.0)
    assert [s.kh for s in describe_steps(found, two, make_nodes(kh), free(kh, kh), 2)] == [
        pytest.approx(0.7)
    ]


def test_which_steps_count():
    sites = Sites(KH5, KH5, KH5, np.ones((5, 1)))
    sure = Found(3, math.log(20.0) + 1e-9, -0.025)
    assert convincing(sure, sites, [])
    # Odds of twenty to one, a fortieth of rated, and more than a node from any other step.
    assert not convincing(replace(sure, log_odds=math.log(20.0) - 1e-9), sites, [])
    assert not convincing(replace(sure, change=0.0249), sites, [])
    assert convincing(sure, sites, [replace(sure, node=1)])
    assert not convincing(sure, sites, [replace(sure, node=1), replace(sure, node=2)])
    assert not convincing(sure, sites, [replace(sure, node=4)])
