"""A value that is stuck, and a sensor at the end of its range."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.inputs.channels.current import step_of
from analysis.inputs.finding import Severity
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("share", [0.5, 0.7, 0.9])
def test_a_current_that_is_stuck_is_left_out(season, share):
    sailed = season(stuck_from=share, days=80, loss_per_kh=0.03)
    a = assessed(sailed)
    finding = found(a, "current_stuck")
    assert finding.severity is Severity.DOUBT
    assert "stuck" in finding.text
    assert holds_truth(a, sailed[2])
    assert a.running_hours == pytest.approx(sailed[2].hours[-1], rel=0.03)
    assert not a.steps


def test_a_sensor_at_the_end_of_its_range_gives_a_lower_bound(season):
    sailed = season(saturates_a=7.0, days=80)
    a = assessed(sailed)
    assert found(a, "current_saturates").severity is Severity.DOUBT
    assert "7.00 A" in found(a, "current_saturates").text
    assert a.output.median is None
    assert a.output.low < sailed[2].output[-1]
    assert a.verdict == "undetermined"


def test_a_healthy_sensor_is_neither(season):
    assert doubts(assessed(season(days=80, loss_per_kh=0.03))) == []


def with_current(sailed, change):
    """Return a season whose current is changed by a function of its amperes."""
    history, config, course = sailed
    amps = change(history.charge_c / history.duration_s)
    charge = amps * history.duration_s
    energy = charge * history.voltage_mean_v
    return replace(history, charge_c=charge, energy_j=energy), config, course


def test_whole_amperes_are_coarse_and_neither_stuck_nor_at_an_end(season):
    fine = season(days=80, loss_per_kh=0.03)
    sailed = with_current(fine, np.round)
    a, before = assessed(sailed), assessed(fine)
    assert doubts(a) == []
    assert holds_truth(a, sailed[2])
    # Up to half an ampere of eight is rounded away.
    assert a.output.high - a.output.low > 1.5 * (before.output.high - before.output.low)


def test_a_set_value_is_no_measured_current_and_bounds_nothing(season):
    sailed = season(days=80, loss_per_kh=0.2)
    a = assessed(with_current(sailed, lambda amps: np.where(amps > 2.0, 8.0, 0.0)))
    assert found(a, "current_saturates").severity is Severity.STOP
    assert "set value" in found(a, "current_saturates").text
    assert a.verdict == "undetermined"
    assert a.output.low is None


@pytest.mark.parametrize(("step", "tells"), [(1.0, 1.0), (0.5, 0.5), (0.1, 0.1), (0.01, 0.0)])
def test_the_step_of_a_sensor_is_found_by_its_values(step, tells):
    amps = np.random.default_rng(4).uniform(4.0, 9.0, 5000)
    assert step_of(step * np.round(amps / step), 8.0) == tells
    assert step_of(np.full(5000, 8.0), 8.0) == 0.0, "one value alone is none"
    assert step_of(step * np.round(amps[:40] / step), 8.0) == 0.0
