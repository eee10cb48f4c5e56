"""A current that flows on after the charger has stopped is averaged, or not the charger's."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.inputs.finding import Severity
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.findings import assessed, doubts, found


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("averaged_h", [3.0, 8.0, 24.0])
def test_a_current_that_is_averaged_gives_no_verdict(season, averaged_h, states):
    a = assessed(season(averaged_h=averaged_h, states=states, days=80, load_a=2.4))
    finding = found(a, "current_late")
    assert finding.severity is Severity.STOP
    assert "means" in finding.what_to_do
    assert a.verdict == "undetermined"
    assert [f.code for f in a.inputs] == ["current_late"], "nothing else is blamed for it"


def test_a_quarter_of_an_hour_does_no_harm(season):
    assert doubts(assessed(season(averaged_h=0.25, days=80, load_a=2.4))) == []


def test_a_zero_that_is_off_is_no_current_after_a_stop(season):
    a = assessed(season(zero_a=1.2, days=80, load_a=2.4))
    assert doubts(a) == ["current_zero"]


@pytest.mark.parametrize("states", [True, False])
def test_a_mean_of_hours_is_seen_after_a_start_where_the_end_of_a_run_is_weak(states):
    log = plain_log.log(runs=120, rest=36, apart_d=0.5, states=states)
    charge = log.charge_c.copy()
    since = np.arange(len(log)) % 72 - 36
    # A run that ends in a weak current, of which a mean of three hours leaves nothing to be seen.
    charge *= np.where(since >= 24, 0.03, 1.0)
    mean = np.convolve(charge, np.ones(18) / 18)[: len(charge)]
    case = Case(replace(log, charge_c=mean, energy_j=mean * log.voltage_mean_v), config_for())
    finding = found(case.assessment, "current_late")
    assert finding.severity is Severity.STOP
    assert "after a start" in finding.text
    sound = replace(log, charge_c=charge, energy_j=charge * log.voltage_mean_v)
    assert "current_late" not in [f.code for f in Case(sound, config_for()).assessment.inputs]


def codes(log):
    return [f.code for f in Case(log, config_for()).assessment.inputs]


def given(log, share):
    """Return a log in which each interval gives this share of its current."""
    return replace(log, charge_c=log.charge_c * share, energy_j=log.energy_j * share)


@pytest.fixture(scope="module")
def steady():
    """Return a log of runs of six hours, and the hours since the start of each run."""
    log = plain_log.log(runs=60)
    return log, (np.arange(len(log)) % 39 - 3 + 0.5) / 6.0  # 36 intervals behind three of rest


@pytest.mark.parametrize("warm_h", [0.5, 0.83, 1.25])
def test_a_charger_that_warms_up_slowly_is_not_averaged(steady, warm_h):
    log, since_h = steady
    assert "current_late" not in codes(given(log, np.where(since_h < warm_h, 0.5, 1.0)))


def test_a_charger_that_holds_its_ceiling_follows_the_boat(steady):
    # From an afternoon's 3 A to an evening's 6 A, at 14.2 V throughout.
    log, since_h = steady
    volts = np.where(since_h > 0.0, 14.2, 12.9)
    held = replace(log, voltage_mean_v=volts, voltage_max_v=volts)
    assert "current_late" not in codes(given(held, np.where(since_h < 2.5, 0.37, 0.75)))


@pytest.mark.parametrize("scatter_a", [0.06, 0.13])
def test_a_zero_that_moves_from_day_to_day_is_no_current_after_a_stop(scatter_a):
    log = plain_log.log(runs=100, rest=36, apart_d=0.5)
    day = np.arange(len(log)) // 72
    zero_a = 0.85 + scatter_a * np.random.default_rng(1).standard_normal(day[-1] + 1)[day]
    off = replace(
        log,
        charge_c=log.charge_c + zero_a * log.duration_s,
        energy_j=log.energy_j + zero_a * log.voltage_mean_v * log.duration_s,
    )
    found_codes = codes(off)
    assert "current_late" not in found_codes
    assert "current_zero" in found_codes


def test_a_rest_of_four_hours_is_long_enough_to_see_what_flows_on():
    log = plain_log.log(runs=60, run_h=4.0, rest=24, apart_d=1.0 / 3.0)
    at_rest = np.arange(len(log)) % 48 < 24
    amps = np.repeat(np.random.default_rng(3).uniform(1.0, 4.0, 60), 48)
    charge = np.where(at_rest, amps * log.duration_s, log.charge_c)
    flows = replace(log, charge_c=charge, energy_j=charge * log.voltage_mean_v)
    assert found(Case(flows, config_for()).assessment, "current_late").severity is Severity.STOP
