"""The censored likelihood with a wandering part, held against whole matrices and plain searches."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, optimize, special

from analysis.health.trend import (
    MOST_NODES,
    WANDERS,
    Observations,
    Walk,
    by_neighbours,
    find_mode,
    find_peak,
    find_scales,
    first_guess,
    information,
    make_nodes,
    summarise,
    wander_prior,
)
from tests.support.oracles import dense_normal

#: Two runs within a tenth of an hour, then others further apart.
KH = np.array([0.1, 0.10004, 0.25, 0.4, 0.45, 0.9])
Y = np.array([0.98, 0.99, 0.97, 0.93, 0.95, 0.90])
SE = np.array([0.01, 0.02, 0.01, 0.03, 0.02, 0.01])
FREE = np.zeros(6, dtype=bool)
DESIGN = np.column_stack((np.ones(6), -KH))
PRIOR = (np.array([1.0, 0.05]), np.array([0.3**-2.0, 0.1**-2.0]))
DATA = Observations(KH, Y, SE, FREE)


def test_runs_within_a_tenth_of_an_hour_share_a_node():
    nodes = make_nodes(KH)
    assert nodes.of_run.tolist() == [0, 0, 1, 2, 3, 4]
    assert nodes.kh == pytest.approx([0.10002, 0.25, 0.4, 0.45, 0.9])
    assert nodes.add(Y) == pytest.approx([1.97, 0.97, 0.93, 0.95, 0.90])
    # A tenth of an hour itself still shares; a little more does not.
    assert make_nodes(np.array([0.0, 0.0001, 0.00021])).of_run.tolist() == [0, 0, 1]


def test_more_runs_than_nodes_share_equal_spans():
    kh = np.sort(np.concatenate((np.linspace(0.0, 1.0, 900), np.linspace(1.5, 2.0, 100))))
    nodes = make_nodes(kh)
    # 2000 h in 400 spans of 5 h; a hundred of them, from 1000 to 1500 h, are empty.
    assert MOST_NODES == 400
    assert len(nodes.kh) == pytest.approx(300, abs=2)
    assert np.ptp(kh[nodes.of_run == 3]) <= 0.005
    for node in (0, 7, len(nodes.kh) - 1):
        assert nodes.kh[node] == pytest.approx(kh[nodes.of_run == node].mean())
    # As many runs as nodes keep their own.
    assert len(make_nodes(np.arange(400.0)).kh) == 400


def test_the_walk_is_the_inverse_of_the_covariance_of_a_wiener_process():
    walk = Walk.over(np.array([0.5, 1.5, 3.5, 4.0]))
    covariance = np.minimum.outer([1.0, 3.0, 3.5], [1.0, 3.0, 3.5])
    dense = np.diag(walk.diagonal) + np.diag(walk.beside, 1) + np.diag(walk.beside, -1)
    assert dense @ covariance == pytest.approx(np.eye(3), abs=1e-12)
    assert walk.log_det == pytest.approx(-math.log(np.linalg.det(covariance)))
    assert walk.times(np.array([1.0, -2.0, 0.5])) == pytest.approx(dense @ [1.0, -2.0, 0.5])
    weight = np.array([3.0, 0.5, 2.0])
    band = walk.factor(weight, 0.5)
    upper = np.diag(band[1]) + np.diag(band[0, 1:], 1)
    assert upper.T @ upper == pytest.approx(4.0 * dense + np.diag(weight))
    right = np.array([[1.0, 0.0], [2.0, -1.0], [0.5, 4.0]])
    solved = walk.solve(weight, 0.5, right)
    assert (4.0 * dense + np.diag(weight)) @ solved == pytest.approx(right)
    # A walk to one other place is a single equation: 4 / 2 + 3 on the left.
    single = Walk.over(np.array([1.0, 3.0])).solve(np.array([3.0]), 0.5, np.array([[10.0, 2.5]]))
    assert single == pytest.approx(np.array([[2.0, 0.5]]))


@pytest.mark.parametrize("wander", [0.0, 0.04])
def test_with_normal_errors_mode_and_evidence_are_those_of_whole_matrices(wander):
    nodes = make_nodes(KH)
    truth = dense_normal(DESIGN, Y, np.hypot(0.008, SE), PRIOR, wander, nodes.kh, nodes.of_run)
    for start in (None, find_mode(DATA, nodes, DESIGN, PRIOR, 0.1, 0.02)):
        found = find_mode(DATA, nodes, DESIGN, PRIOR, wander, 0.008, start, nu=math.inf)
        assert found.coefficients == pytest.approx(truth.mean[:2], abs=1e-6)
        assert found.walk == pytest.approx(truth.mean[2:], abs=1e-6)
        assert found.evidence == pytest.approx(truth.evidence, abs=1e-5)


def test_the_mode_with_t_errors_and_a_bound_is_where_a_plain_search_ends():
    y, bound = Y.copy(), FREE.copy()
    y[4], bound[4] = 1.02, True  # a lower bound above the others
    y[3] = 0.80  # an odd run
    data = Observations(KH, y, SE, bound)
    nodes = make_nodes(KH)
    scale, wander = np.hypot(0.008, SE), 0.04
    covariance = wander**2 * np.minimum.outer(
        nodes.kh[1:] - nodes.kh[0], nodes.kh[1:] - nodes.kh[0]
    )

    def against(x):
        b, w = x[:2], np.concatenate(([0.0], x[2:]))
        z = (y - DESIGN @ b - w[nodes.of_run]) / scale
        # Student's t with four degrees: density up to a constant; distribution function.
        value = (
            -2.5 * np.log1p(z[~bound] ** 2 / 4.0).sum() + np.log(special.stdtr(4, -z[bound])).sum()
        )
        value -= 0.5 * PRIOR[1] @ (b - PRIOR[0]) ** 2
        return -(value - 0.5 * x[2:] @ np.linalg.solve(covariance, x[2:]))

    start = np.concatenate((PRIOR[0], np.zeros(len(nodes.kh) - 1)))
    plain = optimize.minimize(against, start, method="BFGS", options={"gtol": 1e-7})
    found = find_mode(data, nodes, DESIGN, PRIOR, wander, 0.008)
    assert found.coefficients == pytest.approx(plain.x[:2], abs=2e-4)
    assert found.walk[1:] == pytest.approx(plain.x[2:], abs=2e-4)
    assert found.walk[0] == 0.0


def test_the_first_guess_is_a_ridge_over_the_values():
    bound = np.array([False, True, False, False, True, False])
    y = np.where(bound, 0.2, Y)
    truth = dense_normal(DESIGN[~bound], Y[~bound], np.full(4, 0.02), PRIOR)
    guess = first_guess(Observations(KH, y, SE, bound), DESIGN, PRIOR)
    assert guess == pytest.approx(truth.mean[:2])
    # With a single value the bounds enter as well: there is nothing else.
    bound = np.array([False, True, True, True, True, True])
    truth = dense_normal(DESIGN, Y, np.full(6, 0.02), PRIOR)
    assert first_guess(Observations(KH, Y, SE, bound), DESIGN, PRIOR) == pytest.approx(
        truth.mean[:2]
    )


def test_the_information_of_a_value_is_fishers_on_the_mean():
    # Of a t location with nu degrees: (nu + 1) / (nu + 3) over the squared scale (Lange, Little
    # and Taylor 1989, JASA 84:881-896).
    def share(z):
        one = Observations(np.zeros(1), np.array([z]), np.zeros(1), np.zeros(1, dtype=bool))
        weight = information(one, np.zeros(1), np.array([1.0]), 4.0)[0]
        return weight * 0.375 * (1.0 + z**2 / 4.0) ** -2.5  # the density of t with four degrees

    assert integrate.quad(share, -60.0, 60.0)[0] == pytest.approx(5.0 / 7.0, abs=1e-4)
    # By hand at z = 2: 5 / 8 of a weight, 5 / 7 of that, over the square of the scale 0.02.
    data = Observations(np.zeros(2), np.array([1.04, 0.5]), np.zeros(2), np.array([False, True]))
    value, bound = information(data, np.ones(2), np.full(2, 0.02), 4.0)
    assert value == pytest.approx(5.0 / 8.0 * 5.0 / 7.0 / 0.02**2)
    # A bound 25 scales below the mean tells nothing: the least weight there is.
    assert bound == pytest.approx(1e-4 / 0.02**2)
    assert information(data, np.ones(2), np.full(2, 0.02), math.inf)[0] == pytest.approx(2500.0)


def test_nodes_are_weighted_means_where_errors_are_normal():
    nodes = make_nodes(KH)
    mode = find_mode(DATA, nodes, DESIGN, PRIOR, 0.04, 0.0, nu=math.inf)
    sites = summarise(DATA, nodes, DESIGN, mode, 0.0, nu=math.inf)
    # 0.98 with 0.01 and 0.99 with 0.02 weigh as four to one.
    assert sites.value == pytest.approx([0.982, 0.97, 0.93, 0.95, 0.90])
    assert sites.precision[:2] == pytest.approx([12500.0, 10000.0])
    assert sites.design[0] == pytest.approx([1.0, -(0.8 * 0.1 + 0.2 * 0.10004)])


def test_a_node_of_t_errors_keeps_the_mode_where_it_is():
    nodes = make_nodes(KH)
    mode = find_mode(DATA, nodes, DESIGN, PRIOR, 0.04, 0.008)
    sites = summarise(DATA, nodes, DESIGN, mode, 0.008)
    again = dense_normal(
        sites.design, sites.value, sites.precision**-0.5, PRIOR, 0.04, sites.kh, np.arange(5)
    )
    assert again.mean[:2] == pytest.approx(mode.coefficients, abs=1e-4)
    assert again.mean[2:] == pytest.approx(mode.walk, abs=1e-4)


@pytest.mark.parametrize("nu", [4.0, math.inf])
def test_a_figure_of_double_weight_is_two_figures(nu):
    bound = np.arange(6) == 2
    twice = Observations(*(np.repeat(each, 2) for each in (KH, Y, SE, bound)))
    weighed = Observations(KH, Y, SE, bound, weight=np.full(6, 2.0))
    two, one = (
        find_mode(data, make_nodes(data.kh), design, PRIOR, 0.04, 0.008, nu=nu)
        for data, design in ((twice, np.repeat(DESIGN, 2, axis=0)), (weighed, DESIGN))
    )
    assert one.coefficients == pytest.approx(two.coefficients, abs=1e-6)
    assert one.walk == pytest.approx(two.walk, abs=1e-6)
    assert one.evidence == pytest.approx(two.evidence, abs=1e-5)
    whole = summarise(twice, make_nodes(twice.kh), np.repeat(DESIGN, 2, axis=0), two, 0.008, nu)
    sites = summarise(weighed, make_nodes(KH), DESIGN, one, 0.008, nu)
    assert sites.value == pytest.approx(whole.value, abs=1e-5)
    assert sites.precision == pytest.approx(whole.precision, rel=1e-4)
    # A single weight counts for all.
    alone = Observations(KH, Y, SE, bound)
    assert find_mode(alone, make_nodes(KH), DESIGN, PRIOR, 0.04, 0.008, nu=nu).evidence == (
        pytest.approx(find_mode(replace(alone, weight=np.ones(6)), make_nodes(KH), DESIGN, PRIOR,
                                0.04, 0.008, nu=nu).evidence)
    )  # fmt: skip


def test_weights_count_among_neighbours_too():
    kh = np.arange(9) / 10.0
    data = Observations(kh, 1.0 - 0.01 * kh, np.full(9, 0.01), np.zeros(9, dtype=bool))
    half = replace(data, weight=np.where(np.arange(9) < 4, 0.5, 1.0))
    one, other = (by_neighbours(d, make_nodes(kh), np.ones((9, 1))) for d in (data, half))
    assert other.precision / one.precision == pytest.approx([0.5] * 4 + [1.0] * 5)


def test_a_value_is_weighed_by_the_median_of_its_neighbours():
    y = np.array([1.0, 0.98, 1.0, 0.98, 0.60, 0.98, 1.0, 0.98, 1.0])
    kh = np.arange(9) / 10.0
    bound = np.zeros(9, dtype=bool)
    data = Observations(kh, y, np.full(9, 0.01), bound)
    sites = by_neighbours(data, make_nodes(kh), np.ones((9, 1)))
    # Neighbours differ by 0.02 (0.38 twice): robust spread 1.4826 * 0.02 / sqrt(2).
    scale = math.hypot(1.4826 * 0.02 / math.sqrt(2.0), 0.01)
    z = (0.60 - 0.98) / scale
    assert sites.precision[4] == pytest.approx(5 / (4 + z**2) * 5 / 7 / scale**2, rel=1e-4)
    # The seventh lies between seven values of which four are 0.98 at least as often as 1.0.
    assert sites.precision[3] == pytest.approx(5 / 4 * 5 / 7 / scale**2, rel=1e-4)
    assert sites.value == pytest.approx(y)
    assert sites.design == pytest.approx(np.ones((9, 1)))
    # At the ends the log is turned back: 1.0 among 0.98, 1.0, 0.98 | 0.98, 1.0, 0.98 is 0.02 high.
    assert sites.precision[0] == pytest.approx(
        5 / (4 + (0.02 / scale) ** 2) * 5 / 7 / scale**2, rel=1e-4
    )
    assert sites.precision[8] == pytest.approx(sites.precision[0])
    few = Observations(kh, y, np.full(9, 0.01), np.arange(9) < 3)
    assert by_neighbours(few, make_nodes(kh), np.ones((9, 1))) is None
    seven = Observations(kh, y, np.full(9, 0.01), np.arange(9) < 2)
    bounds = by_neighbours(seven, make_nodes(kh), np.ones((9, 1))).precision[:2]
    assert bounds == pytest.approx(1e-3), "a bound weighs almost nothing"


def test_the_prior_of_the_wander_is_a_per_cent_within_a_factor_of_three():
    assert wander_prior(0.01) == 0.0
    assert wander_prior(0.03) == pytest.approx(1.0)
    assert wander_prior(0.01 / 9.0) == pytest.approx(4.0)
    assert (WANDERS[0], WANDERS[-1]) == pytest.approx((0.001, 0.12))


def test_a_peak_between_two_points_is_that_of_the_parabola():
    grid = np.arange(5.0)
    assert find_peak(grid, -((grid - 2.3) ** 2)) == pytest.approx(math.exp(2.3))
    assert find_peak(2.0 * grid, -((grid - 1.2) ** 2)) == pytest.approx(math.exp(2.4))
    # At either end there is no third point.
    assert find_peak(grid, grid) == pytest.approx(math.exp(4.0))
    assert find_peak(grid, -grid) == pytest.approx(1.0)
    assert find_peak(grid, np.zeros(5)) == pytest.approx(1.0)


def test_scatter_and_wander_come_back():
    rng = np.random.default_rng(5)
    kh = np.linspace(0.01, 2.0, 200)
    walk = np.concatenate(([0.0], np.cumsum(rng.normal(0.0, 0.04 * np.sqrt(np.diff(kh))))))
    y = 0.95 - 0.03 * kh + walk + 0.006 * rng.standard_t(4.0, 200)
    data = Observations(kh, y, np.full(200, 1e-4), np.zeros(200, dtype=bool))
    design = np.column_stack((np.ones(200), -kh))
    wander, scatter, mode = find_scales(data, make_nodes(kh), design, PRIOR)
    # Two hundred values give the scale within about 7 % (one standard deviation), the wander,
    # which scatter hides over a few runs, within about 15 %.
    assert scatter == pytest.approx(0.006, rel=0.2)
    assert wander == pytest.approx(0.04, rel=0.35)
    # Level, slope and walk may take from each other; their sum is seen.
    told = design @ mode.coefficients + mode.walk
    assert np.std(told - (0.95 - 0.03 * kh + walk)) < 0.005


def test_what_scatters_less_than_the_least_is_not_taken_for_exact():
    kh = np.linspace(0.01, 1.0, 40)
    data = Observations(kh, 0.95 - 0.03 * kh, np.zeros(40), np.zeros(40, dtype=bool))
    design = np.column_stack((np.ones(40), -kh))
    _, scatter, mode = find_scales(data, make_nodes(kh), design, PRIOR)
    assert scatter == pytest.approx(3e-4, rel=1e-6)
    assert mode.coefficients == pytest.approx([0.95, 0.03], abs=1e-3)
