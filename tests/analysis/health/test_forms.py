"""The fit that the commands call, held to published values.

``tests/analysis/statistics/test_likelihood.py`` checks the closed forms, which serve as oracles
only; here the same published data go through :func:`analysis.health.trend.find_mode`, the posterior
of :mod:`analysis.health.forms` and the forecast of :mod:`analysis.assessment.forecast` themselves.
"""

import itertools
import math

import numpy as np
import pytest
from scipy import optimize

from analysis.assessment.forecast import draw_paths, forecast
from analysis.health.forms import (
    Cell,
    Form,
    Posterior,
    compare,
    forms,
    mixture_quantile,
    normal_posteriors,
    slope_factor,
    trend_columns,
)
from analysis.health.life import estimate
from analysis.health.trend import (
    WANDERS,
    Observations,
    Sites,
    Walk,
    find_mode,
    make_nodes,
)
from analysis.statistics.passage import passage_for_good
from tests.support.oracles import dense_normal, fieller, first_passage_cdf, least_squares
from tests.support.posteriors import FLAT, posterior_of
from tests.support.published import (
    CRYSTAL_G,
    CRYSTAL_H,
    GAAS,
    NIST_DEGRADATION,
    TOBIN,
    line_design,
    motorettes,
)


def fit_in_use(design, y, bound, scale):
    """Fit as the assessment does: normal errors, no wander, a prior too wide to matter."""
    order = np.arange(len(y), dtype=float)
    data = Observations(order, np.asarray(y, dtype=float), np.zeros(len(y)), bound)
    prior = (np.zeros(design.shape[1]), np.full(design.shape[1], FLAT))
    return find_mode(data, make_nodes(order), design, prior, 0.0, scale, nu=math.inf).coefficients


def test_motorettes_with_a_group_that_is_wholly_censored():
    # Schmee and Hahn (1979), Technometrics 21:417-432: -6.019, 4.311, at s = 0.2592 (from memory,
    # then reproduced); more digits computed with R survreg.
    design, y, bound = motorettes()
    found = fit_in_use(design, y, bound, 0.2591827088)
    assert found == pytest.approx([-6.019, 4.311], abs=6e-4)
    assert found == pytest.approx([-6.0192496427, 4.3112471430], abs=1e-4)


def test_it_differs_from_both_wrong_answers():
    design, y, bound = motorettes()
    found = fit_in_use(design, y, bound, 0.2591827088)
    for wrong in (least_squares(design, y), least_squares(design[~bound], y[~bound])):
        assert abs(wrong.coefficients[1] - found[1]) > 0.3


def test_tobins_own_data():
    # Tobin (1958), Econometrica 26:24-36; computed with R survival 3.5-3, negated: a floor becomes
    # a lower bound.
    durable, age, quant = np.array(TOBIN.split(), dtype=float).reshape(-1, 3).T
    design = np.column_stack((np.ones(20), age, quant))
    found = fit_in_use(design, -durable, durable <= 0.0, 5.5725397631)
    assert found == pytest.approx([-15.1448663607, 0.1290592841, 0.0455416630], rel=2e-3)


def crossing_of(x, y, s, now, limit, until):
    ahead_h = 1000.0 * np.linspace(0.0, until - now, 1500)
    posterior = posterior_of(x, y, s, now)
    paths, _ = draw_paths(posterior, 0.0, ahead_h, 8000, np.random.default_rng(6))
    return now + passage_for_good(ahead_h, paths, limit, sustained_h=0.0) / 1000.0


def test_the_crystals_reach_eight_grams_when_the_published_example_says():
    # Greenwell and Schubert Kabban (2014), R Journal 6(1):90-100: 15.8882 h (14.6590, 17.1596) at
    # 95 %. Growth is turned over, since the program looks for a fall.
    x, y, s = CRYSTAL_H, -np.array(CRYSTAL_G), 1.0617669460
    found = crossing_of(x, y, s, 0.5, -8.0, 28.0)
    assert np.median(found) == pytest.approx(15.8882, abs=0.02)
    # The program takes the scale as known (it has hundreds of runs, not fourteen), so its interval
    # is Fieller's with the normal quantile: a little inside the published one with Student's t.
    fit = least_squares(line_design(x), y)
    covariance = fit.covariance * (s / fit.residual_sd) ** 2
    _, low, high = fieller(*fit.coefficients, covariance, -8.0, 1.9599640)
    assert np.quantile(found, [0.025, 0.975]) == pytest.approx([low, high], abs=0.06)
    assert low > 14.6590
    assert high < 17.1596
    # Widened to Student's quantile with 12 degrees, the spread of the draws is the published one.
    spread = np.quantile(found, [0.025, 0.975]) - np.median(found)
    wide = np.median(found) + spread * 2.1788128 / 1.9599640
    assert wide == pytest.approx([14.6590, 17.1596], abs=0.08)


def test_a_line_that_does_not_fall_is_not_said_to_cross():
    # The undetermined slope of investr's own test (p of the slope 0.58): most draws never reach
    # the level below, so neither median nor high end is finite.
    x = np.tile(np.arange(10) * 10.0 / 9.0, 2)
    y = [2.837, 3.2873, 2.6848, 3.1405, 3.1998, 3.6425, 3.3761, 3.0214, 3.5474, 2.9884]
    y += [3.2632, 2.6137, 3.7361, 2.2999, 2.9261, 2.9589, 2.6418, 3.107, 2.6801, 2.0748]
    order = np.argsort(x, kind="stable")
    # In hundredths, so that the program's rare loss is nothing beside these slopes.
    found = crossing_of(x[order], 100.0 * np.array(y)[order], 41.0, 10.0, 200.0, 40.0)
    assert np.mean(np.isinf(found)) > 0.5


def test_wandering_paths_pass_as_the_inverse_gaussian_does():
    # Folks and Chhikara (1978), JRSS B 40:263-289: F(2000) = 0.5441 and its neighbours at distance
    # 20, drift 0.01, sigma 0.1 per hour; here in thousands of hours and parts of twenty.
    form = Form("linear", 1.0)
    wander = 0.1 * math.sqrt(1000.0) / 20.0
    mean, covariance = np.array([1.0, 0.01 * 1000.0 / 20.0, 0.0]), np.zeros((3, 3))
    posterior = Posterior((Cell(form, wander, 1.0, mean, covariance),), 1.0, 1.0, 0.0)
    ahead_h = np.linspace(0.0, 3200.0, 3201)
    paths, _ = draw_paths(posterior, 0.0, ahead_h, 4000, np.random.default_rng(7))
    found = passage_for_good(ahead_h, paths, 0.0, sustained_h=0.0)
    for hours in (1500.0, 2000.0, 2500.0):
        expected = first_passage_cdf(np.array([hours]), 20.0, 0.01, 0.1)[0]
        assert np.mean(found <= hours) == pytest.approx(expected, abs=0.035)


def test_what_the_load_and_the_hours_may_be_wrong_by_widens_the_forecast():
    kh = np.linspace(0.0, 2.0, 60)
    posterior = posterior_of(kh, 1.0 - 0.05 * kh, 0.005, 2.0)

    def hours(load_below=None, load_sd=0.0, unseen_h=0.0):
        rng = np.random.default_rng(8)
        return forecast(
            posterior,
            0.0,
            2000.0,
            0.6,
            (4000.0, 4000.0),
            load_below,
            rng,
            load_sd=load_sd,
            unseen_h=unseen_h,
        ).hours

    # 0.9 falls by 0.05 per 1000 h: a load of 0.85 is met for 1000 h, give or take 0.017 of it.
    sure, unsure = hours(0.85), hours(0.85, load_sd=0.02)
    assert sure.median == pytest.approx(1000.0, abs=40.0)
    assert unsure.median == pytest.approx(1000.0, abs=80.0)
    # Student's t with 4 degrees has its 95 % point at 2.132: 0.85 * 0.02 * 2.132 / 0.05e-3.
    assert unsure.high - unsure.median == pytest.approx(725.0, rel=0.15)
    assert sure.high - sure.median < 150.0
    # 400 h that nobody counted leave between 3600 and 4000 of the design hours.
    assert (hours().low, hours().high) == (4000.0, 4000.0)
    some = hours(unseen_h=400.0)
    assert (some.low, some.high) == pytest.approx((3620.0, 3980.0), abs=5.0)


def power_of(hours, loss):
    """Return the power of the hours that fits a unit best by least squares."""

    def left(power):
        x = hours**power
        return float(((loss - x * (x @ loss) / (x @ x)) ** 2).sum())

    return optimize.minimize_scalar(left, bounds=(0.2, 4.0), method="bounded").x


def test_the_forms_span_what_published_units_did():
    # 15 GaAs lasers (Meeker and Escobar 1998, table C.17) and 15 components of the e-Handbook.
    lasers = np.array(GAAS.split(), dtype=float).reshape(17, 15)
    powers = [power_of(0.25 * np.arange(1, 17), unit[1:]) for unit in lasers.T]
    for text in NIST_DEGRADATION.values():
        units = np.array(text.split(), dtype=float).reshape(-1, 3)
        powers += [power_of(np.array([0.2, 0.5, 1.0]), unit) for unit in units]
    assert len(powers) == 30
    assert np.median(powers) == pytest.approx(1.0, abs=0.02), "most declined in a straight line"
    assert min(powers) == pytest.approx(0.80, abs=0.01)
    assert max(powers) == pytest.approx(1.15, abs=0.01)
    # Each unit goes to the nearest of three powers, and these weigh in that proportion.
    straight = [form for form in forms(0.05) if form.share == 0.0 and form.power < 1.2]
    places = np.array([form.power for form in straight])
    nearest = np.argmin(abs(np.array(powers)[:, None] - places), axis=1)
    assert np.bincount(nearest) / 30 == pytest.approx([20 / 30, 5 / 30, 5 / 30])
    weights = np.array([form.weight for form in straight])
    assert weights / weights.sum() == pytest.approx(np.bincount(nearest) / 30, abs=0.02)


def test_half_of_the_prior_is_for_decline_that_accelerates():
    found = forms(0.05)
    assert sum(form.weight for form in found) == pytest.approx(1.0)
    assert sum(form.weight for form in found if form.power > 1.15) == pytest.approx(0.5)


def test_no_life_lies_far_between_two_powers():
    # At half of a life that ends at 1 and goes as the power p, a form of the power q with the same
    # loss then ends at 2^(p/q) / 2: by so much of the hours left do two neighbours disagree.
    powers = sorted(form.power for form in forms(0.05) if form.share == 0.0)
    apart = [abs(2.0 ** (p / q) - 2.0) for p, q in itertools.pairwise(powers)]
    assert max(apart) < 0.27
    assert min(powers) == 0.85
    assert max(powers) == 3.0


def test_an_early_forecast_allows_for_an_end_that_accelerates():
    # Loss as the square of the hours, 0.4 after 4000 h: at 1000 h 0.025 is lost, a straight line
    # would say 15,000 h more. A boat whose charger wanders does not show the bend yet.
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(10):
        kh = np.linspace(0.01, 1.0, 90)
        wander = np.cumsum(rng.normal(0.0, 0.007 * np.sqrt(kh[1] - kh[0]), len(kh)))
        y = 1.0 - 0.4 * (kh / 4.0) ** 2 + wander + 0.005 * rng.standard_normal(len(kh))
        data = Observations(kh, y, np.full(90, 0.001), np.zeros(90, dtype=bool))
        warm = 25.0 + rng.standard_normal(90)
        health = estimate(data, warm, 1.5e9 + 3.6e7 * kh, 1.0, 0.4 / 7.5)
        draws = np.random.default_rng(7)
        said = forecast(health.posterior, health.systematic, 1000.0, 0.6, None, None, draws).hours
        held += said.low <= 3000.0
    # With the lower ends at 5 %, fewer than 8 of 10 have a chance of 1 %.
    assert held >= 8


def test_what_each_form_loses_by_hand():
    by_name = {form.name: form for form in forms(0.5)}
    assert by_name["linear"].loss(3.0) == pytest.approx(3.0)
    assert by_name["slowing"].loss(2.0) == pytest.approx(2.0**0.85)
    assert by_name["accelerating 2"].loss(np.array([-1.0, 3.0])) == pytest.approx([0.0, 9.0])
    assert by_name["exponential"].loss(2.0) == pytest.approx(1.0 - math.exp(-1.0))
    assert by_name["exponential"].loss(-2.0) == 0.0
    for form in by_name.values():
        change = (form.loss(2.0 + 1e-5) - form.loss(2.0 - 1e-5)) / 2e-5
        assert form.rate(2.0) == pytest.approx(change, rel=1e-6)
    assert by_name["accelerating 2"].rate(-1.0) == pytest.approx(0.0, abs=1e-5)


def test_columns_of_a_form_state_the_level_now_and_the_mean_loss():
    for form in forms(0.5):
        columns = trend_columns(form, np.array([0.0, 4.0]), 4.0)
        # New, 4000 h ago, it gave four times the loss of a thousand hours more.
        assert columns == pytest.approx(np.array([[1.0, 4.0], [1.0, 0.0]]))
    half = trend_columns(Form("accelerating 2", 1.0, power=2.0), np.array([2.0]), 4.0)
    assert half[0, 1] == pytest.approx(3.0), "after half the hours a quarter is lost"
    # The slope of h^p is p times its mean; that of 1 - exp(-k h) falls.
    assert slope_factor(Form("", 1.0, power=1.5), 4.0) == pytest.approx(1.5)
    assert slope_factor(Form("", 1.0, share=0.5), 4.0) == pytest.approx(
        0.5 * math.exp(-2.0) * 4.0 / (1.0 - math.exp(-2.0))
    )


def test_a_quantile_of_a_mixture():
    one = np.array([1.0])
    assert mixture_quantile(3.0 * one, 2.0 * one, one, 0.95) == pytest.approx(3.0 + 2.0 * 1.6448536)
    means, sds = np.array([-1.0, 1.0]), np.zeros(2)
    assert mixture_quantile(means, sds, np.array([0.3, 0.7]), 0.2) == pytest.approx(-1.0)
    assert mixture_quantile(means, sds, np.array([0.3, 0.7]), 0.4) == pytest.approx(1.0)
    found = mixture_quantile(means, np.array([1.0, 2.0]), np.array([0.3, 0.7]), 0.9)
    normal = [0.5 * (1 + math.erf((found - m) / s / math.sqrt(2.0))) for m, s in ((-1, 1), (1, 2))]
    assert 0.3 * normal[0] + 0.7 * normal[1] == pytest.approx(0.9)


#: Five nodes with their outputs, and a further column, as of heat.
NODES = np.array([0.2, 0.3, 0.7, 1.1, 1.6])
SEEN = np.array([0.99, 1.0, 0.96, 0.92, 0.90])
SD = np.array([0.01, 0.02, 0.015, 0.01, 0.02])
WARM = np.array([[0.5], [-0.2], [0.8], [0.1], [-0.6]])
BELIEF = (np.array([0.95, 0.06, 0.0]), np.array([0.3, 0.1, 0.05]) ** -2.0)
#: The exact posteriors leave out what does not depend on the model.
CONSTANT = 2.5 * math.log(2.0 * math.pi)


def sites_of(form, now):
    design = np.column_stack((trend_columns(form, NODES, now), WARM))
    return Sites(NODES, SEEN, SD**-2.0, design), design


def test_the_posterior_of_one_form_is_that_of_whole_matrices():
    sites, design = sites_of(Form("", 1.0, power=2.0), 2.0)
    for wander in (0.0, 0.03):
        walk = Walk.over(NODES) if wander else None
        found = normal_posteriors(sites, walk, design[None], [BELIEF], wander)
        evidence, mean, covariance = (part[0, 0] for part in found)
        truth = dense_normal(design, SEEN, SD, BELIEF, wander, NODES, np.arange(5))
        at = [0, 1, 2, -1]  # the coefficients, and the wander at the last node
        assert evidence - CONSTANT == pytest.approx(truth.evidence)
        assert mean == pytest.approx(truth.mean[at])
        assert covariance == pytest.approx(truth.covariance[np.ix_(at, at)], abs=1e-12)


def test_forms_and_priors_are_weighed_by_their_evidence():
    two = (Form("line", 0.3), Form("bent", 0.7, power=3.0))
    other = (BELIEF[0] + np.array([0.02, 0.0, 0.03]), BELIEF[1] * np.array([1.0, 2.0, 0.5]))
    priors = ((0.8, BELIEF), (0.2, other))
    found = compare(sites_of(two[0], 2.0)[0], two, 2.0, WARM, priors)
    truth = {}
    for form, wander, place in itertools.product(two, WANDERS, range(2)):
        design = sites_of(form, 2.0)[1]
        chance, belief = priors[place]
        dense = dense_normal(design, SEEN, SD, belief, wander, NODES, np.arange(5))
        prior = math.log(form.weight * chance)
        prior -= 0.5 * math.log(wander / 0.01) ** 2 / math.log(3.0) ** 2
        truth[form.name, float(wander), place] = math.exp(dense.evidence + prior)
    total = sum(truth.values())
    assert found.evidence - CONSTANT == pytest.approx(math.log(total))
    assert sum(found.weights()) == pytest.approx(1.0)
    kept = {key: value for key, value in truth.items() if value > 1e-4 * total}
    assert len(found.cells) == len(kept)
    for cell in found.cells:
        expected = kept[cell.form.name, cell.wander, cell.prior] / sum(kept.values())
        assert cell.weight == pytest.approx(expected)
    assert (found.now_kh, found.last_kh) == (2.0, 1.6)
    # A single node knows no wander, and only the form remains.
    alone = Sites(NODES[:1], SEEN[:1], SD[:1] ** -2.0, np.ones((1, 3)))
    assert len(compare(alone, two, 2.0, WARM[:1], priors[:1]).cells) == 2


def test_the_figure_is_of_the_usual_prior_while_it_has_a_quarter():
    def mixture(*weights):
        none = np.zeros(3)
        cells = (Cell(Form("", 1.0), 0.0, w, none, none, k) for k, w in enumerate(weights))
        return Posterior(tuple(cells), 1.0, 1.0, 0.0)

    leads, trails = mixture(0.25, 0.5, 0.25), mixture(0.24, 0.5, 0.26)
    assert leads.usual_leads
    assert not trails.usual_leads
    assert leads.weights_for(0.5) == pytest.approx([1.0, 0.0, 0.0])
    assert leads.weights_for(0.05) == pytest.approx([0.25, 0.5, 0.25])
    assert trails.weights_for(0.5) == pytest.approx([0.24, 0.5, 0.26])
    assert mixture(1.0).weights_for(0.5) == pytest.approx([1.0])


def test_level_and_slope_of_a_mixture_by_hand():
    covariance = np.array([[4.0, 0.0, -0.5], [0.0, 9.0, 0.0], [-0.5, 0.0, 1.0]]) * 1e-4
    cells = tuple(
        Cell(Form("", 1.0, power=p), 0.02, w, np.array([0.9, 0.05, -0.01]), covariance)
        for p, w in ((1.0, 0.25), (2.0, 0.75))
    )
    posterior = Posterior(cells, 2.5, 2.0, 0.0)
    mean, sd, weights = posterior.level()
    assert mean == pytest.approx([0.89, 0.89])
    # 4 + 1 - 2 * 0.5, and half a thousand hours of wander that nobody saw: 0.02 squared by 0.5.
    assert sd**2 == pytest.approx([6e-4, 6e-4])
    assert weights == pytest.approx([0.25, 0.75])
    mean, sd, _ = posterior.slope()
    assert mean == pytest.approx([0.05, 0.10])
    assert sd == pytest.approx([0.03, 0.06])
    seen = Posterior(cells, 2.0, 2.0, 0.0).level()[1]
    assert seen**2 == pytest.approx([4e-4, 4e-4])
