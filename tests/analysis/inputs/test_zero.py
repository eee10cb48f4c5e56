"""The zero of the current sensor: found at rest, told, taken off, with its drift over the years."""

import numpy as np
import pytest

from analysis.inputs.finding import Severity
from analysis.inputs.zero import find_zero
from tests.support.findings import assessed, doubts, found, holds_truth

DRIFTS = {"seasons": 3, "days": 100, "zero_per_year_a": 0.3, "load_a": 2.6, "loss_per_kh": 0.03}


@pytest.mark.parametrize("zero_a", [0.45, -0.45])
@pytest.mark.parametrize("states", [True, False])
def test_a_zero_that_is_off_is_taken_off(season, zero_a, states):
    sailed = season(zero_a=zero_a, states=states, days=100)
    a = assessed(sailed)
    finding = found(a, "current_zero")
    assert finding.severity is Severity.DOUBT
    assert f"{zero_a:+.2f} A" in finding.seen
    assert holds_truth(a, sailed[2])
    assert a.running_hours == pytest.approx(sailed[2].hours[-1], rel=0.02)
    assert a.verdict == "sound"


def test_a_zero_without_states_and_counter(season):
    sailed = season(zero_a=0.45, states=False, counter=False, days=100)
    a = assessed(sailed)
    assert doubts(a) == ["current_zero"]
    assert holds_truth(a, sailed[2])
    assert a.at_runtime_h == pytest.approx(sailed[2].hours[-1], rel=0.02)


def test_a_zero_that_drifts_over_the_years_makes_no_renewal(season):
    sailed = season(**DRIFTS)
    course = sailed[2]
    a = assessed(sailed)
    finding = found(a, "current_zero")
    assert "drifts" in finding.text
    assert "+0.30 A a year" in finding.text
    assert not a.steps
    assert not any(r.code in {"renewal_found", "renewed"} for r in a.reasons)
    assert holds_truth(a, course)
    true_kwh = float((course.current_a * course.voltage_v).sum()) * 300.0 / 3.6e6
    assert a.energy_kwh == pytest.approx(true_kwh, rel=0.02)


def test_a_sound_sensor_is_left_alone(season):
    assert assessed(season(days=100)).inputs == ()


def test_the_zero_found_is_the_true_one(season):
    history, _, _ = season(**DRIFTS)
    zero = find_zero(history, 8.5)
    years = (zero.time_s - history.start_s[0]) / (365.2425 * 86400.0)
    assert np.abs(zero.current_a - 0.3 * years).max() < 0.02
