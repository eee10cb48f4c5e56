"""The numerical core against published values; each source stands beside its check.

Where a value is marked "computed", R survival 3.5-3 or SciPy produced it from the published data.
"""

import numpy as np
import pytest

from analysis.health.sag import saturating
from analysis.statistics.likelihood import censored_regression, theil_sen
from analysis.statistics.passage import passage_for_good
from tests.support.oracles import fieller, first_passage_cdf, first_passage_density, least_squares
from tests.support.published import (
    BOXBOD,
    CHAMBER,
    CRYSTAL_G,
    CRYSTAL_H,
    MISRA1A,
    NIST_DEGRADATION,
    NORRIS,
    TOBIN,
    digits,
    line_design,
    motorettes,
)

# --- least squares -------------------------------------------------------------------------------


def test_norris_to_nine_digits():
    # NIST StRD, Norris (linear, 36 observations): certified values.
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    fit = least_squares(line_design(x), y)
    assert digits(fit.coefficients[0], -0.262323073774029) > 9
    assert digits(fit.coefficients[1], 1.00211681802045) > 9
    assert digits(np.sqrt(fit.covariance[0, 0]), 0.232818234301152) > 9
    assert digits(np.sqrt(fit.covariance[1, 1]), 0.000429796848199937) > 9
    assert digits(fit.residual_sd, 0.884796396144373) > 9
    assert digits(fit.r_squared, 0.999993745883712) > 9


def test_a_line_through_the_origin_to_nine_digits():
    # NIST StRD, NoInt1 (values from memory, reproduced to every digit).
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    fit = least_squares(x[:, None], y)
    assert digits(fit.coefficients[0], 2.07438016528926) > 9
    assert digits(fit.residual_sd, 3.56753034006338) > 9


def test_the_degradation_example_of_the_handbook():
    # NIST/SEMATECH e-Handbook 8.4.2.3: a = -18.94337, b = 0.81877, s = 0.5611, R2 = 0.8305.
    hours = np.tile([200.0, 500.0, 1000.0], 5)
    x, y = [], []
    for celsius, text in NIST_DEGRADATION.items():
        change = np.array(text.split(), dtype=float)
        y.append(np.log(30.0) - (np.log(change) - np.log(hours)))
        x.append(np.full(15, 100000.0 / (8.617 * (celsius + 273.16))))
    fit = least_squares(line_design(np.concatenate(x)), np.concatenate(y))
    assert fit.coefficients == pytest.approx([-18.94337, 0.81877], abs=5e-6)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([1.83343, 0.05641], abs=5e-6)
    assert fit.residual_sd == pytest.approx(0.5611, abs=5e-5)
    assert fit.r_squared == pytest.approx(0.8305, abs=5e-5)
    assert fit.degrees == 43


def test_too_few_rows_and_dependent_columns_are_refused():
    with pytest.raises(ValueError, match="cannot determine"):
        least_squares(np.ones((2, 2)), np.ones(2))
    with pytest.raises(ValueError, match="dependent"):
        least_squares(np.ones((5, 2)), np.arange(5.0))


# --- the saturating form -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "b1", "b2", "rss"),
    [
        # NIST StRD, Misra1a and BoxBOD: y = b1 (1 - exp(-b2 x)), certified values.
        (MISRA1A, 2.3894212918e02, 5.5015643181e-04, 1.2455138894e-01),
        (BOXBOD, 2.1380940889e02, 5.4723748542e-01, 1.1680088766e03),
    ],
)
def test_the_saturating_form_to_six_digits(data, b1, b2, rss):
    y, x = np.array(data.split(), dtype=float).reshape(-1, 2).T
    depth, time, left = saturating(x, y, np.ones_like(x))
    assert digits(depth, b1) > 6
    assert digits(1.0 / time, b2) > 6
    assert digits(left, rss) > 6


# --- censored regression -------------------------------------------------------------------------


def test_motorettes_with_a_group_that_is_wholly_censored():
    # Schmee and Hahn (1979), Technometrics 21:417-432: -6.019, 4.311, 0.2592 (from memory, then
    # reproduced); full digits computed with R survreg.
    design, y, bound = motorettes()
    fit = censored_regression(design, y, bound)
    assert fit.coefficients == pytest.approx([-6.0192496427, 4.3112471430], abs=1e-8)
    assert fit.scale == pytest.approx(0.2591827088, abs=1e-9)
    assert fit.log_likelihood == pytest.approx(-12.9654551479, abs=1e-9)
    error = np.sqrt(np.diag(fit.covariance))
    assert error == pytest.approx([0.94679331, 0.43666722, 0.18267225], abs=1e-6)
    assert fit.covariance[0, 1] == pytest.approx(-0.4127236475, abs=1e-6)


def test_motorettes_by_another_program_and_without_the_censored_group():
    # SAS/QC RELIABILITY's example (from memory, reproduced): -6.0182, 4.3103, 0.2592.
    fit = censored_regression(*motorettes(zero=273.15))
    assert fit.coefficients == pytest.approx([-6.0182, 4.3103], abs=5e-5)
    # Computed with R survreg: the group says something though none of it failed.
    without = censored_regression(*motorettes(without=(150,)))
    assert without.coefficients == pytest.approx([-4.5473074863, 3.6142348274], abs=1e-7)
    assert without.log_likelihood == pytest.approx(-10.2952587401, abs=1e-8)


def test_the_censored_fit_differs_from_both_wrong_answers():
    design, y, bound = motorettes()
    fit = censored_regression(design, y, bound)
    as_values = least_squares(design, y)
    dropped = least_squares(design[~bound], y[~bound])
    for wrong in (as_values, dropped):
        assert abs(wrong.coefficients[1] - fit.coefficients[1]) > 0.3


def test_tobins_own_data_negated_so_that_the_floor_becomes_a_lower_bound():
    # Tobin (1958), Econometrica 26:24-36; R survival `tobin` and its example, computed with 3.5-3.
    durable, age, quant = np.array(TOBIN.split(), dtype=float).reshape(-1, 3).T
    design = np.column_stack((np.ones(20), age, quant))
    fit = censored_regression(design, -durable, durable <= 0.0)
    assert fit.coefficients == pytest.approx([-15.1448663607, 0.1290592841, 0.0455416630], abs=1e-7)
    assert fit.scale == pytest.approx(5.5725397631, abs=1e-8)
    assert fit.log_likelihood == pytest.approx(-28.9401331997, abs=1e-8)


def test_t_errors_forgive_outliers_and_become_normal_with_many_degrees():
    rng = np.random.default_rng(5)
    x = np.linspace(0.0, 4.0, 200)
    y = 1.0 - 0.08 * x + rng.normal(0.0, 0.01, 200)
    bound = np.zeros(200, dtype=bool)
    y[::20] = 0.1  # runs that ended without fuel
    robust = censored_regression(line_design(x), y, bound, nu=4.0)
    plain = censored_regression(line_design(x), y, bound)
    assert robust.coefficients == pytest.approx([1.0, -0.08], abs=0.01)
    assert abs(plain.coefficients[0] - 1.0) > 0.02
    nearly = censored_regression(line_design(x), y, bound, nu=1e7)
    assert nearly.coefficients == pytest.approx(plain.coefficients, abs=1e-5)


def test_invariant_under_order_shift_and_scale():
    design, y, bound = motorettes()
    fit = censored_regression(design, y, bound)
    order = np.random.default_rng(1).permutation(len(y))
    again = censored_regression(design[order], y[order], bound[order])
    assert again.coefficients == pytest.approx(fit.coefficients, rel=1e-9)
    scaled = censored_regression(design * [1.0, 1000.0], 3.0 * y + 7.0, bound)
    assert scaled.coefficients[1] * 1000.0 / 3.0 == pytest.approx(fit.coefficients[1], rel=1e-8)
    assert (scaled.coefficients[0] - 7.0) / 3.0 == pytest.approx(fit.coefficients[0], rel=1e-8)
    assert scaled.scale / 3.0 == pytest.approx(fit.scale, rel=1e-8)


def test_nothing_but_bounds_is_refused():
    with pytest.raises(ValueError, match="too few values"):
        censored_regression(np.ones((5, 1)), np.ones(5), np.ones(5, dtype=bool))


# --- robust slope --------------------------------------------------------------------------------


def test_sens_worked_example():
    # Sen (1968), JASA 63:1379-1389, as in SciPy's own test: slope 4, intercept 4 by medians.
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])
    line = theil_sen(x, y)
    assert (line.slope, line.intercept) == (4.0, 4.0)
    assert theil_sen(np.ones(3), np.arange(3.0)).slope == 0.0


# --- where a line meets a level ------------------------------------------------------------------


def meets(x, y, level, quantile):
    fit = least_squares(line_design(x), np.asarray(y))
    return fieller(*fit.coefficients, fit.covariance, level, quantile)


@pytest.mark.parametrize(
    ("x", "y", "level", "quantile", "expected", "tolerance"),
    [
        # Greenwell and Schubert Kabban (2014), R Journal 6(1):90-100: crystal growth, mean 8 g,
        # 95 %: 15.8882 (14.6590, 17.1596). Quantiles: t with n - 2 degrees.
        (CRYSTAL_H, CRYSTAL_G, 8.0, 2.1788128, (15.8882, 14.6590, 17.1596), 6e-5),
        # Graybill and Iyer (1994), p. 434: mean 5 g, 90 %: 9.93 (8.65, 11.05).
        (CRYSTAL_H, CRYSTAL_G, 5.0, 1.7822876, (9.93, 8.65, 11.05), 6e-3),
        # The same, p. 433: reaction chamber, mean 400, 99 %: 66.5 (65.07, 68.03).
        (np.arange(0.0, 101.0, 10.0), CHAMBER, 400.0, 3.2498355, (66.52, 65.07, 68.03), 6e-3),
    ],
)
def test_where_a_line_meets_a_level(x, y, level, quantile, expected, tolerance):
    assert meets(x, y, level, quantile) == pytest.approx(expected, abs=tolerance)


def test_an_undetermined_slope_cannot_say():
    # The data of investr's own test of an undetermined slope (rounded): p of the slope is 0.58.
    x = np.tile(np.arange(10) * 10.0 / 9.0, 2)
    y = [2.837, 3.2873, 2.6848, 3.1405, 3.1998, 3.6425, 3.3761, 3.0214, 3.5474, 2.9884]
    y += [3.2632, 2.6137, 3.7361, 2.2999, 2.9261, 2.9589, 2.6418, 3.107, 2.6801, 2.0748]
    assert meets(x, y, 3.0, 2.1009220) is None
    assert meets(x, y, 2.0, 2.1009220) is None


# --- first passage -------------------------------------------------------------------------------


def test_inverse_gaussian_first_passage():
    # Folks and Chhikara (1978), JRSS B 40:263-289; values computed by SciPy, the closed form and
    # R statmod alike. Distance 20, drift 0.01, sigma 0.1.
    t = np.array([1000.0, 1500.0, 1800.0, 2000.0, 2200.0, 2500.0, 3000.0])
    expected = [
        0.001062997924099,
        0.117311626560230,
        0.358053912023302,
        0.544065268092219,
        0.705283778053233,
        0.867910054377004,
        0.974213969681181,
    ]
    assert first_passage_cdf(t, 20.0, 0.01, 0.1) == pytest.approx(expected, abs=1e-12)
    density = first_passage_density(np.array([2000.0]), 20.0, 0.01, 0.1)
    assert density[0] == pytest.approx(8.92062058076385e-4, rel=1e-12)
    # IG(1, 1): F(1) = 1/2 + e^2 Phi(-2), closed form.
    assert first_passage_cdf(np.array([1.0]), 1.0, 1.0, 1.0)[0] == pytest.approx(0.668102001223170)


def test_a_drift_that_is_not_known_widens_the_forecast():
    # Peng and Tseng (2009), IEEE Trans. Reliab. 58:444-455; closed form and quadrature agree.
    t = np.array([1500.0, 2000.0, 3000.0])
    expected = [0.133707181108569, 0.540305351830183, 0.956382562772642]
    wide = first_passage_cdf(t, 20.0, 0.01, 0.1, drift_sd=0.001)
    assert wide == pytest.approx(expected, abs=1e-12)
    narrow = first_passage_cdf(t, 20.0, 0.01, 0.1)
    assert wide[0] > narrow[0]
    assert wide[-1] < narrow[-1]


def test_the_simulated_first_touch_agrees_with_the_closed_form():
    rng = np.random.default_rng(3)
    times = np.linspace(0.0, 4000.0, 2001)
    steps = rng.normal(-0.01 * 2.0, 0.1 * np.sqrt(2.0), (2000, 2000))
    paths = np.column_stack((np.zeros(2000), np.cumsum(steps, axis=1)))
    first = passage_for_good(times, paths, -20.0, sustained_h=0.0)
    for t in (1800.0, 2000.0, 2500.0):
        closed = first_passage_cdf(np.array([t]), 20.0, 0.01, 0.1)[0]
        # Seen every 2 h only, a path may touch between: a little late, within 4 standard errors.
        assert np.mean(first <= t) == pytest.approx(closed, abs=0.05)


def test_a_dip_that_recovers_is_no_crossing():
    times = np.arange(0.0, 1000.0, 10.0)
    path = np.full(100, 0.7)
    path[20:25] = 0.5  # 50 h below, then back
    path[60:] = 0.5
    assert passage_for_good(times, path[None, :], 0.6)[0] == pytest.approx(595.0, abs=6.0)
    assert passage_for_good(times, np.full((1, 100), 0.7), 0.6)[0] == np.inf
    assert passage_for_good(times, np.full((1, 100), 0.5), 0.6)[0] == 0.0
