"""Two sensors of one thing: what is told, when, and what noise and uncertainty hide."""

import random

import pytest

from logger.config import SensorConfig
from logger.reading import Reading
from logger.sources.several.agreement import PAIRS, Agreement

SENSOR = SensorConfig(gain_uncertainty=0.02, zero_uncertainty_a=0.05, voltage_uncertainty_v=0.1)


def heard(pairs, sensor=SENSOR):
    told = []
    agreement = Agreement(("charger", "shunt"), sensor, told.append)
    for one, other in pairs:
        agreement.hear(one, other)
    return told


def amps(a):
    return Reading(0.0, current_a=a)


def volts(v):
    return Reading(0.0, voltage_v=v)


def test_the_limit_by_hand():
    # JCGM 100:2008 (GUM), 5.1.2: uncertainties of independent quantities add in squares; 6.2.1:
    # coverage factor 2. At 8 A: sqrt(0.16^2 + 0.05^2) = 0.1676 each; times sqrt(2) and 2: 0.474 A.
    agreement = Agreement(("a", "b"), SENSOR, print)
    assert agreement.limit("current_a", 8.0) == pytest.approx(0.4741, abs=1e-4)
    assert agreement.limit("voltage_v", 13.0) == pytest.approx(0.2828 * 13 / 12, abs=1e-4)
    assert agreement.limit("voltage_v", 26.0) == pytest.approx(0.2828 * 26 / 12, abs=1e-4)


def test_what_is_within_the_uncertainty_is_not_told():
    rng = random.Random(1)
    noisy = [(amps(8.2 + rng.gauss(0, 0.5)), amps(8.0 + rng.gauss(0, 0.5))) for _ in range(5000)]
    assert heard(noisy) == []
    assert heard([(volts(13.5), volts(13.3))] * 500) == []


def test_a_wrong_shunt_is_told_once():
    (told,) = heard([(amps(8.0), amps(7.2))] * 5000)
    assert told == (
        "current_a: charger says 8.00 A, shunt 7.20 A: further apart than two such sensors may "
        "be (0.45 A). Measure with a clamp meter which is right, and see that both are in the "
        "same lead"
    )
    (told,) = heard([(volts(13.5), volts(12.9))] * 500)
    assert told.startswith("voltage_v: charger says 13.50 V, shunt 12.90 V")
    assert "a voltmeter" in told


def test_not_before_there_are_enough_pairs():
    assert heard([(amps(8.0), amps(7.0))] * (PAIRS - 1)) == []
    assert len(heard([(amps(8.0), amps(7.0))] * PAIRS)) == 1


def test_one_that_ended_and_comes_again_is_told_again():
    wrong, right = [(amps(8.0), amps(7.0))] * 2000, [(amps(8.0), amps(8.0))] * 2000
    assert len(heard(wrong + right + wrong)) == 2
    # A difference that stays at the limit is no news.
    limit = Agreement(("a", "b"), SENSOR, print).limit("current_a", 8.0)
    rng = random.Random(2)
    waver = [(amps(8.0 + limit * (1.1 + 0.5 * rng.gauss(0, 1))), amps(8.0)) for _ in range(5000)]
    assert len(heard(waver)) == 1


def test_a_step_that_one_sees_a_moment_before_the_other_is_not_told():
    pairs = []
    for k in range(3000):
        level = 8.0 if k % 600 < 300 else 0.0
        before = 8.0 if (k - 2) % 600 < 300 else 0.0
        pairs.append((amps(level), amps(before)))
    assert heard(pairs) == []


def test_what_only_one_gives_is_not_compared():
    assert heard([(Reading(0.0, voltage_v=13.0), Reading(0.0, current_a=3.0))] * 500) == []
