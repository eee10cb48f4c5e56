"""The estimate of level, decline and steps from outputs of runs that are given."""

import numpy as np
import pytest

from analysis.health.life import estimate
from analysis.health.trend import Observations
from tests.support.boats.plain_log import BEGIN_S


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
