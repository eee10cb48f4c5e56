"""Sudden changes and forecasts on published series: what real data are known to contain."""

import math

import numpy as np
import pytest

from analysis.assessment.forecast import forecast
from analysis.health.life import estimate
from analysis.health.steps import strongest_step
from analysis.health.trend import Observations, Sites
from tests.support.oracles import dense_normal, least_squares

# Cobb (1978), Biometrika 65:243-251; Zeileis et al. (2003), CSDA 44:109-123: flow of the Nile at
# Aswan, 1871 to 1970, 10^8 m3; one change of level after the 28th value (1898), 95 % interval
# of the break 25 to 32; means 1097.75 and 849.97.
NILE = """1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958
1140 1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050
969 831 726 456 824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759 781
865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890 744 749 838
1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740"""

# NIST/SEMATECH e-Handbook 6.3.2.3 (CUSUM): group means, target 325; the upper sum leaves zero at
# group 13 and signals at group 14. Read through public test files that quote the page.
CUSUM = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]

# Meeker and Escobar (1998), Statistical Methods for Reliability Data, Table C.17: increase of the
# operating current of 15 GaAs lasers, %, at 80 degC; failure at 10 %. Hours, then units 101 to
# 115.
LASERS = """0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0
250 0.4741 0.7078 0.7074 0.3634 0.2707 0.3584 0.3637 0.458 0.5098 0.4136 0.4435 0.3864 0.3034
    0.438 0.5056
500 0.9255 1.2175 1.1651 0.6161 0.6144 1.3922 0.9237 1.0678 0.9308 1.488 0.9978 0.7988 0.7448
    0.6979 0.8349
750 2.1147 1.8955 1.7253 1.3597 1.1093 1.9541 1.2098 1.4163 1.5713 2.381 1.5738 1.3521 1.5225
    1.0515 1.2864
1000 2.7168 2.2954 1.9888 1.9525 1.773 2.8617 1.4591 1.7659 1.9576 2.995 1.9584 1.741 1.8548
    1.3526 1.5191
1250 3.511 2.865 2.5325 2.2995 2.0625 3.4552 1.9323 2.1061 2.5871 3.835 2.5093 2.979 2.3897
    1.7998 1.9148
1500 4.3415 3.7454 2.9695 2.9468 2.5835 3.8117 2.3862 2.3969 3.2892 4.501 2.8436 3.5871 2.9473
    2.5514 2.2697
1750 4.9076 4.4192 3.2977 3.3871 2.9863 4.533 2.6799 2.78 3.6075 5.251 3.4682 4.0315 3.5104
    2.8274 2.7763
2000 5.4782 4.9894 3.9354 3.7863 3.3765 5.3541 2.9397 3.0187 4.1148 6.256 4.007 4.4393 3.9207
    3.3908 3.4153
2250 5.9925 5.5148 4.1613 4.1116 4.0491 5.9217 3.4183 3.289 4.5964 7.051 4.5124 4.7906 5.0316
    3.7159 3.7814
2500 6.7224 6.0668 4.4459 4.5013 4.626 6.7078 4.0857 3.7542 4.913 7.803 4.8018 5.2205 5.4708
    4.0906 4.1053
2750 7.1303 6.6385 4.889 4.7209 5.237 7.7027 4.5843 4.1595 5.3408 8.321 5.2042 5.4848 5.8362
    4.8296 4.3754
3000 8.0006 7.1615 5.2696 4.9766 5.6191 8.6053 4.8402 4.7575 5.8418 8.93 5.6556 5.9639 6.4962
    5.4145 4.6295
3250 8.9193 7.7778 5.6913 5.2812 6.0449 9.1477 5.1145 5.1597 6.3961 9.554 6.1951 6.2276 6.9372
    5.759 5.3831
3500 9.494 8.4242 6.0216 5.615 6.3167 9.951 5.5691 5.4591 6.8441 10.45 6.5405 6.9877 7.3883
    6.1419 5.8391
3750 9.8675 8.9092 6.4485 5.9503 7.0952 10.4857 6.114 5.8085 7.2037 11.28 6.9626 7.3671 7.8472
    6.5086 6.1618
4000 10.9446 9.2834 6.8849 6.1438 7.5941 11.0096 7.1723 6.245 7.8848 12.21 7.4238 7.8841 8.087
    6.8823 6.6247"""
# "Approximate degradation analysis" of their chapter 13: a line through each unit, extrapolated.
PSEUDO_H = [3702, 4194, 5847, 6172, 5301, 3592, 6051, 6538, 5110, 3306, 5326, 4995, 4721, 5689]
PSEUDO_H.append(6102)
# Crossings inside the test, by linear interpolation of the table.
CROSSED_H = {101: 3780.8, 106: 3522.9, 110: 3374.4}


def step_in(values, sd, *, rate=1.0):
    """Look for a step in a level with plain noise: no trend, no wander."""
    y = np.asarray(values, dtype=float)
    n = len(y)
    sites = Sites(np.arange(n) / 20.0, y, np.full(n, sd**-2.0), np.ones((n, 1)))
    prior = (np.array([y.mean()]), np.array([(100.0 * sd) ** -2.0]))
    return strongest_step(
        sites, sites.design, prior, wanders=np.zeros(1), size=3.0 * sd, rate_per_kh=rate
    )


def test_the_nile_changed_in_1898():
    flow = np.array(NILE.split(), dtype=float)
    # Spread about the two published means: sqrt(RSS / 98), RSS 1597457.194.
    sd = np.sqrt(1597457.194 / 98)
    found = step_in(flow, sd)
    assert found.node == 28
    assert found.log_odds > np.log(1000.0)
    assert found.change == pytest.approx(849.9722 - 1097.75, rel=0.05)
    # Exactly one: neither part holds another.
    assert step_in(flow[:28], sd).log_odds < np.log(20.0)
    assert step_in(flow[28:], sd).log_odds < np.log(20.0)


def test_the_handbooks_cusum_series_changes_before_group_13():
    found = step_in(CUSUM, np.std(CUSUM[:12], ddof=1))
    assert found.node == 12
    assert found.log_odds > np.log(1000.0)
    assert found.change == pytest.approx(np.mean(CUSUM[12:]) - np.mean(CUSUM[:12]), rel=0.1)


def test_noise_alone_holds_no_step():
    rng = np.random.default_rng(11)
    odds = [step_in(rng.normal(0, 1, 100), 1.0, rate=0.1).log_odds for _ in range(200)]
    # At odds of 20 to 1 no more than one series in twenty may claim a step.
    assert np.mean(np.array(odds) > np.log(20.0)) <= 0.05


def lasers():
    table = np.array(LASERS.split(), dtype=float).reshape(17, 16)
    return table[:, 0], table[:, 1:]


def test_lasers_cross_where_the_book_says():
    hours, rise = lasers()
    design = np.column_stack((np.ones_like(hours), hours))
    for unit, published in zip(rise.T, PSEUDO_H, strict=True):
        a, b = least_squares(design, unit).coefficients
        assert (10.0 - a) / b == pytest.approx(published, abs=1.0)


def foretold(hours, rise, until_h):
    """Forecast a laser from its first hours: 10 % more current stands for output at 60 %."""
    seen = (hours <= until_h) & (hours > 0.0)
    kh = hours[seen] / 1000.0
    n = len(kh)
    data = Observations(kh, 1.0 - 0.04 * rise[seen], np.full(n, 0.004), np.zeros(n, bool))
    health = estimate(data, np.full(n, np.nan), kh * 3.6e6, until_h / 1000.0, 0.08)
    rng = np.random.default_rng(1)
    return forecast(health.posterior, 0.0, until_h, 0.6, None, None, rng).hours


def test_lasers_back_test_from_half_the_time():
    hours, rise = lasers()
    for unit, truth in CROSSED_H.items():
        said = foretold(hours, rise[:, unit - 101], 2000.0)
        assert said.low <= truth - 2000.0 <= said.high
        # An interval that says something: narrower than three times what is left (2.8 at most).
        assert said.high - said.low < 3.0 * (truth - 2000.0)


def test_most_lasers_cross_within_the_interval():
    hours, rise = lasers()
    held = 0
    for unit, published in zip(rise.T, PSEUDO_H, strict=True):
        said = foretold(hours, unit, 2000.0)
        high = np.inf if said.high is None else said.high
        held += said.low <= published - 2000.0 <= high
    # Binomial with 15 and 0.9: fewer than 11 has a chance of 1.3 %.
    assert held >= 11


@pytest.mark.parametrize("wanders", [(0.0,), (0.02,), (0.01, 0.05)])
def test_the_odds_of_a_step_are_those_of_whole_matrices(wanders):
    kh = np.array([0.1, 0.12, 0.3, 0.33, 0.6, 0.64])
    y = np.array([1.0, 0.98, 0.99, 0.93, 0.92, 0.90])
    sd = np.array([0.01, 0.02, 0.01, 0.015, 0.02, 0.01])
    design = np.column_stack((np.ones(6), -kh))
    prior = (np.array([0.95, 0.05]), np.array([0.3, 0.1]) ** -2.0)
    sites = Sites(kh, y, sd**-2.0, design)
    # A step of 0.12 (one sd) anywhere, five in ten thousand hours, in at most 50 h of a gap.
    found = strongest_step(sites, design, prior, np.array(wanders))

    def dense(wander, place=None):
        columns, belief = design, prior
        if place is not None:
            columns = np.column_stack((design, np.arange(6) >= place))
            belief = (np.append(prior[0], 0.0), np.append(prior[1], 0.12**-2.0))
        told = dense_normal(columns, y, sd, belief, wander, kh, np.arange(6))
        weight = -0.5 * (math.log(wander / 0.01) / math.log(3.0)) ** 2 if wander else 0.0
        return math.exp(told.evidence + weight), told.mean[2]

    without = sum(dense(w)[0] for w in wanders)
    odds = [
        0.05 * min(kh[k] - kh[k - 1], 0.05) * sum(dense(w, k)[0] for w in wanders) / without
        for k in range(1, 6)
    ]
    assert found.log_odds == pytest.approx(math.log(sum(odds)))
    assert found.node == 1 + int(np.argmax(odds)) == 3
    likely = max(wanders, key=lambda w: dense(w, found.node)[0])
    assert found.change == pytest.approx(dense(likely, found.node)[1])


def test_three_nodes_are_too_few_for_a_step():
    assert step_in([1.0, 1.0, 0.5], 0.01) is None
    assert step_in([1.0, 1.0, 0.5, 0.5], 0.01).node == 2
