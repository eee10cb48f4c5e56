"""The zero of the current sensor: found at rest, told, taken off, with its drift over the years."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.history.runs import find_runs
from analysis.inputs.finding import Severity
from analysis.inputs.zero import find_zero
from tests.support.boats import plain_log
from tests.support.configurations import config_for
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
    zero = find_zero(find_runs(history, 110.0), 8.5)
    years = (zero.time_s - history.start_s[0]) / (365.2425 * 86400.0)
    assert np.abs(zero.current_a - 0.3 * years).max() < 0.02


def idling(*, states=True, counter=True, idle=0.05):
    """Return a log of a boat that hardly rests: from day 40 on a shore charger holds its battery.

    Ours runs against it and gives a trickle, ``idle`` of what it can.
    """
    good = plain_log.log(runs=60, loss=0.02, states=states, counter=counter)
    held = good.start_s > plain_log.BEGIN_S + 40 * 86400.0
    share = np.where(held & (good.energy_j > 0.0), idle, 1.0)
    return replace(
        good,
        voltage_mean_v=np.where(held, 13.6, good.voltage_mean_v),
        voltage_max_v=np.where(held, 13.61, good.voltage_max_v),
        energy_j=good.energy_j * share,
        charge_c=good.charge_c * share,
    )


@pytest.mark.parametrize(("states", "counter"), [(True, True), (True, False), (False, True)])
@pytest.mark.parametrize("idle", [0.05, 0.12])
def test_a_trickle_is_no_zero_where_state_or_counter_says_that_it_runs(states, counter, idle):
    a = Case(idling(states=states, counter=counter, idle=idle), config_for()).assessment
    assert not [f for f in a.inputs if f.code.startswith("current_zero")]
    # 1 - 0.02 per 1000 h after 240 h, and no more is known after that.
    assert a.output.low <= 0.995 <= a.output.high
    assert a.verdict == "sound"


def test_where_nothing_tells_a_rest_a_small_steady_current_is_told_as_unsure():
    unsure = Case(idling(states=False, counter=False), config_for()).assessment
    finding = found(unsure, "current_zero_unsure")
    assert finding.severity is Severity.DOUBT
    assert "state" in finding.what_to_do
    sure = Case(idling(), config_for()).assessment
    # By hand: 0.42 A of 8.1 A, one way or the other, beside what was not known before.
    apart = unsure.output.median - unsure.output.low
    assert apart > max(0.04, sure.output.median - sure.output.low)
    assert unsure.output.median == pytest.approx(sure.output.median, abs=0.01), "nothing taken off"
    assert unsure.verdict == "sound"


@pytest.mark.parametrize("counter", ["whole hours", "switched on", "stuck"])
def test_a_zero_without_states_by_a_poor_counter(season, counter):
    what = {"switched on": {"counter_on_all_day": True}, "stuck": {"counter_stuck_at": 100.0}}
    sailed = season(zero_a=0.45, states=False, days=100, **what.get(counter, {}))
    history, config, course = sailed
    if counter == "whole hours":
        history = replace(history, runtime_h=np.floor(history.runtime_h))
    a = assessed((history, config, course))
    assert f"{0.45:+.2f} A" in found(a, "current_zero").seen
    assert holds_truth(a, course)
    assert a.at_runtime_h == pytest.approx(course.hours[-1], rel=0.03)
